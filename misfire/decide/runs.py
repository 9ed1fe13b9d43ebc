"""Running levels over events, and runs of flagged events.

Arrays over events have shape (events,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import FloatArray


def running_median(x: FloatArray, width: int) -> FloatArray:
    """Running median over an odd number of events, ends reflected; NaN are bridged."""
    from scipy.ndimage import median_filter

    ok = np.isfinite(x)
    if not ok.any():
        return np.full(x.size, np.nan)
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    width = min(width | 1, (x.size - 1) | 1)
    return np.asarray(median_filter(filled, size=width, mode="reflect"), dtype=float)


def running_high(x: FloatArray, width: int, side: int = 0) -> FloatArray:
    """Running 70th percentile: the healthy level even where up to half of the events are lost.

    `side` -1 looks at the events before, +1 at those after, 0 at both.
    """
    from scipy.ndimage import percentile_filter

    ok = np.isfinite(x)
    if not ok.any():
        return np.full(x.size, np.nan)
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    width = min(width | 1, (x.size - 1) | 1)
    high = np.asarray(percentile_filter(filled, 70, size=width, mode="reflect"), dtype=float)
    if side:
        at = np.arange(x.size) + side * (width // 2 + 1)
        inside = (at >= 0) & (at < x.size)
        # at the ends of the log one side has too few events: the other one serves
        high = np.where(inside, high[np.clip(at, 0, x.size - 1)], high)
    return high


def cycle_mean(x: FloatArray, n_cyl: int) -> FloatArray:
    """Mean over one cycle's events around each; NaN are bridged."""
    from scipy.ndimage import uniform_filter1d

    ok = np.isfinite(x)
    if not ok.any():
        return x
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    return np.asarray(uniform_filter1d(filled, n_cyl, mode="reflect"), dtype=float)


def mad(x: FloatArray) -> float:
    """Standard deviation by the median of absolute deviations, as for a normal scatter; NaN for nothing."""
    return 1.4826 * float(np.median(np.abs(x - np.median(x)))) if x.size else np.nan


def run_length(flag: BoolArray) -> IntArray:
    """Length of the run of True that each event belongs to, 0 for False."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8)))
    out = np.zeros(flag.size, dtype=np.int64)
    for lo, hi in edges.reshape(-1, 2):
        out[lo:hi] = hi - lo
    return out


def touching(low: BoolArray, core: BoolArray) -> BoolArray:
    """Runs of `low` or `core` that hold at least one event of `core`."""
    both = low | core
    edges = np.flatnonzero(np.diff(np.concatenate(([False], both, [False])).astype(np.int8))).reshape(-1, 2)
    held = np.concatenate(([0], np.cumsum(core.astype(np.int64))))
    out = np.zeros(low.size, dtype=bool)
    for lo, hi in edges[held[edges[:, 1]] > held[edges[:, 0]]] if edges.size else ():
        out[lo:hi] = True
    return out


def slowing_runs(flag: BoolArray, rpm: FloatArray, ratio: float) -> BoolArray:
    """Only those runs of True at whose end the engine is slower than `ratio` of the speed at their start.

    A run that stays within 1 % of one speed for most of its length begins where that speed is left: a wheel error
    can hide the work for as long as one speed lasts.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8))).reshape(-1, 2)
    out = np.zeros(flag.size, dtype=bool)
    for lo, hi in edges:
        same = np.flatnonzero(np.abs(rpm[lo:hi] / np.nanmedian(rpm[lo:hi]) - 1) < 0.01)
        begin = lo + int(same[-1]) + 1 if same.size > (hi - lo) / 2 else lo
        out[begin:hi] = rpm[hi - 1] < ratio * rpm[lo]
    return out


def near_change(flag: BoolArray, reach: int) -> BoolArray:
    """True within `reach` events of a change of the flag."""
    at = np.concatenate(([0], np.cumsum(np.abs(np.diff(flag.astype(np.int64))))))
    n = flag.size
    lo, hi = np.clip(np.arange(n) - reach, 0, n - 1), np.clip(np.arange(n) + reach, 0, n - 1)
    return np.asarray(at[hi] != at[lo])


def steady_speed(rpm: FloatArray, n_cyl: int) -> BoolArray:
    """True where the speed a cycle before and a cycle after differ by less than 3 %."""
    n = rpm.size
    before, after = np.clip(np.arange(n) - n_cyl, 0, n - 1), np.clip(np.arange(n) + n_cyl, 0, n - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.abs(rpm[after] / rpm[before] - 1) < 0.03)
