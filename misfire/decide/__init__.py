"""An event's state, and where no decision is possible."""

from misfire.decide.long_crank import crank_length
from misfire.decide.runs import running_median
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
    STATES,
    UNUSABLE,
    Decision,
    Reason,
)
from misfire.decide.wheel import Spacing

__all__ = [
    "FIRING",
    "MISFIRE",
    "MISFIRE_FROM",
    "MONITOR_FROM",
    "MOTORING",
    "PARTIAL_FROM",
    "REASONS",
    "STATES",
    "UNUSABLE",
    "Decision",
    "Reason",
    "Spacing",
    "crank_length",
    "decide",
    "decide_single",
    "running_median",
]
