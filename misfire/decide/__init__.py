"""An event's state, and where no decision is possible."""

from misfire.decide.runs import running_median
from misfire.decide.scale import deep_from
from misfire.decide.several import decide
from misfire.decide.single import decide_single
from misfire.decide.states import (
    FIRING,
    MISFIRE,
    MISFIRE_FROM,
    MONITOR_FROM,
    MOTORING,
    PARTIAL_FROM,
    REASONS,
    SIZE_OPEN,
    STATES,
    UNUSABLE,
    Decision,
)

__all__ = [
    "FIRING",
    "MISFIRE",
    "MISFIRE_FROM",
    "MONITOR_FROM",
    "MOTORING",
    "PARTIAL_FROM",
    "REASONS",
    "SIZE_OPEN",
    "STATES",
    "UNUSABLE",
    "Decision",
    "decide",
    "decide_single",
    "deep_from",
    "running_median",
]
