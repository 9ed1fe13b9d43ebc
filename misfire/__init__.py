"""True misfire or false count: an answer from a recorded crank tooth-timing log.

The public names are loaded when first used, so that the command line starts fast.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "Engine": "misfire.engine",
    "Wheel": "misfire.engine",
    "MisfireError": "misfire.errors",
    "InputError": "misfire.errors",
    "TooFewTurnsError": "misfire.errors",
    "Recording": "misfire.intake.recording",
    "Channels": "misfire.intake.recording",
    "read": "misfire.intake",
    "ReadOptions": "misfire.intake",
    "learn_pattern": "misfire.pattern",
    "Pattern": "misfire.pattern",
    "analyse": "misfire.pipeline",
    "Analysis": "misfire.pipeline",
    "AnalyseOptions": "misfire.pipeline",
    "compare": "misfire.comparison",
    "CompareOptions": "misfire.comparison",
    "Side": "misfire.comparison",
}
__all__ = [*sorted(_PUBLIC), "__version__"]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'misfire' has no attribute '{name}'")
