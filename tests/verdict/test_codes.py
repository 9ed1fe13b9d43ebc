"""Codes on cylinders that fire in the log: bare numbers, no simulator.

A cylinder code needs about 1 % of the firings missed in 1000 turns (13 CCR 1968.2 (e)(3), the floor from memory).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from misfire.verdict.judge import judge
from tests.verdict.test_weak import FOUR, evidence


@pytest.mark.parametrize(
    ("firings", "misfires", "codes", "firm"),
    [
        # half a minute: a misfire that stored codes today would have shown a dozen times
        (330, 0, ("P0300", "P0302", "P0303"), True),
        # too few to have shown
        (25, 0, ("P0300", "P0302", "P0303"), False),
        # one code of a pair: a misfire that stays away today is as good an account
        (330, 0, ("P0302",), False),
        # it does miss, at the rate that stores a code
        (330, 9, ("P0300", "P0302", "P0303"), False),
    ],
)
def test_a_stored_pattern_is_firm_where_a_coded_misfire_would_have_shown(
    firings: int, misfires: int, codes: tuple[str, ...], firm: bool
) -> None:
    ev = evidence(FOUR, {}, "fuel_cut")
    rows = [
        replace(c, firings=firings, misfires=misfires if c.cylinder in (2, 3) else 0) for c in ev.cylinders
    ]
    found = judge(replace(ev, cylinders=rows, codes=codes, usable_turns=2 * firings))["findings"]
    stored = [f for f in found if f["cause"] == "crank_pattern"]
    assert bool(stored) == firm
    if firm:
        assert stored[0]["cylinders"] == [2, 3]
        assert stored[0]["detail"]["where"] == "stored"
