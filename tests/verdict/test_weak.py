"""When a lasting loss is a weak cylinder for sure, and when the wheel may look the same: bare numbers, no simulator."""

from __future__ import annotations

from dataclasses import replace

import pytest

from misfire.engine import Engine
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import load_scenario, simulate
from misfire.verdict.evidence import CylinderEvidence, Evidence, Steady
from misfire.verdict.judge import judge

FIVE, FOUR = Engine.from_order((1, 2, 4, 5, 3)), Engine.from_order((1, 3, 4, 2))


def evidence(engine: Engine, steady: dict[int, Steady], pattern_from: str) -> Evidence:
    """Logs without a misfire in which the named cylinders lack work."""
    healthy = Steady(0.0, 0.004, -0.02, 0.0, 900)
    rows = [
        CylinderEvidence(
            c, 900, 0, 0, 0, 0, None, steady.get(c, healthy).lost, steady.get(c, healthy), 4, None
        )
        for c in range(1, engine.cylinders + 1)
    ]
    return Evidence(
        engine=engine, cylinders=rows, phase="measured", named=True, usable_turns=1800, turns=1900, extra_edges=0,
        lost_edges=0, resyncs=0, turns_set_aside=0, pattern_from=pattern_from, pattern_stable=True,
        pattern_drift_deg=0.0, worst_tooth=None, ambiguous=(), ambiguous_lost=0.0, unusable_share=0.01,
        motoring_share=0.1, speed_ratio=2.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("engine", "steady", "pattern_from", "firm"),
    [
        # a cylinder with a piece of the wheel of its own: the loss has to be there at every speed and time
        (FIVE, {1: Steady(0.25, 0.01, 0.20, float("nan"), 900)}, "fuel_cut", True),
        (FIVE, {1: Steady(0.25, 0.01, -0.05, float("nan"), 900)}, "fuel_cut", False),
        # the companion on the same teeth fires fully: no wheel does that, wherever the loss shows
        (FOUR, {3: Steady(0.25, 0.01, 0.02, 0.01, 900)}, "speed_sweep", True),
        # both lack alike: the wheel, unless it was learned without fire
        (
            FOUR,
            {2: Steady(0.25, 0.01, 0.20, 0.24, 900), 3: Steady(0.24, 0.01, 0.2, 0.25, 900)},
            "speed_sweep",
            False,
        ),
        (
            FOUR,
            {2: Steady(0.25, 0.01, 0.20, 0.24, 900), 3: Steady(0.24, 0.01, 0.2, 0.25, 900)},
            "fuel_cut",
            True,
        ),
    ],
)
def test_a_loss_that_the_wheel_can_imitate_is_not_firm(
    engine: Engine, steady: dict[int, Steady], pattern_from: str, firm: bool
):
    said = judge(evidence(engine, steady, pattern_from))
    named = sorted(c for f in said["findings"] if f["cause"] == "weak_cylinder" for c in f["cylinders"])
    if firm:
        assert named == sorted(steady)
    else:
        assert not said["findings"]
        assert said["status"] == "undetermined"
        assert any("coast-down with the fuel cut" in m for m in said["missing"])


def test_firings_of_which_nobody_knows_whether_they_burn_in_part_are_a_candidate():
    ev = evidence(FOUR, {}, "none")
    rows = [replace(c, either=60) if c.cylinder == 3 else c for c in ev.cylinders]
    said = judge(replace(ev, cylinders=rows))
    assert said["status"] == "undetermined"
    assert [c["cylinders"] for c in said["candidates"]] == [[3]]
    assert any("coast-down with the fuel cut" in m for m in said["missing"])


def test_a_cause_that_two_rules_suspect_is_one_candidate():
    steady = {3: Steady(0.7, 0.01, 0.6, 0.01, 900)}
    ev = evidence(FOUR, steady, "fuel_cut")
    rows = [replace(c, either=900) if c.cylinder == 3 else c for c in ev.cylinders]
    said = judge(replace(ev, cylinders=rows))
    listed = [(c["cause"], tuple(c["cylinders"])) for c in said["candidates"]]
    assert len(listed) == len(set(listed))
    assert ("misfire", (3,)) in listed


@pytest.mark.parametrize(("unusable", "firm"), [(0.5, True), (0.9, False)])
def test_the_few_firings_that_can_be_judged_make_nothing_firm(unusable: float, firm: bool):
    """As when a four is read with the engine file of a six."""
    ev = evidence(FOUR, {}, "fuel_cut")
    rows = [replace(c, misfires=60) if c.cylinder == 3 else c for c in ev.cylinders]
    said = judge(replace(ev, cylinders=rows, unusable_share=unusable))
    assert [f["cylinders"] for f in said["findings"]] == ([[3]] if firm else [])
    assert any("engine file" in m for m in said["missing"]) != firm


@pytest.mark.parametrize(
    ("name", "leaks"), [("leak_fired_and_motored_i4", True), ("weak_cylinder_i4", False)]
)
def test_a_weak_cylinder_that_leaks_is_told_from_one_that_burns_too_little(name: str, leaks: bool):
    """Cylinder 3 is weak in both; in fuel cut and at cranking only the leak is left (compression work, first law)."""
    log = simulate(load_scenario(name))
    result = analyse(log.recording, AnalyseOptions(log.engine), channels=[log.channels]).result
    (weak,) = [f for f in result["verdict"]["findings"] if f["cause"] == "weak_cylinder"]
    assert weak["cylinders"] == [3]
    assert ("leak" in weak["detail"]) == leaks
    assert weak["next_steps"][0].startswith("Compression and leak-down test of this cylinder first") == leaks
