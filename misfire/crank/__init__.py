"""Edges -> numbered teeth and turns; faults in the signal."""

from misfire.crank.find import COMMON_WHEELS, find_wheel
from misfire.crank.gaps import GAP_FROM, gap_candidates, gap_pitches
from misfire.crank.number import number_edges
from misfire.crank.teeth import LONGEST_PAUSE_S, BoolArray, Crank, Fault, IntArray, turn_speed

__all__ = [
    "COMMON_WHEELS",
    "GAP_FROM",
    "LONGEST_PAUSE_S",
    "BoolArray",
    "Crank",
    "Fault",
    "IntArray",
    "find_wheel",
    "gap_candidates",
    "gap_pitches",
    "number_edges",
    "turn_speed",
]
