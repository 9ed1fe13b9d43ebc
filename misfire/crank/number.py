"""Edges -> numbered teeth and turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from misfire.crank.even import number_even
from misfire.crank.find import check_no_gap, check_zero, find_wheel
from misfire.crank.gapped import number_gap
from misfire.crank.gaps import gap_candidates
from misfire.crank.teeth import Crank, IntArray
from misfire.engine import FloatArray, Wheel
from misfire.errors import TooFewTurnsError

# edges that tell whether both of a tooth are there; common wheels have no more positions than this
LOOK, COARSE = 200_000, 60


def number_edges(edge_s: FloatArray, wheel: Wheel | None, mark_s: FloatArray | None = None) -> Crank:
    """Give every edge its tooth and turn.

    Parameters
    ----------
    edge_s : array, shape (edges,)
        Edge times [s], growing.
    wheel : Wheel or None
        None: the wheel is found in the log.
    mark_s : array or None
        Cam edges or cylinder-1 marks [s]; they number an evenly toothed wheel.

    Raises
    ------
    InputError
        The wheel contradicts the log; the message says what the log looks like.
    TooFewTurnsError
        Fewer than two turns can be numbered.
    """
    t = np.asarray(edge_s, dtype=float)
    if t.size < 4:
        raise TooFewTurnsError(
            f"only {t.size} crank edges: fewer than two turns; record at least ten seconds of running"
        )
    found = wheel is None
    if wheel is None:
        wheel = find_wheel(t)
    if not wheel.missing and wheel.angles_deg is None:
        check_no_gap(t, wheel)
        return number_even(t, wheel, mark_s, found)
    if wheel.angles_deg is None:
        check_zero(wheel)
    if not found and wheel.angles_deg is None and (first := first_of_pairs(t, wheel)) is not None:
        crank = number_gap(t[first], wheel, found)
        return replace(
            crank, notes=(*crank.notes, "Both edges of every tooth were logged; one of each is used.")
        )
    crank = number_gap(t, wheel, found)
    if found and wheel.positions > COARSE and wheel.teeth % 2 == 0:
        note = (
            f"If the wheel has {wheel.teeth // 2} teeth, both edges of every tooth were logged: "
            "give the wheel, or --both-edges."
        )
        return replace(crank, notes=(*crank.notes, note))
    return crank


def first_of_pairs(t: FloatArray, wheel: Wheel) -> IntArray | None:
    """The first edge of every tooth where `t` [s], shape (edges,), holds both and a tooth is as wide as its space; None otherwise.

    Such a log looks like a wheel of twice as many teeth, so it takes the wheel to tell. Counted anew from every gap.
    """
    gaps = gap_candidates(t[:LOOK])
    if gaps.size < 3 or np.mean(np.diff(gaps) == 2 * wheel.teeth) < 0.6:
        return None
    gaps = gap_candidates(t)
    index = np.arange(t.size)
    last = np.searchsorted(
        gaps, index
    )  # gaps before the edge; the edge a gap begins at belongs to the turn before
    since = np.where(last > 0, index - gaps[np.maximum(last - 1, 0)] - 1, index - gaps[0] - 1)
    return np.flatnonzero(since % 2 == 0)
