"""When windows above the floor make a pending code (California 13 CCR 1968.2 (e)(3), restated and from memory)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

EMISSION_TURNS = 1000
CATALYST_TURNS = 200
_LATER = 4
_CATALYST = 3


def pending_code(windows: Sequence[dict[str, Any]], *, from_start: bool) -> int | None:
    """First turn of the window whose exceedance would make a pending code, None when none would.

    Windows of 1000 turns (restated): an exceedance in the first 1000 turns after the engine's start, else the fourth
    exceedance. Windows of 200 turns (from memory): the third; outside the certification cycle's speeds and loads one
    is enough, which no log can tell. Floors only: real limits depend on speed and load.

    Parameters
    ----------
    windows : sequence of dict
        What `blocks.windows` returns, all of one length.
    from_start : bool
        The log begins with the engine's start.
    """
    hit = [w for w in windows if w["exceeds"]]
    if not hit:
        return None
    length = max(w["turns"] for w in windows)
    if length <= CATALYST_TURNS:
        return int(hit[_CATALYST - 1]["first_turn"]) if len(hit) >= _CATALYST else None
    if from_start and hit[0]["first_turn"] == 0:
        return 0
    return int(hit[_LATER - 1]["first_turn"]) if len(hit) >= _LATER else None
