"""Intake: every kind of log becomes one recording."""

from misfire.intake.options import ReadOptions
from misfire.intake.reading import read
from misfire.intake.recording import Channels, Recording

__all__ = ["Channels", "ReadOptions", "Recording", "read"]
