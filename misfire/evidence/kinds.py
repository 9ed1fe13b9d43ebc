"""Firings of two kinds on one cylinder: some lack the same amount of work, and hardly any lies between them and the rest.

A cylinder that fires and misses has two kinds of firings whatever the scale of the work is. Where a wheel that was not
learned makes the normal work look far too large, whole misfires read as a few per cent, and only this shows them. A healthy
cylinder, a rough road or a wheel error has one kind: none on 100 healthy and rough simulated logs and 200 mixed ones but
those with misfires or burns in part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from misfire.decide import FIRING
from misfire.engine import FloatArray
from misfire.onelog import OneLog

LEAST, LEAST_FIRINGS, LEAST_SHARE = 8, 60, 0.005
# scaled median deviations: from here on apart, and up to here of the habit; of the depth: how wide the second kind may be,
# where it begins, and how many may lie between, as a share of it
APART, HABIT, WIDE, BEGINS, BETWEEN = 5.0, 2.5, 0.25, 0.6, 0.25
_TO_SD = 1.4826


@dataclass(frozen=True)
class Kinds:
    """Firings that stand apart: `number` of `firings`, `depth` deeper in lost work than the rest (share of normal work)."""

    number: int = 0
    firings: int = 0
    depth: float = 0.0


def two_kinds(logs: Sequence[OneLog], name: int | str) -> Kinds:
    """Of the cylinder or place of that name; of several logs and places the one with most firings apart."""
    out = Kinds()
    for log in logs:
        fired = (log.decision.state == FIRING) & np.isfinite(log.decision.lost_work)
        for place in np.unique(log.events.place[fired & (log.label == name)]):
            one = _parted(log.decision.lost_work[fired & (log.events.place == place)])
            out = max(out, one, key=lambda k: k.number)
    return out


def _parted(x: FloatArray) -> Kinds:
    if x.size < LEAST_FIRINGS:
        return Kinds()
    middle = float(np.median(x))
    sd = _TO_SD * float(np.median(np.abs(x - middle))) + 1e-4
    far = x[x > middle + APART * sd]
    if far.size < LEAST:
        return Kinds()
    depth = float(np.median(far)) - middle
    width = _TO_SD * float(np.median(np.abs(far - np.median(far))))
    second = int((x > middle + BEGINS * depth).sum())
    between = int(((x > middle + HABIT * sd) & (x < middle + BEGINS * depth)).sum())
    clear = width <= WIDE * depth and between <= BETWEEN * second
    enough = second >= max(LEAST, LEAST_SHARE * x.size)
    return Kinds(second, x.size, depth) if clear and enough else Kinds()
