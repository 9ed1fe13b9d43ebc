"""When what the edges do is a disturbance for sure: bare numbers, no simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from misfire.decide import Decision
from misfire.evidence import Lines
from misfire.evidence.followed import Followed
from misfire.looks import less_alike
from misfire.verdict.judge import judge
from tests.verdict.test_weak import FOUR, evidence


@pytest.mark.parametrize(("turns", "firm"), [(1, False), (12, True)])
def test_one_misread_turn_is_no_disturbance(turns: int, firm: bool):
    """Nine edges too many and nine too few: all in one turn that was misread, or spread over twelve."""
    ev = replace(
        evidence(FOUR, {}, "fuel_cut"), turns=1000, extra_edges=9, lost_edges=9, turns_set_aside=turns
    )
    assert ("sensor_signal" in {f["cause"] for f in judge(ev)["findings"]}) == firm


@pytest.mark.parametrize(("events", "firm"), [(5, False), (25, True)])
def test_a_handful_of_misfires_does_not_condemn_the_sensor(events: int, firm: bool):
    """A combustion explains two fifths of the edges' shift: of five misfires that may be chance."""
    follow = Followed(share=0.4, sd=0.08, size_deg=0.1, events=events)
    ev = evidence(FOUR, {}, "fuel_cut")
    rows = [replace(c, misfires=events if c.cylinder == 3 else 0) for c in ev.cylinders]
    ev = replace(ev, cylinders=rows, lines=Lines(followed={3: follow}))
    said = judge(ev)
    assert ("sensor_signal" in {f["cause"] for f in said["findings"]}) == firm
    assert "sensor_signal" in {f["cause"] for f in said["findings"] + said["candidates"]}


def decision(place_lost: list[float], noise: float) -> Decision:
    """Only what the comparison of two decisions looks at is filled."""
    n = np.zeros(40)
    lost = np.array(place_lost)
    return Decision(n, n.astype(int), n.astype(int), n, np.full(40, noise), lost, 0 * lost, n, (), 0 * lost)


def test_a_correction_that_makes_like_firings_unlike_is_refused():
    """A right one brings the cylinders together; one with a weak cylinder or more noise at high speed is no worse."""
    even, apart = [0.0, 0.01, -0.01, 0.02, 0.0], [0.2, -0.1, 0.0, -0.25, 0.15]
    assert less_alike(decision(even, 0.04), decision(apart, 0.13))
    assert not less_alike(decision(apart, 0.13), decision(even, 0.04))
    assert not less_alike(decision(even, 0.04), decision([0.0, 0.01, -0.01, 0.3, 0.0], 0.05))
    assert not less_alike(decision(even, 0.04), decision(even, 0.13))


@pytest.mark.parametrize(("found", "accused"), [(0, [2, 3]), (38, [])])
def test_counts_are_false_only_on_cylinders_that_fire(found: int, accused: list[int]):
    """40 counted on each of two companions: with as many found the controller is right, with none its pattern does not fit."""
    ev = replace(evidence(FOUR, {}, "fuel_cut"), counts_given=True)
    rows = [
        replace(c, reported=40 if c.cylinder in (2, 3) else 0, misfires=found if c.cylinder in (2, 3) else 0)
        for c in ev.cylinders
    ]
    said = judge(replace(ev, cylinders=rows))
    false = [f for f in said["findings"] + said["candidates"] if f["cause"] == "crank_pattern"]
    assert [f["cylinders"] for f in false] == ([accused] if accused else [])
