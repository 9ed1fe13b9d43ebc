"""A cam signal recorded into a second file: its clock brought onto the crank's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake.recording import FloatArray, Recording

# of a cycle's 720 deg: rms the cam edges may scatter, and how far the place found may be from certain
SCATTER, UNCERTAIN = 6.0 / 720.0, 45.0 / 720.0
MOST_CAM_EDGES_PER_CYCLE = 8


def add_cam(crank: Recording, second: Recording, offset_s: float | None) -> Recording:
    """The recording with the cam edges of another one.

    Parameters
    ----------
    crank, second : Recording
        `second` holds the cam edges as `cam_s`, or as `crank_s` where it holds nothing else.
    offset_s : float or None
        Added to the second file's times [s]. None: found by its crank edges where it has them, else from
        the changes of speed, which both signals show.

    Raises
    ------
    InputError
        The offset was not given and the two files do not tell it.
    """
    cam_s = second.cam_s if second.cam_s is not None else second.crank_s
    how = "as given"
    if offset_s is None and second.cam_s is not None:
        offset_s, how = _by_crank(crank.crank_s, second.crank_s), "found by its crank edges"
    elif offset_s is None:
        offset_s, how = _by_speed(crank.crank_s, cam_s), "found from the changes of speed"
    if offset_s is None:
        raise InputError(
            f"{second.source}: the clock of the cam file cannot be matched to the crank's; give --cam-offset in "
            "seconds (0 when both share one clock), or record both in one file"
        )
    moved = cam_s + offset_s
    if not np.any((moved > crank.crank_s[0]) & (moved < crank.crank_s[-1])):
        raise InputError(
            f"{second.source}: no cam edge falls into the crank log ({crank.crank_s[0]:.3f} to {crank.crank_s[-1]:.3f} s) "
            f"with an offset of {offset_s:g} s; correct --cam-offset"
        )
    return replace(
        crank,
        cam_s=moved,
        decisions=crank.decisions | {"cam file": f"{second.source}, clock offset {offset_s:+.6g} s, {how}"},
        notes=(
            *crank.notes,
            f"Cam edges come from a second file, its clock shifted by {offset_s:+.6g} s ({how}).",
        ),
    )


def _by_crank(a: FloatArray, b: FloatArray) -> float | None:
    """Shift [s] of the edges `b` onto the same edges in `a`: the lag at which their intervals agree best."""
    n = min(a.size, b.size) - 1
    if n < 100:
        return None
    x, y = np.log(np.diff(a)), np.log(np.diff(b))
    # the gaps fit at every whole turn, so they are left out of the first look
    u, v = (np.where(np.abs(z - np.median(z)) < 0.3, z - np.median(z), 0.0) for z in (x, y))
    size = 1 << int(np.ceil(np.log2(x.size + y.size)))
    cross = np.fft.rfft(u, size) * np.conj(np.fft.rfft(v, size))
    size_of = np.abs(cross) + 1e-30
    scores = [np.fft.irfft(cross / np.sqrt(size_of) ** k, size) for k in (0, 1, 2)]
    lags = np.unique(np.concatenate([np.argsort(score)[::-1][:200] for score in scores]))
    lags = np.where(lags < x.size, lags, lags - size)
    lag = int(min(lags, key=lambda k: _differ(x, y, int(k))))
    lo, hi = max(0, lag), min(a.size, b.size + lag)
    if hi - lo < 100:
        return None
    # a lost or extra edge moves the pairs behind it by one, so every part of the overlap gives a candidate
    d = a[lo:hi] - b[lo - lag : hi - lag]
    offers = [float(np.median(part)) for part in np.array_split(d, 12)]
    near = 0.1 * float(np.median(np.diff(a)))
    hits = [_share_near(a, b + offset, near) for offset in offers]
    return offers[int(np.argmax(hits))] if max(hits) > 0.8 else None


def _differ(x: FloatArray, y: FloatArray, lag: int) -> float:
    """Median difference of two rows of intervals (logarithms) at a lag; inf with little overlap."""
    lo, hi = max(0, lag), min(x.size, y.size + lag)
    if hi - lo < 100:
        return float("inf")
    pick = np.unique(np.linspace(lo, hi - 1, 4000).astype(np.int64))
    return float(np.median(np.abs(x[pick] - y[pick - lag])))


def _share_near(a: FloatArray, b: FloatArray, within_s: float) -> float:
    """Share of the edges `b` inside the span of `a` that have one of `a` within a distance [s]."""
    b = b[(b > a[0]) & (b < a[-1])]
    if b.size < 100:
        return 0.0
    at = np.clip(np.searchsorted(a, b), 1, a.size - 1)
    return float(np.mean(np.minimum(np.abs(a[at] - b), np.abs(a[at - 1] - b)) < within_s))


def _by_speed(a: FloatArray, cam: FloatArray) -> float | None:
    """Shift [s] of cam edges at which the count of crank edges grows alike from cycle to cycle.

    Teeth pass between cam edges of the same kind in a fixed number. With a wrong shift the numbers follow the
    changes of speed; at one speed every shift fits, and None is returned.
    """
    for m in range(1, MOST_CAM_EDGES_PER_CYCLE + 1):
        if cam.size < 6 * m:
            return None
        found = _search(a, cam[::m][:3000])
        if found is not None:
            return found
    return None


def _search(a: FloatArray, cam: FloatArray) -> float | None:
    cycle_s = float(np.median(np.diff(cam)))
    half = 0.5 * (cam[-1] - cam[0])
    lo, hi = a[0] - cam[-1] + half, a[-1] - cam[0] - half
    step = max(0.1 * cycle_s, (hi - lo) / 20_000)
    grid = np.arange(lo, hi + step, step)
    if grid.size < 2:
        return None
    cost = _misfit(a, cam, grid)
    for _ in range(4):
        best = float(grid[np.argmin(cost)])
        step /= 8
        fine = best + step * np.arange(-12, 13)
        grid, cost = np.concatenate((grid, fine)), np.concatenate((cost, _misfit(a, cam, fine)))
    k = int(np.argmin(cost))
    best, least = float(grid[k]), float(cost[k])
    if not least < SCATTER:
        return None
    near = grid[cost < max(2.0 * least, 0.3 * SCATTER)]
    return best if np.ptp(near) < UNCERTAIN * cycle_s else None


def _misfit(a: FloatArray, cam: FloatArray, shifts: FloatArray) -> npt.NDArray[np.float64]:
    """For every shift the rms of (teeth passed - whole cycles), as a share of a cycle; inf with little overlap."""
    index = np.arange(a.size, dtype=np.float64)
    pick = np.unique(np.linspace(0, cam.size - 1, 400).astype(np.int64))
    t = cam[pick]
    out = np.full(shifts.size, np.inf)
    for i, shift in enumerate(shifts.tolist()):
        u = np.interp(t + shift, a, index, left=np.nan, right=np.nan)
        ok = np.isfinite(u)
        if np.count_nonzero(ok) < max(5, 0.4 * pick.size):
            continue
        k, u = pick[ok].astype(np.float64), u[ok]
        teeth = float(np.rint((u[-1] - u[0]) / (k[-1] - k[0])))
        if teeth >= 4:
            out[i] = float(np.std(u - teeth * k)) / teeth
    return out
