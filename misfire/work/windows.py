"""Where the firing TDCs stand on the used teeth, windows around them, and short filters on the running integral.

Starts of turns have shape (events,), the points and weights of a window shape (points,).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.gas import GasShape
from misfire.grid import Grid

_CHUNK = 2_000  # events filtered in one go: their windows stay in the processor's cache


@dataclass(frozen=True)
class Place:
    """A firing TDC by its place in the cycle: its row offset and its angle after position 0."""

    index: int  # in firing order
    cylinder: int
    turn_offset: int  # 0 or 1: which turn of the cycle
    angle_deg: float  # 0..360 after position 0


def places(engine: Engine, first_deg: float) -> list[Place]:
    """Where the firing TDCs stand on the wheel, when first turns start at `first_deg` [deg, 0..360)."""
    out = []
    for i, tdc in enumerate(engine.event_deg):
        after = (tdc - first_deg) % CYCLE_DEG
        out.append(Place(i, engine.firing_order[i], int(after // TURN_DEG), float(after % TURN_DEG)))
    return out


@dataclass(frozen=True)
class Laid:
    """An engine laid on the turns of a log: which firing TDC stands where.

    Attributes
    ----------
    engine : Engine
    first_deg : float
        Crank angle [deg, 0..360) of position 0 in the first turn of a cycle.
    second_turn : array of bool, shape (turns,)
        Rows of the tooth matrix that are the second turn of a cycle.
    shape : GasShape
        How combustion and compression spread their work over the angle.
    """

    engine: Engine
    first_deg: float
    second_turn: BoolArray
    shape: GasShape

    @property
    def places(self) -> list[Place]:
        """Where the firing TDCs stand on the wheel, in firing order."""
        return places(self.engine, self.first_deg)

    def part(self, begin: int, end: int) -> Laid:
        """The same over some of the turns."""
        return replace(self, second_turn=self.second_turn[begin:end])

    def turned(self) -> Laid:
        """The other turn of every cycle taken for its first one."""
        return replace(self, second_turn=~self.second_turn)


@dataclass(frozen=True)
class Filter:
    """Weights on the running integral around a TDC, and the teeth that they stand on."""

    offsets: IntArray  # grid points after the first one of the TDC's turn
    weights: FloatArray


def window(grid: Grid, tdc_deg: float, before: float, after: float) -> tuple[IntArray, FloatArray]:
    """Grid points after a turn's first one within `before` and `after` [deg] of a TDC, and their angles [deg] from it."""
    n = grid.per_turn
    turns = int(max(before, after) // TURN_DEG) + 2
    k = np.arange(-turns * n, (turns + 1) * n)
    angle = (k // n) * TURN_DEG + grid.angle_deg[k % n] - tdc_deg
    keep = (angle >= -before) & (angle <= after)
    return k[keep], angle[keep]


def apply_filter(grid: Grid, f: Filter, start: IntArray) -> FloatArray:
    """Filter outputs for events whose turns start at grid points `start`; shape (events,), NaN beyond the log."""
    out = np.full(start.size, np.nan)
    ok = np.flatnonzero((start + f.offsets[0] >= 0) & (start + f.offsets[-1] < grid.time_s.size))
    size = f.offsets.size
    total = float(f.weights.sum())
    if not ok.size:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(grid.action, size)
    for lo in range(0, ok.size, _CHUNK):
        part = ok[lo : lo + _CHUNK]
        first = start[part] + f.offsets[0]
        last = first + size - 1
        step = int(first[1] - first[0]) if first.size > 1 else 1
        if step > 0 and (np.diff(first) == step).all():
            # from near the windows' own beginning on: the integral's size would cost digits
            begin = int(first[0])
            piece = grid.action[begin : int(last[-1]) + 1] - grid.action[begin]
            rows = np.lib.stride_tricks.sliding_window_view(piece, size)[::step]
        else:
            rows = windows[first]
            rows -= rows[:, :1].copy()
        # read in place: a matrix product would copy the overlapping windows first
        y = np.einsum("ij,j->i", rows, f.weights) - rows[:, 0] * total
        y[~np.isfinite(grid.time_s[first]) | ~np.isfinite(grid.time_s[last])] = np.nan
        out[part] = y
    return out


def range_sound(grid: Grid, start: IntArray, k: IntArray) -> tuple[BoolArray, BoolArray]:
    """Whether the grid points k around each start lie in the log, and whether all of them are sound."""
    size = grid.time_s.size
    inside = (start + k[0] >= 0) & (start + k[-1] < size)
    first, last = np.clip(start + k[0], 0, size - 1), np.clip(start + k[-1], 0, size - 1)
    inside &= np.isfinite(grid.time_s[first]) & np.isfinite(grid.time_s[last])
    return inside, grid.unsound_before[last + 1] == grid.unsound_before[first]
