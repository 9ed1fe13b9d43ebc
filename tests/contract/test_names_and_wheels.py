"""Names, turn and TDC from what an engine file may leave out, against the truth of simulated logs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from misfire.engine import Engine, Wheel
from misfire.onelog import study
from misfire.pipeline import AnalyseOptions, Analysis, analyse
from misfire.simulate import simulate
from misfire.simulate.result import Simulated
from misfire.simulate.scenario import Clock, Misfires, Phase, Scenario, ToothErrors, prepared_engine

PROGRAMME = (
    Phase(duration_s=3, rpm=900, mode="governed"),
    Phase(duration_s=6, rpm=1800, load_pct=40),
)
IRREGULAR = tuple(np.cumsum([0, *([10, 12, 9, 11, 8] * 6)]).tolist())  # 31 teeth, gap of 60 deg


def log(layout: str, wheel: Wheel, *, cam: bool, cylinder: int, per_cycle: int = 1) -> Simulated:
    engine = prepared_engine(layout, replace(wheel, first_tooth_after_tdc1_deg=100.0))
    return simulate(
        Scenario(
            engine=replace(engine, marks_per_cycle=per_cycle),
            programme=PROGRAMME,
            misfires=(Misfires(cylinders=(cylinder,), rate=0.15),),
            clock=Clock(cam=cam, cylinder1=not cam),
            teeth=ToothErrors(sd_deg=0.02),
        )
    )


def judged(made: Simulated, engine: Engine) -> tuple[Analysis, np.ndarray, np.ndarray]:
    """The analysis, and for each event row the true cylinder and the TDC's distance from the truth [deg]."""
    plain = replace(engine, bore_mm=None, stroke_mm=None, rod_mm=None, reciprocating_mass_kg=None)
    done = analyse(made.recording, AnalyseOptions(plain))
    time_s = done.events["time_s"].to_numpy()
    true_s = made.truth.tdc_s
    near = np.abs(time_s[:, None] - true_s).argmin(axis=1)
    off_deg = (time_s - true_s[near]) * made.truth.rpm[near] * 6
    return done, made.truth.cylinder[near], off_deg


def rows_due(made: Simulated) -> int:
    """Firing TDCs with 180 deg of edges before and 300 deg after (the contract)."""
    t, rpm, edge = made.truth.tdc_s, made.truth.rpm, made.recording.crank_s
    deg_s = 1 / (6 * rpm)
    return int(np.sum((t - edge[0] > 181 * deg_s) & (edge[-1] - t > 301 * deg_s)))


@pytest.mark.parametrize("positions", [36, 60])
def test_even_wheel_with_cam_edge_at_a_tooth(positions: int) -> None:
    # the cam edge (70 deg) falls together with a tooth in both: it must not seem to gain and lose teeth
    made = log("inline4", Wheel(positions), cam=True, cylinder=3)
    done, cylinder, off_deg = judged(made, made.engine)
    assert np.abs(off_deg).max() < 0.2
    assert (done.events["cylinder"].to_numpy() == cylinder).all()
    assert done.result["phase"] == "measured"
    assert done.result["signal"]["resyncs"] == 0
    assert len(done.events) >= rows_due(made)


def test_even_wheel_without_marks_names_no_cylinder() -> None:
    made = log("inline4", Wheel(60), cam=True, cylinder=3)
    bare = replace(made.recording, cam_s=None)
    done = analyse(bare, AnalyseOptions(replace(made.engine, cam_edges_deg=None)))
    assert {c["cylinder"] for c in done.result["cylinders"]} == {"A", "B"}


@pytest.mark.parametrize("cam", [False, True])
def test_odd_firing_engine_without_first_tooth(cam: bool) -> None:
    made = log("v6_oddfire", Wheel.regular(60, 2), cam=cam, cylinder=5)
    done, cylinder, off_deg = judged(made, made.engine.with_wheel(Wheel.regular(60, 2)))
    assert (done.events["cylinder"].to_numpy() == cylinder).all()
    # 10 deg: a quarter of the way between neighbouring TDCs would name wrongly; found from generic shapes
    assert np.abs(off_deg).max() < 10.0


def test_waste_spark_mark_ties_the_pair_but_not_the_turn() -> None:
    made = log("inline4", Wheel.regular(60, 2), cam=False, cylinder=3, per_cycle=2)
    done, cylinder, _ = judged(made, made.engine.with_wheel(Wheel.regular(60, 2)))
    assert done.result["phase"] == "unknown"
    pair = np.where(np.isin(cylinder, [2, 3]), 2, 1)
    assert (done.events["cylinder"].to_numpy() == pair).all()
    [finding] = [f for f in done.result["verdict"]["findings"] if f["cause"] == "misfire"]
    assert finding["cylinders"] == [2, 3]


def test_irregular_wheel_has_a_row_for_every_tdc_of_the_log() -> None:
    made = log("inline4", Wheel(len(IRREGULAR), (), None, IRREGULAR), cam=True, cylinder=3)
    done, cylinder, off_deg = judged(made, made.engine)
    assert len(done.events) >= rows_due(made)
    assert np.abs(off_deg).max() < 0.2
    assert (done.events["cylinder"].to_numpy() == cylinder).all()


@pytest.mark.parametrize("layout", ["inline4", "inline3"])
def test_a_place_keeps_its_letter_from_log_to_log(layout: str) -> None:
    """Position 0 beside a TDC, nothing tied: each log finds TDC by itself, some a degree before and some behind it."""
    engine = prepared_engine(layout)
    assert engine.wheel is not None
    logs, first = [], set()
    for k, deg in enumerate((350.0, 353.0, 356.0, 359.0, 2.0)):
        wheel = replace(engine.wheel, first_tooth_after_tdc1_deg=deg)
        scenario = Scenario(
            engine=engine.with_wheel(wheel),
            seed=40 + k,
            programme=(Phase(duration_s=15.0, rpm=1500, load_pct=45),),
            misfires=(Misfires(cylinders=(3,), rate=0.1),),
        )
        done = simulate(scenario)
        bare = replace(wheel, first_tooth_after_tdc1_deg=None)
        blind = replace(done.engine.with_wheel(bare), cam_edges_deg=None, mark_after_tdc1_deg=None)
        recording = replace(done.recording, cam_s=None, cylinder1_s=None)
        logs.append(recording)
        first.add(round(study(recording, blind).phase.first_deg) // 90)
    assert len(first) > 1, "the logs do not differ in what they call the first place"
    found = analyse(logs, AnalyseOptions(blind)).result
    assert sum(c["misfires"] > 10 for c in found["cylinders"]) == 1
