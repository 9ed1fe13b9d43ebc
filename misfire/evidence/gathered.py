"""All evidence lines of an engine's logs in one go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from misfire.evidence.disturbance import Disturbance, disturbance
from misfire.evidence.followed import Followed, followed
from misfire.evidence.orders import order_test
from misfire.evidence.pooled import pool
from misfire.evidence.shifts import sample
from misfire.evidence.shown import Shown
from misfire.evidence.spread import load_dependence, two_peaks, worst_place
from misfire.evidence.steady import Motored, companion_splits, speed_law, stays_in_fuel_cut
from misfire.evidence.swing import Swing, slow_swing
from misfire.onelog import OneLog


@dataclass(frozen=True)
class Lines:
    """What edges are tied to, whether the crank follows the misfires of each cylinder, how the speed swings,
    what cylinders give back unfired, and all that is only shown."""

    disturbance: Disturbance = field(default_factory=Disturbance)
    followed: Mapping[int | str, Followed] = field(default_factory=dict)
    shown: tuple[Shown, ...] = ()
    swing: Swing | None = None
    motored: tuple[Motored, ...] = ()


def lines(logs: Sequence[OneLog]) -> Lines:
    """Every evidence line that these logs carry."""
    samples = [sample(one) for one in logs]
    events = pool(logs)
    worst = worst_place(events)
    motored = stays_in_fuel_cut(events)
    shown = (
        companion_splits(events)
        + order_test(logs, samples)
        + speed_law(events)
        + [m.shown() for m in motored]
    )
    if worst is not None:
        shown += two_peaks(events, worst) + load_dependence(events, worst)
    swing = slow_swing(events)
    if swing is not None:
        shown.append(swing.shown())
    return Lines(disturbance(logs, samples), followed(logs), tuple(shown), swing, tuple(motored))
