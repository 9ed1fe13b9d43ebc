"""Whether what was lost is a whole combustion or a part of one, where the normal work is not known well.

Arrays over events have shape (events,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.scale import FULL_FROM
from misfire.decide.states import MISFIRE
from misfire.engine import FloatArray

LEAST_SURE = 4  # whole combustions lost at speeds where the work is known


def may_be_a_part(
    state: IntArray, at_least: FloatArray, rpm: FloatArray, place: IntArray, n_cyl: int
) -> BoolArray:
    """Misfires that may be burns in part, by place and third octave of speed; shape (events,).

    A cylinder that loses whole combustions at a speed where the work is known is taken to do so where it is not.

    Parameters
    ----------
    state : array of int
        States of `decide.states`.
    at_least : array
        Lost work over the most that the normal work can be.
    rpm : array
        Speed [1/min].
    """
    out = np.zeros(state.size, dtype=bool)
    key = np.floor(3 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(np.int64)
    for p in range(n_cyl):
        open_, sure = np.zeros(state.size, dtype=bool), 0
        for k in np.unique(key[place == p]):
            mine = (place == p) & (key == k)
            lost = mine & (state == MISFIRE)
            if not lost.any():
                continue
            if float(np.nanmedian(at_least[lost])) < FULL_FROM:
                open_ |= lost
            else:
                sure += int(lost.sum())
        if sure < LEAST_SURE:
            out |= open_
    return out
