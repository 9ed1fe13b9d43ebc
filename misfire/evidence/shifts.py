"""How far each edge stands from where the crank's own motion puts it, free of all that repeats with the cycle."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import FloatArray
from misfire.onelog import OneLog
from misfire.pattern import residual_angles

_TURNS = 1_000  # turns looked at, for time and memory
_RUN = 125  # in runs of so many
_CYCLES = 15  # neighbouring cycles whose mean counts as the crank's own


@dataclass(frozen=True)
class Shifts:
    """Edges in time order, shape (edges,): time [s], crank position [turns], and shift [s], late = positive.

    `speed_rad_s` is the speed of the edge's turn.
    """

    time_s: FloatArray
    turns: FloatArray
    shift_s: FloatArray
    speed_rad_s: FloatArray


@dataclass(frozen=True)
class Sample:
    """Residual angles of some turns of a log, late = positive [deg], shape (turns, teeth); NaN where not known.

    `rows` are the turns, `second` tells second turns of a cycle, `speed_rad_s` is the speed of each.
    """

    rows: IntArray
    time_s: FloatArray
    late_deg: FloatArray
    speed_rad_s: FloatArray
    second: BoolArray


def sample(log: OneLog) -> Sample:
    """Residual angles of at most some thousand turns, in runs spread over the log."""
    crank = log.crank
    second = log.phase.second_turn
    rows = np.arange(crank.turns)
    if crank.turns > _TURNS:
        rows = rows[rows // _RUN % -(-crank.turns // _TURNS) == 0]
        block = crank.block[rows] + np.cumsum(np.diff(rows, prepend=rows[:1]) != 1)
        crank = replace(crank, time_s=crank.time_s[rows], faulty=crank.faulty[rows], block=block)
        second = second[rows]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN columns: a tooth never seen
        late, speed = residual_angles(crank)
    return Sample(rows, crank.time_s, late, speed, second)


def edge_shifts(log: OneLog, some: Sample) -> Shifts:
    """Shifts of the edges of the sampled turns."""
    wheel, rows, second, speed = log.crank.wheel, some.rows, some.second, some.speed_rad_s
    shift = np.radians(some.late_deg) / speed[:, None]
    shift[:, 0] = np.nan if wheel.missing else shift[:, 0]  # it moves with speed on real pickups
    for parity in (False, True):
        mine = np.flatnonzero(second == parity)
        shift[mine] -= _moving_mean(shift[mine])
    ok = np.isfinite(shift)
    at = rows[:, None] + wheel.tooth_angles_deg / 360.0
    wide = 6 * np.median(np.abs(shift[ok])) if ok.any() else 0.0
    every = np.broadcast_to(speed[:, None], shift.shape)
    return Shifts(some.time_s[ok], at[ok], np.clip(shift[ok], -wide, wide), every[ok])


def _moving_mean(x: FloatArray) -> FloatArray:
    """Mean over neighbouring rows, NaN left out; NaN where fewer than half of them are known."""
    ok = np.isfinite(x)
    sums = np.cumsum(np.vstack([np.zeros((1, x.shape[1])), np.where(ok, x, 0.0)]), axis=0)
    number = np.cumsum(np.vstack([np.zeros((1, x.shape[1])), ok]), axis=0)
    k = np.arange(x.shape[0])
    lo, hi = np.maximum(k - _CYCLES // 2, 0), np.minimum(k + _CYCLES // 2 + 1, x.shape[0])
    n = number[hi] - number[lo]
    return np.where(n > _CYCLES // 2, (sums[hi] - sums[lo]) / np.maximum(n, 1), np.nan)
