"""One cell: simulate, measure by three means, hold against the truth.

d' = (mean of healthy firings - mean of full misfires) / rms of the two standard deviations, each place of the
cycle freed of its own median first. All three are measured on the same events, those of the log's last sixth:

plain    speed energy of the segment after TDC less that of the one before it, over the angle
ours     combustion energy of `work.measure`, and beside it the lost work after `decide`
ceiling  linear least squares from w^2/2 at tooth resolution to the true lost work, fitted on the five sixths
         before, for each angle on the wheel; the ridge is the one that serves the last fifth of those best

The first two see nothing but the last sixth, as a log of its own.
"""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt

from misfire.decide import MISFIRE, UNUSABLE
from misfire.grid import Grid, make_grid
from misfire.intake.recording import Recording
from misfire.onelog import OneLog, study
from misfire.pattern import Pattern
from misfire.simulate import Simulated, simulate
from misfire.work import places, predicted_separation
from tests.benchmarks.detection.cells import Cell, scenario

FloatArray = npt.NDArray[np.float64]
PATTERN_SD_DEG = 0.003  # what is left of the tooth errors after a coast-down of about 40 turns
NEAR_DEG = (200.0, 400.0)
BEFORE_DEG, AFTER_DEG = 800.0, 940.0
RIDGES = (1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3)
TRAINING = 5  # events that the ceiling is fitted on, for each one that all are tested on


@dataclass(frozen=True)
class Result:
    """What one cell gave; d' by means, lost work of full misfires and half burns, counts of events."""

    cell: Cell
    plain: float
    ours: float
    decided: float
    ceiling: float
    full: float
    half: float
    healthy: int
    misfires: int
    caught: int
    false: int
    missed: int
    unusable: int
    predicted: float
    seconds: float

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self)


def separation(value: FloatArray, healthy: FloatArray, missed: FloatArray) -> float:
    """d' of two sets of events; NaN where one is too small."""
    a, b = value[healthy & np.isfinite(value)], value[missed & np.isfinite(value)]
    if a.size < 30 or b.size < 6:
        return float("nan")
    return float((a.mean() - b.mean()) / np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2))


def by_place(value: FloatArray, place: npt.NDArray[np.int64], healthy: FloatArray) -> FloatArray:
    """Values less the median of the healthy events of the same place."""
    out = value.copy()
    for p in np.unique(place):
        mine = place == p
        out[mine] -= np.nanmedian(value[mine & healthy])
    return out


