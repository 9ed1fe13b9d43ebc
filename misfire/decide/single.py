"""The decision for one cylinder, whose idle turns are the reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from misfire.decide.runs import mad, run_length, running_median
from misfire.decide.states import FIRING, MISFIRE, MISFIRE_FROM, MOTORING, UNUSABLE, Decision, Reason
from misfire.engine import FloatArray
from misfire.work import Events

ZERO = np.zeros(1)  # one place, and nothing on the wheel beside it
ZERO.setflags(write=False)


def decide_single(events: Events, opposite: FloatArray, fuel_cut: FloatArray) -> Decision:
    """Single cylinder: the turn without combustion, at the same wheel angles, is the reference.

    Parameters
    ----------
    opposite : array, shape (events,)
        Energy by the same weights half a cycle away, where the cylinder cannot fire.
    fuel_cut : array, shape (events,)
        1 cut, 0 not, NaN unknown.
    """
    own = events.energy - opposite
    n = own.size
    state = np.full(n, FIRING)
    reason = np.zeros(n, dtype=np.int64)
    loss = np.abs(np.nanmedian(opposite)) * 1.5
    with np.errstate(all="ignore"):
        top = np.nanpercentile(own, 75) if n else np.nan
    slope = np.gradient((events.rpm * np.pi / 30) ** 2 / 2) if n > 2 else np.zeros(n)
    nothing = not top > max(0.45 * loss, 0.0) and float(np.median(slope)) < 0
    if nothing:
        nan = np.full(n, np.nan)
        state[:] = MOTORING
        note = ("no fired cycle in this log: there is nothing to compare with",)
        return _finished(
            events, Decision(nan, state, reason, nan.copy(), nan, ZERO, ZERO, own, (), ZERO, note)
        )
    working = own > 0.35 * top
    expected = np.full(n, np.median(own[working]))
    wide = running_median(np.where(working, own, np.nan), 41)
    if n > 60:
        expected = wide
    lost = 1 - own / expected
    idle = lost > 0.6
    run = run_length(idle)
    # several in a row are overrun, unless the channels say that fuel was given
    fed = fuel_cut == 0
    state[(lost >= MISFIRE_FROM) & ((run < 3) | fed)] = MISFIRE
    state[idle & (run >= 3) & ~fed] = MOTORING
    state[fuel_cut == 1] = MOTORING
    return _finished(events, Decision(lost, state, reason, expected, lost, ZERO, ZERO, own, (), ZERO))


def _finished(events: Events, d: Decision) -> Decision:
    """The decision with what cannot be trusted taken out, and the scatter of the fired events as its noise."""
    bad = ~events.trusted | ~np.isfinite(d.work)
    d.state[bad], d.reason[bad] = UNUSABLE, Reason.EDGE_FAULT
    fired = d.state == FIRING
    return replace(d, noise=np.full(d.state.size, mad(d.lost_work[fired]) if fired.any() else np.nan))
