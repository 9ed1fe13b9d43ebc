"""What is healthy at a moment: the level of the events around, the normal work, and where no cylinder works.

Arrays over events have shape (events,). Energies are w^2/2 [rad^2/s^2].
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.runs import mad, run_length, running_high, running_median, slowing_runs, touching
from misfire.engine import Engine, FloatArray
from misfire.work import Events, firing_sorts

LEVEL_CYCLES = 9  # a burst of misfires shorter than half of it leaves the normal energy alone
LEVEL_ERROR = 0.04  # of the normal energy: no more is left to its own noise
OVERRUN_BELOW = 0.12  # of the log's full work


def like_places(engine: Engine) -> list[IntArray]:
    """Places in firing order, those together that a rotation of the engine maps onto each other."""
    kind = firing_sorts(engine)
    sorts = [np.flatnonzero(kind == k) for k in np.unique(kind)]
    # a sort of one or two has no majority that could be its zero
    return sorts if min(v.size for v in sorts) >= 3 else [np.arange(engine.cylinders)]


def healthy_before_and_after(
    energy: FloatArray, use: BoolArray, place: IntArray, engine: Engine
) -> tuple[FloatArray, FloatArray]:
    """Running healthy level of the events before and after each, shape (events,) both."""
    x = np.where(use, energy, np.nan)
    past, future = np.full(x.size, np.nan), np.full(x.size, np.nan)
    for same in like_places(engine):
        # places that follow another interval answer differently to the common wave: each sort has its own zero
        mine = np.isin(place, same)
        width = max(2 * same.size + 1, 9)
        past[mine], future[mine] = running_high(x[mine], width, -1), running_high(x[mine], width, 1)
    return past, future


def place_offsets(dev: FloatArray, place: IntArray, n_cyl: int) -> FloatArray:
    """Median deviation of each place from the healthy majority, in the unit of `dev`; shape (cylinders,)."""
    out = np.zeros(n_cyl)
    for p in range(n_cyl):
        mine = dev[(place == p) & np.isfinite(dev)]
        if mine.size:
            out[p] = np.median(mine)
    # the healthy majority is the zero: the median place of an even number is the upper of the middle two,
    # since nobody burns more than normal
    return np.asarray(out - np.sort(out)[n_cyl // 2], dtype=float)


def motoring_events(events: Events, level: FloatArray, fuel_cut: FloatArray, n_cyl: int) -> BoolArray:
    """Fuel cut, from the flag where there is one, else from a level near nothing while the engine slows."""
    ke = (events.rpm * np.pi / 30) ** 2 / 2
    if ke.size < 4 * n_cyl:
        return np.asarray(fuel_cut == 1, dtype=bool)
    span = 2 * n_cyl
    slope = np.zeros(ke.size)
    smooth = running_median(ke, n_cyl | 1)
    slope[span:-span] = (smooth[2 * span :] - smooth[: -2 * span]) / (2 * span)
    slope[:span], slope[-span:] = slope[span], slope[-span - 1]
    driving = slope > -0.02 * np.abs(level)
    top = np.nanmedian(level[driving]) if driving.sum() > n_cyl else np.nanpercentile(level, 75)
    moved = (level < 0.25 * top) & (slope < -0.05 * max(float(top), 1e-9))
    moved &= run_length(moved) >= 3 * n_cyl
    # in gear the vehicle carries the engine and it slows gently; so little work for so long is overrun, where
    # the fuel is cut on nearly every engine (common practice, no source) and no monitor counts
    full = float(np.nanpercentile(level, 90)) if np.isfinite(level).any() else 0.0
    gentle = (level < OVERRUN_BELOW * full) & (slope < 0)
    gentle &= run_length(gentle) >= 10 * n_cyl
    gentle = touching((level < 1.4 * OVERRUN_BELOW * full) & (slope < 0), gentle)
    moved = slowing_runs(moved | gentle, events.rpm, 0.97)
    known = np.isfinite(fuel_cut)
    return np.where(known, fuel_cut == 1, moved)


def _own_spread(energy: FloatArray, place: IntArray, use: BoolArray, n_cyl: int) -> float:
    """Scatter of the events of a place from one cycle to the next; 1 without events."""
    steps = [np.diff(energy[use & (place == p)]) for p in range(n_cyl)]
    every = np.concatenate(steps)
    return mad(every) / np.sqrt(2) if every.size else 1.0


def calm_level(level: FloatArray, n_cyl: int) -> FloatArray:
    """Running median of the level over LEVEL_CYCLES, over more where its own noise asks for it."""
    smooth = running_median(level, LEVEL_CYCLES * n_cyl)
    ok = np.isfinite(level)
    if ok.sum() < 20 * n_cyl:
        return smooth
    noise = mad((level - smooth)[ok])
    typical = abs(float(np.median(smooth[ok])))
    # the error of a median of some LEVEL_CYCLES independent values
    error = 1.25 * noise / np.sqrt(LEVEL_CYCLES) / max(typical, 1e-9)
    if error <= LEVEL_ERROR:
        return smooth
    more = min((error / LEVEL_ERROR) ** 2, 6.0)
    return running_median(level, int(LEVEL_CYCLES * more) * n_cyl)


def normal_work(level: FloatArray, events: Events, use: BoolArray, engine: Engine) -> FloatArray:
    """Normal combustion energy of the moment, at least a tenth of the log's typical one."""
    known = level[use & np.isfinite(level)]
    typical = float(np.median(known)) if known.size else np.nan
    spread = _own_spread(events.energy, events.place, use, engine.cylinders)
    floor = max(0.1 * typical, 2.0 * spread, 1e-6) if np.isfinite(typical) else max(spread, 1e-6)
    out = np.where(np.isfinite(level), level, typical)
    return np.maximum(out, floor)