def windows(
    grid: Grid, log: OneLog, angle_deg: float, start: npt.NDArray[np.int64]
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Mean w^2/2 around events that stand `angle_deg` after the grid points `start`; which have them all.

    Every tooth interval near the TDC, spans of 60 deg further out, where only the slow motion shows.
    """
    n = grid.per_turn
    k = np.arange(-4 * n, 5 * n)
    angle = (k // n) * 360.0 + grid.angle_deg[k % n] - angle_deg
    near = (angle >= -NEAR_DEG[0]) & (angle <= NEAR_DEG[1])
    far = [int(np.argmin(np.abs(angle - a))) for a in np.r_[np.arange(-BEFORE_DEG, -NEAR_DEG[0], 60.0),
                                                            np.arange(NEAR_DEG[1] + 60.0, AFTER_DEG + 1, 60.0)]]  # fmt: skip
    k = k[np.unique(np.concatenate([np.flatnonzero(near), far]))]
    ok = (start + k[0] >= 0) & (start + k[-1] < grid.action.size)
    at = np.where(ok, start, -k[0])[:, None] + k
    ok &= np.isfinite(grid.time_s[at]).all(axis=1)
    rows = grid.action[at]
    full = (k // n) * 360.0 + grid.angle_deg[k % n]
    return np.diff(rows, axis=1) / np.radians(np.diff(full)), ok


def ceiling(grid: Grid, log: OneLog, lost: FloatArray, fit: npt.NDArray[np.bool_]) -> FloatArray:
    """The best linear estimate of the true lost work, shape (events,); NaN where not estimated.

    One estimator for all places at the same angle of the wheel, fitted on the events in `fit`.
    """
    out = np.full(lost.size, np.nan)
    at = places(log.engine, log.phase.first_deg)
    angles = np.array([p.angle_deg for p in at])
    for a in np.unique(np.round(angles, 1)):
        same = np.flatnonzero(np.abs(angles - a) < 0.2)
        mine = np.flatnonzero(np.isin(log.events.place, same))
        x, ok = windows(grid, log, float(angles[same[0]]), log.events.turn[mine] * grid.per_turn)
        y = lost[mine]
        ok &= np.isfinite(y) & np.isfinite(x).all(axis=1)
        x, mine, y = x[ok], mine[ok], y[ok]
        use = fit[mine]
        if use.sum() < 3 * x.shape[1]:
            continue
        for p in same:  # every place has its own zero
            own = log.events.place[mine] == p
            x[own] -= x[own & use].mean(axis=0)
            y[own] -= y[own & use].mean()
        cut = int(0.8 * use.sum())
        best = min(RIDGES, key=lambda r: _rest(x[use], y[use], cut, r))
        out[mine] = x @ _ridge(x[use], y[use], best)
    return out


def _ridge(x: FloatArray, y: FloatArray, share: float) -> FloatArray:
    s = x.T @ x
    return np.linalg.solve(s + share * np.median(np.diag(s)) * np.eye(s.shape[0]), x.T @ y)


def _rest(x: FloatArray, y: FloatArray, cut: int, share: float) -> float:
    h = _ridge(x[:cut], y[:cut], share)
    return float(((y[cut:] - x[cut:] @ h) ** 2).sum())


def match(done: Simulated, log: OneLog) -> npt.NDArray[np.int64]:
    """Truth row of each event, -1 where none is near."""
    t, time_s = done.truth, log.events.time_s
    i = np.clip(np.searchsorted(t.tdc_s, time_s), 1, t.tdc_s.size - 1)
    i = i - (time_s - t.tdc_s[i - 1] < t.tdc_s[i] - time_s)
    near = np.abs(t.tdc_s[i] - time_s) * t.rpm[i] * 6.0 < 20.0
    return np.where(near, i, -1)


def given_pattern(done: Simulated, cell: Cell) -> Pattern:
    """The tooth spacing with what a coast-down leaves of its error."""
    rng = np.random.default_rng([613, cell.seed])
    error = done.truth.tooth_error_deg + rng.normal(0.0, PATTERN_SD_DEG, done.truth.tooth_error_deg.size)
    sd = np.full(error.size, PATTERN_SD_DEG)
    return Pattern("given", error - error.mean(), sd, 40, True)


def last_part(recording: Recording, from_s: float) -> Recording:
    """The end of a recording as a recording of its own."""
    cut = {
        k: None if v is None else v[v >= from_s]
        for k, v in (("cam_s", recording.cam_s), ("cylinder1_s", recording.cylinder1_s))
    }
    return replace(recording, crank_s=recording.crank_s[recording.crank_s >= from_s], **cut)


def run(cell: Cell, events: int = 1600) -> Result:
    """Measure a cell."""
    began = time.process_time()
    done = simulate(scenario(cell, (TRAINING + 1) * events))
    t, given = done.truth, given_pattern(done, cell)
    from_s = float(t.tdc_s[-1]) * TRAINING / (TRAINING + 1)
    long = study(done.recording, done.engine, given=given)
    row = match(done, long)
    grid = make_grid(long.crank, given.error_deg)
    lost = np.where(row >= 0, t.lost_work[row], np.nan)
    estimate = ceiling(grid, long, lost, long.events.time_s < from_s)
    best = np.full(t.tdc_s.size, np.nan)
    best[row[row >= 0]] = -estimate[row >= 0]
    log = study(last_part(done.recording, from_s), done.engine, given=given)
    row, e = match(done, log), log.events
    healthy = (row >= 0) & (t.state[row] == 0) & (t.cause[row] < 0)
    missed = (row >= 0) & (t.state[row] == 1)
    half = (row >= 0) & (t.state[row] == 0) & (t.cause[row] >= 0)
    lost_now = t.lost_work[row]
    means = [e.acceleration_rad_s2, e.energy, -log.decision.lost_work, np.where(row >= 0, best[row], np.nan)]
    test = np.isfinite(means[3])
    d = [separation(by_place(v, e.place, healthy & test), healthy & test, missed & test) for v in means]
    cov = float(np.std(lost_now[healthy])) if healthy.any() else 0.0
    sd = np.full(e.energy.size, np.nan) if e.energy_sd is None else e.energy_sd
    each = predicted_separation(log.decision.expected, sd, cov)
    predicted = float(np.nanmedian(each)) if np.isfinite(each).any() else float("nan")
    state, got = log.decision.state, log.decision.lost_work
    used = state != UNUSABLE
    return Result(
        cell=cell,
        plain=d[0],
        ours=d[1],
        decided=d[2],
        ceiling=d[3],
        full=float(np.median(got[missed & used])) if (missed & used).any() else float("nan"),
        half=float(np.median(got[half & used])) if (half & used).any() else float("nan"),
        healthy=int(healthy.sum()),
        misfires=int(missed.sum()),
        caught=int((missed & (state == MISFIRE)).sum()),
        false=int((healthy & (state == MISFIRE)).sum()),
        missed=int((missed & used & (state != MISFIRE)).sum()),
        unusable=int((~used & (row >= 0)).sum()),
        predicted=predicted,
        seconds=time.process_time() - began,
    )
