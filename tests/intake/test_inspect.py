"""`misfire inspect`: all that was decided, what the log is good for, an engine file that can be used, the guide."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from misfire.cli import main
from misfire.engine import Engine
from misfire.inspection import gap_pitches, inspect_log
from misfire.intake import Recording
from misfire.simulate import Simulated, load_scenario, simulate


@pytest.fixture(scope="module")
def log() -> Simulated:
    s = load_scenario("healthy_i4")
    return simulate(s.but(clock=replace(s.clock, cam=True, cylinder1=True)))


@pytest.fixture(scope="module")
def seen(log: Simulated) -> dict:
    return inspect_log(log.recording, log.engine)


def test_everything_decided_is_told(seen: dict):
    assert set(seen["decided"]) >= {"wheel", "gap", "direction", "TDC", "phase", "time resolution"}
    assert seen["decided"]["phase"] == "measured, by cylinder-1 marks"
    # two missing teeth leave three pitches from edge to edge
    assert seen["wheel"]["gap_pitches"] == pytest.approx(3.0, abs=0.05)


def test_the_engine_file_is_one_and_holds_what_the_log_was_made_with(
    tmp_path: Path, log: Simulated, seen: dict
):
    file = tmp_path / "engine.toml"
    file.write_text(seen["engine_file"])
    engine = Engine.load(str(file))
    assert engine.firing_order == log.engine.firing_order
    assert engine.wheel is not None
    assert log.engine.wheel is not None
    assert engine.wheel.missing == log.engine.wheel.missing
    assert engine.wheel.first_tooth_after_tdc1_deg == pytest.approx(120.0, abs=0.1)
    # the cam edge is measured in the log, against the 70 deg that the simulator put it at
    assert engine.cam_edges_deg is not None
    np.testing.assert_allclose(engine.cam_edges_deg, log.engine.cam_edges_deg, atol=1.0)


def test_without_an_engine_the_file_is_one_to_fill_in(log: Simulated):
    result = inspect_log(Recording("x", log.recording.crank_s), None)
    parsed = tomllib.loads(result["engine_file"])
    assert parsed["wheel"] == {"positions": 60, "missing_positions": [58, 59]}
    assert max(map(len, result["engine_file"].splitlines())) <= 80
    assert any("cylinders" in line for line in result["good_for"])


def test_a_coarser_clock_lowers_the_speed_for_single_firings(log: Simulated, seen: dict):
    """d' falls as the noise and as w^3 ; a rounding step of 20 us against one of 0.1 us."""
    step = 20e-6
    coarse = replace(log.recording, crank_s=np.round(log.recording.crank_s / step) * step, clock_step_s=step)
    result = inspect_log(coarse, log.engine)
    # uniform rounding has a standard deviation of a step over sqrt(12)
    assert result["signal"]["time_noise_us"] == pytest.approx(1e6 * step / np.sqrt(12), rel=0.25)
    fine = {r["rpm"]: r["d"] for r in seen["speeds"]}
    rough = {r["rpm"]: r["d"] for r in result["speeds"]}
    for rpm in fine:
        assert rough[rpm] < 0.3 * fine[rpm]


def test_two_missing_teeth_of_a_regular_wheel(crank):
    from misfire.crank import number_edges

    assert gap_pitches(number_edges(crank.tooth_s(), None)) == pytest.approx(3.0, abs=0.05)


def test_the_guide_stands_in_the_output_and_alone(
    tmp_path: Path, log: Simulated, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    file, result = tmp_path / "log.csv", tmp_path / "result.json"
    file.write_text("time_s\n" + "".join(f"{t:.7f}\n" for t in log.recording.crank_s[:3000]))
    texts = []
    for args in (["inspect", str(file), "--json", str(result)], ["inspect", "--guide"]):
        monkeypatch.setattr("sys.argv", ["misfire", *args])
        with pytest.raises(SystemExit) as end:
            main()
        assert not end.value.code
        texts.append(capsys.readouterr().out)
    for text in texts:
        for word in (
            "100 kS/s",
            "500 kS/s",
            "Back-probe",
            "battery",
            "coast-down",
            "firing order",
            "freeze frame",
        ):
            assert word in " ".join(text.split())
    assert len(json.loads(result.read_text())["recording_guide"]) > 6
