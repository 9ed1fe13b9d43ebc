"""What the controller's counts add to a wheel that is off, and what no log of a cylinder leaves open: bare numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from misfire.intake import read_counts
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import load_scenario, simulate
from misfire.verdict.evidence import Evidence
from misfire.verdict.judge import judge
from tests.verdict.test_weak import FOUR, evidence


def wheel_off(
    reported: dict[int, int] | None, ran: bool | None = True, codes: tuple[str, ...] = ()
) -> Evidence:
    """Cylinders 2 and 3 of 900 firings each fire, and a monitor that takes the wheel as perfect counts 400 on each."""
    ev = evidence(FOUR, {}, "fuel_cut")
    rows = [
        replace(
            c,
            uncorrected=400 * (c.cylinder in (2, 3)),
            false_uncorrected=400 * (c.cylinder in (2, 3)),
            reported=None if reported is None else reported.get(int(c.cylinder)),
        )
        for c in ev.cylinders
    ]
    return replace(ev, cylinders=rows, counts_given=reported is not None, monitor_ran=ran, codes=codes)


def wheel(ev: Evidence) -> dict[str, Any]:
    """The one finding, a wheel that is off."""
    said = judge(ev)
    (finding,) = said["findings"]
    assert (finding["cause"], finding["cylinders"], finding["detail"]["where"]) == (
        "crank_pattern",
        [2, 3],
        "wheel",
    )
    return {**finding, "headline": said["headline"]}


def test_a_wheel_that_the_controller_has_learned_asks_for_nothing():
    said = wheel(wheel_off({1: 0, 2: 1, 3: 0, 4: 0}))
    assert said["detail"]["learned"] is True
    assert "has learned it" in said["headline"]
    assert said["next_steps"][0].startswith("Nothing to do for now")
    assert not any("do the pattern learn" in s for s in said["next_steps"])


@pytest.mark.parametrize(
    ("reported", "ran"),
    [
        ({1: 0, 2: 1, 3: 0, 4: 0}, None),  # zero counts of a monitor that may not have run prove nothing
        ({1: 0, 2: 1, 3: 0, 4: 0}, False),
        ({1: 0, 2: 390, 3: 395, 4: 0}, True),
        ({1: 0, 2: 1}, True),  # cylinder 3 was not read
        (None, None),
    ],
)
def test_otherwise_the_learn_is_what_to_do(reported: dict[int, int] | None, ran: bool | None):
    said = wheel(wheel_off(reported, ran))
    assert "learned" not in said["detail"]
    assert any("do the pattern learn" in s for s in said["next_steps"])


@pytest.mark.parametrize(
    ("reported", "codes", "first"),
    [
        ({1: 395, 2: 0, 3: 0, 4: 390}, (), True),
        ({1: 0, 2: 390, 3: 395, 4: 0}, (), False),
        (None, ("P0300", "P0301", "P0304"), True),
        (None, ("P0300", "P0302", "P0303"), False),
        (None, (), False),
    ],
)
def test_counts_or_codes_on_other_cylinders_question_the_names(
    reported: dict[int, int] | None, codes: tuple[str, ...], first: bool
):
    said = wheel(wheel_off(reported, codes=codes))
    assert said["next_steps"][0].startswith("Check the firing order") == first


def test_a_cylinder_that_was_hardly_judged_is_not_clear():
    ev = evidence(FOUR, {}, "fuel_cut")
    assert judge(ev)["status"] == "clear"
    rows = [replace(c, firings=12 if c.cylinder == 2 else 900) for c in ev.cylinders]
    said = judge(replace(ev, cylinders=rows))
    assert said["status"] == "undetermined"
    assert "cylinder 2 could hardly be judged" in said["headline"]
    assert any("cylinder 2" in m for m in said["missing"])


def test_a_cylinder_that_the_counts_do_not_name_was_not_read(tmp_path):
    """`reported` of the others is empty, not zero; with the turn of the cycle unknown, so is a pair of which one was read."""
    (tmp_path / "counts.csv").write_text("# monitor_ran = yes\ncylinder,misfires\n3,51\n", encoding="utf-8")
    log = simulate(load_scenario("random_misfire_i4"))
    counts = read_counts(str(tmp_path / "counts.csv"))
    rows = analyse(log.recording, AnalyseOptions(log.engine), counts=counts).result["cylinders"]
    assert [c["reported"] for c in rows] == [None, None, 51, None]
    bare = replace(log.recording, cam_s=None, cylinder1_s=None)
    rows = analyse(bare, AnalyseOptions(log.engine), counts=counts).result["cylinders"]
    assert [c["reported"] for c in rows] == [None] * len(rows)
