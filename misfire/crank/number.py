"""Edges -> numbered teeth and turns."""

from __future__ import annotations

import numpy as np

from misfire.crank.even import number_even
from misfire.crank.find import check_no_gap, check_zero, find_wheel
from misfire.crank.gapped import number_gap
from misfire.crank.teeth import Crank
from misfire.engine import FloatArray, Wheel
from misfire.errors import TooFewTurnsError


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
    return number_gap(t, wheel, found)
