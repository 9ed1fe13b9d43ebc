"""The matrix of numbered teeth, one row a turn, and the faults seen on the way.

Convention: a turn starts at position 0, the first tooth after the longest gap, and row k of the matrix
holds the times of the teeth of turn k, NaN where an edge is missing. The edge *before* the gap is the
anchor, because the first tooth behind a gap is the one that real pickups weaken, shift and lose.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from misfire.engine import FloatArray, Wheel

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LONGEST_PAUSE_S = 2.0  # a longer silence between two edges is a pause of the recording or a standing engine


@dataclass(frozen=True)
class Fault:
    """One fault of the edge train: "extra" or "lost" edge, or "break" where the numbering was lost."""

    kind: Literal["extra", "lost", "break"]
    time_s: float
    turn: int
    position: int


@dataclass(frozen=True)
class Crank:
    """Numbered teeth of one log.

    Attributes
    ----------
    time_s : array, shape (turns, teeth)
        Edge time [s] of every tooth by turn; NaN where there is no trusted edge.
    wheel : Wheel
    block : array, shape (turns,)
        Runs of turns without a break in the numbering; the cycle phase holds inside a block only.
    faulty : array of bool, shape (turns,)
        Turns touched by an extra or lost edge other than the weak first tooth.
    extra_edges, lost_edges, resyncs, turns_set_aside : int
    first_tooth_lost : int
        Turns whose first tooth after the gap did not reach the threshold.
    faults : tuple of Fault
    wheel_found : bool
        True when the wheel was found in the log, not given.
    """

    time_s: FloatArray
    wheel: Wheel
    block: IntArray
    faulty: BoolArray
    edges: int
    extra_edges: int
    lost_edges: int
    resyncs: int
    first_tooth_lost: int
    faults: tuple[Fault, ...]
    wheel_found: bool
    notes: tuple[str, ...] = ()

    @property
    def turns(self) -> int:
        """Rows of the matrix: whole and partly recorded turns."""
        return int(self.time_s.shape[0])

    @property
    def turns_set_aside(self) -> int:
        """Turns that no decision uses."""
        return int(self.faulty.sum())


def turn_speed(crank_s: FloatArray, block: IntArray) -> tuple[FloatArray, FloatArray]:
    """Time [s] and speed [rpm] in the middle of each whole turn, from one tooth far from the gap.

    Parameters
    ----------
    crank_s : array, shape (turns, teeth)
        Edge times [s]; NaN where there is no trusted edge.
    block : array, shape (turns,)
        Runs of turns without a break in the numbering.
    """
    tooth = crank_s[:, crank_s.shape[1] // 2]
    period = np.diff(tooth)
    good = np.isfinite(period) & (np.diff(block) == 0)
    return tooth[:-1][good] + 0.5 * period[good], 60.0 / period[good]
