"""A driveline that swings by itself is told from a rough road, from misfires that shake it, and from a healthy drive."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from misfire.evidence.swing import Swing, slow_swing
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Misfires, Phase, Scenario, load_scenario, prepared_engine, simulate
from misfire.verdict.judge import judge
from tests.evidence.test_shown_lines import made, with_
from tests.verdict.test_weak import FOUR, evidence


def drive(layout: str, speeds: tuple[float, float], **more: float) -> tuple[Phase, ...]:
    """Two speeds in gear at like load, then a coast-down; `more` goes into the first two steps."""
    steps = [Phase(duration_s=18.0, rpm=v, load_pct=45.0, gear_m=0.035, **more) for v in speeds]  # type: ignore[arg-type]
    cut = Phase(duration_s=8.0, mode="free", fuel_cut=True, load_pct=12.0, until_rpm=1300.0, gear_m=0.035)
    return (*steps, cut)


def verdict(scenario: Scenario):
    log = simulate(scenario)
    return analyse(log.recording, AnalyseOptions(log.engine), channels=[log.channels]).result["verdict"]


def car(
    layout: str, speeds: tuple[float, float], misfires: tuple[Misfires, ...] = (), **more: float
) -> Scenario:
    engine = prepared_engine(layout, None)
    return Scenario(engine=engine, programme=drive(layout, speeds, **more), seed=5, misfires=misfires)


@pytest.mark.parametrize(
    ("layout", "speeds", "hz", "nm"),
    [("inline6", (2500.0, 3200.0), 6.5, 260.0), ("inline3", (1900.0, 2700.0), 4.0, 120.0)],
)
def test_a_driveline_that_swings_by_itself_is_named(
    layout: str, speeds: tuple[float, float], hz: float, nm: float
):
    """Engines, speeds and frequencies other than those of `driveline_judder_i4`."""
    found = verdict(car(layout, speeds, judder_nm=nm, judder_hz=hz))
    (finding,) = found["findings"]
    assert (finding["cause"], finding["cylinders"]) == ("driveline", [])
    assert finding["detail"]["hz"] == pytest.approx(hz, abs=0.2)
    assert "every cylinder fires" in found["headline"]


@pytest.mark.parametrize("nm", [40.0, 90.0])
def test_a_rough_road_is_no_fault(nm: float):
    """Three times the roughness of the shipped scenario: no finding (contract)."""
    found = verdict(car("inline4", (1800.0, 2400.0), rough_nm=nm))
    assert found["findings"] == []
    assert all(c["cause"] != "driveline" for c in found["candidates"])


def test_misfires_that_shake_the_driveline_are_misfires():
    found = verdict(load_scenario("misfire_in_gear_i4"))
    assert {f["cause"] for f in found["findings"]} == {"misfire"}


def test_at_one_speed_a_shaft_may_do_the_same():
    """The frequency is not seen to stay while the speed changes: a candidate, and what to record."""
    line = Swing(1.4, 0.1, 6.0, 6.0, lasting=0.9, work=0.4, uneven=0.05, two_speeds=False)
    ev = evidence(FOUR, {}, "fuel_cut")
    said = judge(dataclasses.replace(ev, lines=dataclasses.replace(ev.lines, swing=line)))
    assert said["status"] == "undetermined"
    assert said["candidates"][0]["cause"] == "driveline"
    assert any("another speed" in m for m in said["missing"])


def test_the_work_of_a_swing_is_that_of_its_motion():
    """w = w0 (1 + a sin 2 pi f t): w^2/2 changes at most by w0^2 a 2 pi f dt in a firing of dt (mechanics, any text)."""
    p = made(3000)
    dt, hz, a = 0.012, 4.0, 0.015
    t = np.arange(p.rpm.size) * dt
    rpm = 2500.0 * (1 + a * np.sin(2 * np.pi * hz * t))
    swing = slow_swing(with_(p, time_s=t, rpm=rpm, normal=np.full(t.size, 800.0)))
    assert swing is not None
    assert swing.resonates
    energy = (rpm * np.pi / 30) ** 2 / 2
    assert swing.work == pytest.approx(np.abs(np.diff(energy)).max() / 800.0, rel=0.05)
    assert swing.hz == pytest.approx(hz, abs=0.05)
