"""Evidence -> findings."""

from misfire.verdict.evidence import CylinderEvidence, Evidence, Label
from misfire.verdict.finding import pair_of
from misfire.verdict.gather import all_labels, gather
from misfire.verdict.judge import LEAST_TURNS, judge
from misfire.verdict.odds import FIRM

__all__ = [
    "FIRM",
    "LEAST_TURNS",
    "CylinderEvidence",
    "Evidence",
    "Label",
    "all_labels",
    "gather",
    "judge",
    "pair_of",
]
