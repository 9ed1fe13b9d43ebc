"""Intake: every kind of log, slow channels and the controller's counts become plain types."""

from misfire.intake.channels import align_channels, read_channels
from misfire.intake.counts import Counts, parse_codes, read_counts
from misfire.intake.options import ReadOptions
from misfire.intake.reading import read
from misfire.intake.recording import Channels, Recording

__all__ = [
    "Channels",
    "Counts",
    "ReadOptions",
    "Recording",
    "align_channels",
    "parse_codes",
    "read",
    "read_channels",
    "read_counts",
]
