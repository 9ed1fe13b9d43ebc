"""An engine that is not the one in the log: another number of cylinders, another firing order."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from misfire.engine import Engine
from misfire.errors import InputError
from misfire.intake.counts import Counts
from misfire.pipeline import AnalyseOptions, analyse, analyse_files
from misfire.simulate import load_scenario, simulate


@pytest.fixture(scope="module")
def four():
    return simulate(load_scenario("random_misfire_i4"))


@pytest.mark.parametrize("layout", ["inline6", "v6"])
def test_another_number_of_cylinders_is_not_judged(four, layout: str) -> None:
    verdict = analyse(four.recording, AnalyseOptions(Engine.load(layout))).result["verdict"]
    assert (verdict["status"], verdict["findings"]) == ("undetermined", [])
    assert "check the engine given" in verdict["headline"]
    assert any("moves like that of 4 cylinders, 6 are given" in line for line in verdict["missing"])


@pytest.mark.parametrize(
    ("scenario", "layout", "like"),
    [("healthy_i4", "inline6", 4), ("dead_cylinder_i4", "inline6", 4), ("lost_edges_v8", "inline6", 8)],
)
def test_a_wrong_number_is_told_with_the_angle_given(scenario: str, layout: str, like: int) -> None:
    log = simulate(load_scenario(scenario))
    engine = Engine.load(layout).with_wheel(log.engine.wheel)
    done = analyse(log.recording, AnalyseOptions(engine)).result
    assert [f["cause"] for f in done["verdict"]["findings"] if f["detail"].get("kind") != "edges"] == []
    assert any("the engine given, checked" in line for line in done["verdict"]["missing"])
    assert any(f"moves like that of {like} cylinders" in line for line in done["verdict"]["missing"]) or any(
        "first_tooth_after_tdc1_deg" in line for line in done["verdict"]["missing"]
    )


@pytest.mark.parametrize("off_deg", [-30.0, 30.0, 60.0, 90.0])
@pytest.mark.parametrize("scenario", ["healthy_i4", "dead_cylinder_i4", "bursts_v6"])
@pytest.mark.parametrize("marks", [True, False])
def test_a_wrong_angle_of_the_first_tooth_is_told(scenario: str, off_deg: float, marks: bool) -> None:
    """Whether or not marks stand near enough to be taken: nothing firm, no clear answer, and where to look."""
    log = simulate(load_scenario(scenario))
    wheel = log.engine.wheel
    assert wheel is not None
    assert wheel.first_tooth_after_tdc1_deg is not None
    right = wheel.first_tooth_after_tdc1_deg
    wrong = replace(wheel, first_tooth_after_tdc1_deg=(right + off_deg) % 360.0)
    recording = log.recording if marks else replace(log.recording, cam_s=None, cylinder1_s=None)
    options = AnalyseOptions(log.engine.with_wheel(wrong))
    if marks and abs(off_deg) >= 45.0:
        with contextlib.suppress(InputError):  # marks or cam edges that far away are refused already
            assert analyse(recording, options).result["verdict"]["findings"] == []
        return
    verdict = analyse(recording, options).result["verdict"]
    assert (verdict["status"], verdict["findings"]) == ("undetermined", [])
    assert any("first_tooth_after_tdc1_deg" in line for line in verdict["missing"])


def test_an_eight_of_which_every_second_cylinder_is_dead_may_be_a_four() -> None:
    """A healthy four given as an eight; with counts of those cylinders it is an eight."""
    log = simulate(load_scenario("healthy_i4"))
    engine = Engine.load("v8").with_wheel(log.engine.wheel)
    done = analyse(log.recording, AnalyseOptions(engine)).result["verdict"]
    assert done["findings"] == []
    assert any("one of 4 moves like this" in line for line in done["missing"])
    dead = {c: 500 for x in done["candidates"] for c in x["cylinders"]} | dict.fromkeys(range(1, 9), 0)
    dead |= {c: 500 for x in done["candidates"] for c in x["cylinders"]}
    told = analyse(
        log.recording, AnalyseOptions(engine), counts=Counts(dead, dead, "during_log", True)
    ).result
    assert [f["cause"] for f in told["verdict"]["findings"]] == ["misfire"]


def test_the_right_number_is_judged_without_any_angle(four) -> None:
    """The drive goes to 4500 1/min; the truth has one misfiring cylinder, known but for its companion."""
    result = analyse(four.recording, AnalyseOptions(Engine.load("inline4"))).result
    (finding,) = result["verdict"]["findings"]
    assert finding["cause"] == "misfire"
    assert 3 in finding["cylinders"]
    missed = sum(c["misfires"] for c in result["cylinders"])
    assert abs(missed - sum(four.truth.misfires.values())) <= 3


def exchanged(four, order: tuple[int, ...]):
    """The log judged in another firing order, with the counts of a controller that is right."""
    e = four.engine
    engine = Engine.from_order(order, wheel=e.wheel, mark_after_tdc1_deg=e.mark_after_tdc1_deg)
    told = {c: n for c, n in four.truth.misfires.items()}
    return analyse(
        four.recording, AnalyseOptions(engine), counts=Counts(told, told, "during_log", True)
    ).result


def test_a_wrong_firing_order_is_no_stored_pattern(four) -> None:
    """Cylinder 3 under the name of 2: as many misfires as the controller counts, on another cylinder."""
    verdict = exchanged(four, (1, 2, 4, 3))["verdict"]
    assert [f["cause"] for f in verdict["findings"]] == ["misfire"]
    assert "Check the firing order" in verdict["findings"][0]["next_steps"][0]


def test_the_right_firing_order_is_not_doubted(four) -> None:
    result = exchanged(four, four.engine.firing_order)
    (finding,) = result["verdict"]["findings"]
    assert (finding["cause"], finding["cylinders"]) == ("misfire", [3])
    assert not any("Check the firing order" in s for s in finding["next_steps"])
    assert any("firing order 1-3-4-2" in a for a in result["assumptions"])


def test_the_pattern_of_another_wheel_is_told() -> None:
    """A wheel off its centre by 0.3 deg and teeth of its own, against the log of a plain one; its own pattern is taken."""
    log = simulate(load_scenario("random_misfire_i4"))
    own = analyse(log.recording, AnalyseOptions(log.engine)).logs[0].pattern
    a = np.radians(6.0) * np.arange(own.error_deg.size)
    other = replace(own, error_deg=own.error_deg + 0.3 * np.sin(a))
    given = analyse(log.recording, AnalyseOptions(log.engine, pattern=other)).result["verdict"]
    assert (given["status"], given["findings"]) == ("undetermined", [])
    assert "pattern given" in given["headline"]
    assert any("leave --pattern out" in m for m in given["missing"])
    right = analyse(log.recording, AnalyseOptions(log.engine, pattern=own)).result["verdict"]
    assert [f["cause"] for f in right["findings"]] == ["misfire"]


def test_an_error_names_its_log(tmp_path: Path) -> None:
    """Of two logs the one whose wheel is another."""
    for name in ("healthy_i4", "misfire_i5_36-1"):
        log = simulate(load_scenario(name))
        text = "time_s\n" + "".join(f"{t:.7f}\n" for t in log.recording.crank_s[:6000].tolist())
        (tmp_path / f"{name}.csv").write_text(text)
    paths = [str(tmp_path / f"{n}.csv") for n in ("healthy_i4", "misfire_i5_36-1")]
    engine = simulate(load_scenario("healthy_i4")).engine
    with pytest.raises(InputError, match=r"misfire_i5_36-1\.csv: .*positions in the engine file, or --wheel"):
        analyse_files(paths, AnalyseOptions(engine))


def test_a_cam_without_its_angle_is_told() -> None:
    log = simulate(load_scenario("random_misfire_i4"))
    engine = replace(log.engine, cam_edges_deg=None)
    bare = replace(log.recording, cylinder1_s=None, cam_s=log.recording.cylinder1_s)
    said = analyse(bare, AnalyseOptions(engine)).result["assumptions"]
    assert any("edges_after_tdc1_deg" in a for a in said)
