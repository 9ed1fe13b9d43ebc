"""Evidence -> findings."""

from misfire.verdict.evidence import CylinderEvidence, Evidence, Label
from misfire.verdict.gather import all_labels, gather
from misfire.verdict.judge import FIRM, LEAST_TURNS, judge

__all__ = [
    "FIRM",
    "LEAST_TURNS",
    "CylinderEvidence",
    "Evidence",
    "Label",
    "all_labels",
    "gather",
    "judge",
]
