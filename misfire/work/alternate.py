"""What each cylinder does for good, read from what differs between the two turns of a cycle.

A tooth error is the same in both turns; a cylinder fires in one of them. The part of the running integral that changes
sign from turn to turn, A[m] - 2 A[m+1] + A[m+2] tooth by tooth, is therefore free of the wheel at any one speed
[derived]: crank orders 0.5, 1.5, ... of one cylinder against 1, 2, ... of the wheel. Companions come out of it only as
their difference, so it serves engines without companions: odd numbers of cylinders, odd firing.
"""

from __future__ import annotations

import numpy as np

from misfire.crank import Crank
from misfire.engine import CYCLE_DEG, TURN_DEG, FloatArray
from misfire.grid import Grid
from misfire.work.events import Events
from misfire.work.filters import firing_period_deg, firing_sorts
from misfire.work.windows import Laid

CYCLES = 41  # over which the mean is taken
MOST_ORDERS = 4
LEAST_ALIKE = 3  # cylinders that follow a like interval, to tell one of them from the rest
BEYOND = 4.0  # of the mean work: no cylinder can differ so much in a cycle


def mean_work(grid: Grid, crank: Crank, laid: Laid, at: Events) -> FloatArray:
    """Mean work of every event's place over the cycles around, free of the wheel; shape (events,).

    Energies [rad^2/s^2] against the mean of the places that follow a like interval; misfires are in the mean. NaN
    where the log has too few whole cycles or the engine too few like places.

    Parameters
    ----------
    laid : Laid
        Where the firings stand.
    at : Events
        Where the answer is wanted.
    """
    from scipy.ndimage import uniform_filter1d

    n, count, second_turn = grid.per_turn, laid.engine.cylinders, laid.second_turn
    out = np.full(at.place.size, np.nan)
    kind = firing_sorts(laid.engine)
    sorts = [np.flatnonzero(kind == k) for k in np.unique(kind)]
    m = np.flatnonzero(~second_turn[:-2])
    whole = grid.unsound_before[(m + 3) * n] == grid.unsound_before[m * n]
    whole &= (crank.block[m] == crank.block[m + 2]) & second_turn[m + 1]
    m = m[whole]
    if m.size < CYCLES or min(v.size for v in sorts) < LEAST_ALIKE:
        return out
    rows = grid.action.reshape(-1, n)
    wave = rows[m] - 2.0 * rows[m + 1] + rows[m + 2]
    own = wave @ np.linalg.pinv(_columns(grid, laid), rcond=1e-6)[1 : count + 1].T
    for same in sorts:
        own[:, same] -= own[:, same].mean(axis=1, keepdims=True)
    most = BEYOND * float(np.nanmedian(np.abs(at.level))) if np.isfinite(at.level).any() else np.inf
    mean = uniform_filter1d(np.clip(own, -most, most), CYCLES, axis=0, mode="nearest")
    for p in range(count):
        mine = at.place == p
        out[mine] = np.interp(at.turn[mine], m, mean[:, p])
    return out


def _columns(grid: Grid, laid: Laid) -> FloatArray:
    """Constant, a firing of each place, and what the burn's unknown shape adds to all alike; (used teeth, columns)."""
    turns = np.arange(3)[:, None] * TURN_DEG + grid.angle_deg
    cols = [np.ones(grid.per_turn)]
    for p in laid.places:
        tdc = TURN_DEG * p.turn_offset + p.angle_deg
        cycles = turns - tdc - CYCLE_DEG * np.arange(-2, 4)[:, None, None]
        step = np.radians(laid.shape.step_integral(cycles)).sum(axis=0)
        cols.append(step[0] - 2.0 * step[1] + step[2])
    order = TURN_DEG / firing_period_deg(laid.engine)
    alike = [
        k * order
        for k in range(1, 2 * MOST_ORDERS)
        if (2 * k * order) % 2 == 1 and k * order < grid.per_turn / 2.5
    ]
    for o in alike[:MOST_ORDERS]:
        cols += [np.cos(o * np.radians(grid.angle_deg)), np.sin(o * np.radians(grid.angle_deg))]
    return np.column_stack(cols)
