"""Numbers that the judgement rests on, each with its uncertainty: what a deviation is tied to and how it scales."""

from misfire.evidence.disturbance import Disturbance, Source, disturbance
from misfire.evidence.followed import Followed, followed
from misfire.evidence.gathered import Lines, lines
from misfire.evidence.kinds import Kinds, two_kinds
from misfire.evidence.shown import Shown
from misfire.evidence.steady import Motored
from misfire.evidence.stopped import Stopped, stopped

__all__ = [
    "Disturbance",
    "Followed",
    "Kinds",
    "Lines",
    "Motored",
    "Shown",
    "Source",
    "Stopped",
    "disturbance",
    "followed",
    "lines",
    "stopped",
    "two_kinds",
]
