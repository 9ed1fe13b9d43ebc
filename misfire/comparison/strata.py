"""Like speed and load: the grid of strata on which the two sides are compared."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

# Similar conditions of the regulation: within 375 rpm and 20 % load (from memory). Strata have that width, so
# that any two firings of one stratum are similar.
STRATUM_RPM = 375.0
STRATUM_LOAD_PCT = 20.0
# Steps in which the grid is tried: small against a stratum.
_FINE_RPM, _FINE_LOAD_PCT = 25.0, 2.0
_UNKNOWN = -(1 << 30)


def stratum_keys(
    before: Sequence[pd.DataFrame], after: Sequence[pd.DataFrame], by_load: bool
) -> list[IntArray]:
    """Stratum of every event of every log, before then after; each of shape (events, 2).

    Where the grid begins is free. Left at zero, two drives at 1490 and 1510 rpm would share nothing; it is laid
    so that the two sides share most of their firings, judged or not. Only speeds and loads are looked at, never
    what misfired, so the choice favours no answer.
    """
    fine = [_fine(f, by_load) for f in (*before, *after)]
    driven = [f["state"].ne("motoring").to_numpy(dtype=bool) for f in (*before, *after)]
    n = len(before)
    wide = np.array([round(STRATUM_RPM / _FINE_RPM), round(STRATUM_LOAD_PCT / _FINE_LOAD_PCT)])
    cells, share = _shares(fine, driven, n)
    best, shift = -1.0, np.zeros(2, dtype=np.int64)
    known = (cells > _UNKNOWN).all(axis=1) if by_load else cells[:, 0] > _UNKNOWN
    cells, share = cells[known], [s[known] for s in share]
    if not by_load:
        cells = cells * np.array([1, 0])
    if not len(cells):
        return [np.full(f.shape, -1, dtype=np.int64) for f in fine]
    # whole strata taken off, so that numbers stay small and the grid stays where it is
    cells = cells - cells.min(axis=0) // wide * wide
    columns = int(cells[:, 1].max()) // int(wide[1]) + 2
    for i in range(int(wide[0])):
        for j in range(int(wide[1]) if by_load else 1):
            coarse = (cells[:, 0] + i) // wide[0] * columns + (cells[:, 1] + j) // wide[1]
            both = [np.bincount(coarse, weights=s) for s in share]
            overlap = float(np.minimum(both[0], both[1]).sum())
            # the first of equal grids, so that the result does not hang on rounding
            if overlap > best + 1e-9:
                best, shift = overlap, np.array([i, j])
    out = []
    for f in fine:
        key = (f + shift) // wide
        key[f <= _UNKNOWN] = -1
        out.append(key)
    return out


def _fine(frame: pd.DataFrame, by_load: bool) -> IntArray:
    rpm = frame["rpm"].to_numpy(dtype=float)
    load = frame["load_pct"].to_numpy(dtype=float) if by_load else np.full(rpm.size, np.nan)
    both = np.stack([rpm / _FINE_RPM, load / _FINE_LOAD_PCT], axis=1)
    return np.where(np.isfinite(both), np.floor(np.nan_to_num(both)), _UNKNOWN).astype(np.int64)


def _shares(
    fine: Sequence[IntArray], driven: Sequence[npt.NDArray[np.bool_]], n: int
) -> tuple[IntArray, list[FloatArray]]:
    """Fine cells that occur, shape (cells, 2), and each side's share of its fuelled events in them."""
    parts = [f[j] for f, j in zip(fine, driven, strict=True)]
    cells, where = np.unique(np.concatenate(parts), axis=0, return_inverse=True)
    side = np.repeat([0, 1], [sum(len(p) for p in parts[:n]), sum(len(p) for p in parts[n:])])
    out = []
    for k in range(2):
        count = np.bincount(where.ravel()[side == k], minlength=len(cells)).astype(float)
        out.append(count / max(count.sum(), 1.0))
    return cells, out
