"""Two sets of analysed logs, before and after: cleared, moved, unchanged, or not proven yet."""

from __future__ import annotations

from misfire.compare.job import CompareOptions, compare
from misfire.compare.pattern import compare_patterns
from misfire.compare.pool import pooled
from misfire.compare.side import Controller, Side

__all__ = ["CompareOptions", "Controller", "Side", "compare", "compare_patterns", "pooled"]
