"""What is said of an event: its state, the reasons why none can be given, and the numbers behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from misfire.crank import IntArray
from misfire.engine import FloatArray

FIRING, MISFIRE, MOTORING, UNUSABLE = 0, 1, 2, 3
STATES = ("firing", "misfire", "motoring", "unusable")


class Reason(IntEnum):
    """Why nothing is said of an event; NONE where something is."""

    NONE = 0
    EDGE_FAULT = 1
    CUT_BORDER = 2
    NOISE = 3
    NOTHING_TO_COMPARE = 4
    SHAKEN = 5
    COMMANDED_OFF = 6
    SPACING_MOVES = 7
    LOOKS_DISAGREE = 8
    SIZE_OPEN = 9
    WHEEL_OR_WORK = 10


REASONS = {
    Reason.NONE: "",
    Reason.EDGE_FAULT: "an extra or lost edge, or a break in the numbering, lies within the event",
    Reason.CUT_BORDER: "fuel cut begins or ends here and the motion does not say when",
    Reason.NOISE: "the noise at this speed does not allow a decision",
    Reason.NOTHING_TO_COMPARE: "nothing to compare with: too few fired cycles",
    Reason.SHAKEN: "speed changes too fast or the road shakes the driveline here",
    Reason.COMMANDED_OFF: "this cylinder was commanded off (known cut)",
    Reason.SPACING_MOVES: "the tooth spacing moves in this log, and companions deviate together here",
    Reason.LOOKS_DISAGREE: "a short and a long look at the crank's motion disagree about this event",
    Reason.SIZE_OPEN: "a full misfire or a partial burn: how much a full one lacks is not known well enough at this speed",
    Reason.WHEEL_OR_WORK: "this cylinder deviates in every firing, and nothing in this log tells its work from the wheel",
}
MISFIRE_FROM = 0.75  # lost work: halfway between the worst partial burn (0.8, contract) and its noise below
PARTIAL_FROM = 0.30
MONITOR_FROM = 0.60


@dataclass(frozen=True)
class Decision:
    """Per event, shape (events,): lost work (NaN where nothing compares), state, reason.

    `expected` is the normal combustion energy [rad^2/s^2], `noise` the scatter of healthy events.
    """

    lost_work: FloatArray
    state: IntArray
    reason: IntArray
    expected: FloatArray
    noise: FloatArray
    place_lost: FloatArray  # (cylinders,) mean lost work by place before any charge to the wheel
    place_shared: FloatArray  # (cylinders,) part that companions share, not charged to the work
    work: FloatArray  # (events,) combustion energy [rad^2/s^2]; known even where nothing compares
    ambiguous: tuple[int, ...]  # places whose shared offset neither speed nor pattern assigns
    open_lost: FloatArray  # (cylinders,) steady lost work by place that work or wheel may make; counts where ambiguous
    notes: tuple[str, ...] = ()

    def turned(self, by: int) -> Decision:
        """The same with every place `by` further in firing order."""
        n = self.place_lost.size
        lost, shared, open_ = (np.roll(x, by) for x in (self.place_lost, self.place_shared, self.open_lost))
        ambiguous = tuple(sorted((i + by) % n for i in self.ambiguous))
        return replace(self, place_lost=lost, place_shared=shared, open_lost=open_, ambiguous=ambiguous)
