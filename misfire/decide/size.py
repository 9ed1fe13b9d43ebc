"""Whether what was lost is a whole combustion or a part of one, where the normal work is not known well.

Arrays over events have shape (events,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.long_crank import crank_length
from misfire.decide.scale import FULL_FROM
from misfire.decide.states import MISFIRE
from misfire.engine import FloatArray

LEAST_SURE = 4  # whole combustions lost at speeds where the work is known
SHAPE = 0.05  # of the normal work by the ripple: the burn's shape is the generic one
MORE_LIKELY = 3.0  # a full misfire against the burn in part that fits best; misfires are the more common by far (no source)


def may_be_a_part(
    state: IntArray, depth: FloatArray, unsure: FloatArray, rpm: FloatArray, place: IntArray, n_cyl: int
) -> BoolArray:
    """Misfires that may be burns in part, by place and third octave of speed; shape (events,).

    A full misfire is as deep as the normal work, a burn in part 0.65 of it at most: so the normal work would have to be
    more than the ripple says, by so many of its standard errors. Where the ripple may read too much (torsion), a shallow
    misfire is no less a full one. A cylinder that loses whole combustions at a speed where the work is known is taken to do
    so where it is not.

    Parameters
    ----------
    state : array of int
        States of `decide.states`.
    depth, unsure : array
        Energy lost, and the standard error of the normal work, both over the normal work by the ripple.
    rpm : array
        Speed [1/min].
    """
    out = np.zeros(state.size, dtype=bool)
    crank = crank_length(n_cyl)
    key = np.floor(3 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(np.int64)
    for p in range(n_cyl):
        open_, sure = np.zeros(state.size, dtype=bool), 0
        for k in np.unique(key[place == p]):
            lost = (place == p) & (key == k) & (state == MISFIRE)
            if not lost.any():
                continue
            deep = float(np.nanmedian(depth[lost]))
            error = float(np.hypot(np.nanmedian(unsure[lost]), SHAPE))
            least = 1 / crank.swollen(float(np.median(rpm[lost])), n_cyl)
            full = max(deep - 1, least - deep, 0.0) / error
            part = max(deep / FULL_FROM - 1, 0.0) / error
            if 0.5 * (part**2 - full**2) < np.log(MORE_LIKELY):
                open_ |= lost
            else:
                sure += int(lost.sum())
        if sure < LEAST_SURE:
            out |= open_
    return out
