"""Dead from a moment on: a cylinder that fires, then misses every firing up to the end of its log.

A controller in limp mode shuts the injectors of the cylinders that it accuses off (fueling disabled, code P0363 of
SAE J2012, restated); what failed before that moment is the engine's own, what fails after it may be the controller's
doing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from misfire.decide import FIRING, MISFIRE
from misfire.onelog import OneLog

# Firings missed on end, and fired before, that make a stop: our choice. A cylinder that misses half of its firings
# misses 50 on end once in 1e15.
LEAST_DEAD, LEAST_BEFORE = 50, 20
_FIRED = 20.0  # weight of a firing against one misfire: a stretch with one in twenty fired is not dead


@dataclass(frozen=True)
class Stopped:
    """Where one cylinder goes dead: time [s] in its log, firings missed since, and what was before."""

    at_s: float
    dead: int
    misfires_before: int
    firings_before: int


def stopped(logs: Sequence[OneLog]) -> dict[int | str, Stopped]:
    """The stop of every cylinder or place that has one; of several logs the one with most dead firings counts."""
    out: dict[int | str, Stopped] = {}
    for log in logs:
        state = log.decision.state
        decided = (state == MISFIRE) | (state == FIRING)
        for label in log.labels:
            own = np.flatnonzero(decided & (log.label == label))
            if own.size < LEAST_DEAD + LEAST_BEFORE:
                continue
            miss = state[own] == MISFIRE
            since = np.cumsum(np.where(miss, 1.0, -_FIRED)[::-1])[::-1]
            k = int(np.argmax(since))
            if since[k] < LEAST_DEAD or k < LEAST_BEFORE or 2 * int(miss[:k].sum()) > k:
                continue
            at_s = float(log.events.time_s[own[k]])
            one = Stopped(at_s, int(miss[k:].sum()), int(miss[:k].sum()), k)
            if label not in out or one.dead > out[label].dead:
                out[label] = one
    return out
