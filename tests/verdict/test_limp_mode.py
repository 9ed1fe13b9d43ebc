"""Cylinders that go dead: shut off by the controller after false counts, or for good reason (SAE J2012 P0363, restated)."""

from __future__ import annotations

import pytest

from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Misfires, Scenario, load_scenario, prepared_engine, simulate

ACCUSED = load_scenario("limp_mode_i4")


def verdict(scenario: Scenario, **options):
    log = simulate(scenario)
    done = analyse(log.recording, AnalyseOptions(log.engine, **options), channels=[log.channels])
    return log, done.result["verdict"]


def misfire(found):
    (finding,) = [f for f in found["findings"] if f["cause"] == "misfire"]
    return finding


@pytest.mark.parametrize(("layout", "pair"), [(None, {1, 4}), ("boxer4", None)])
def test_cylinders_shut_off_after_false_counts(layout, pair):
    """The truth says when the controller shut them off; before that no cylinder missed."""
    scenario = ACCUSED if layout is None else ACCUSED.but(engine=prepared_engine(layout), seed=5)
    log, found = verdict(scenario)
    shut = sorted(float(n.split(" at ")[1].split()[0]) for n in log.truth.notes)
    off = {int(n.split("cylinder ")[1].split()[0]) for n in log.truth.notes}
    assert off
    assert pair is None or off == pair
    finding = misfire(found)
    assert set(finding["cylinders"]) == off
    assert finding["detail"]["dead_from_s"] == pytest.approx(shut[0], abs=0.5)
    assert "limp mode" in finding["next_steps"][0]
    assert [s.startswith("Only if") for s in finding["next_steps"]] == [False, True], (
        "no parts before a new record"
    )
    assert any("0 of" in line and "before" in line for line in finding["evidence"])
    assert "dead from" in found["headline"]
    assert "may have shut them off" in found["headline"]
    assert "and cylinders" in found["headline"]
    assert "fire and" not in found["headline"], "the same cylinders are said to be dead"


def test_with_the_code_that_says_so_it_is_no_firm_misfire():
    _, found = verdict(ACCUSED, codes=("P0300", "P0301", "P0304", "P0363"))
    assert not [f for f in found["findings"] if f["cause"] == "misfire"]
    assert {c for f in found["candidates"] if f["cause"] == "misfire" for c in f["cylinders"]} == {1, 4}
    assert any("P0363" in m for m in found["missing"])


def test_what_misfired_before_is_the_engines_own():
    """One firing in ten lost, then dead: the stop is told, the cylinder stays accused even with the code."""
    scenario = Scenario.steady(
        "inline3", rpm=2200, load_pct=45, duration_s=40,
        misfires=(Misfires(cylinders=(2,), rate=0.1, to_s=25.0), Misfires(kind="dead", cylinders=(2,), from_s=25.0)),
    )  # fmt: skip
    _, found = verdict(scenario, codes=("P0363",))
    finding = misfire(found)
    assert finding["cylinders"] == [2]
    assert "dead_from_s" not in finding["detail"]
    assert any("goes dead at 2" in line for line in finding["evidence"])


@pytest.mark.parametrize("rate", [0.1, 0.6])
def test_misfires_that_come_and_go_are_no_stop(rate):
    scenario = Scenario.steady(
        "inline3", rpm=2200, load_pct=45, duration_s=30, misfires=(Misfires(cylinders=(3,), rate=rate),)
    )
    _, found = verdict(scenario)
    finding = misfire(found)
    assert "dead_from_s" not in finding["detail"]
    assert not any("goes dead" in line for line in finding["evidence"])


def test_a_cylinder_that_never_fired_is_asked_for_its_injector(judged):
    finding = misfire(judged("dead_cylinder_i4").verdict)
    assert "injector is driven" in finding["next_steps"][0]
    assert "dead_from_s" not in finding["detail"]
