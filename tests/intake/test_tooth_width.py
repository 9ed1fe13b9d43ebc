"""Wheels whose turn begins at a tooth of another width: both edges logged, from the file to the verdict."""

from __future__ import annotations

import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from misfire.cli.options import build_read
from misfire.engine import Engine, Wheel
from misfire.errors import InputError
from misfire.intake import ReadOptions, read
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Simulated, load_scenario, simulate

RATE_HZ = 100_000
PULSE_S = 1e-3


def wheel(teeth: int, width_deg: float, other_deg: float) -> Wheel:
    """Evenly spaced teeth of one width, but the first of another."""
    rise = 360.0 / teeth * np.arange(teeth)
    fall = rise + np.where(np.arange(teeth) == 0, other_deg, width_deg)
    return Wheel(2 * teeth, (), 57.0, tuple(np.sort(np.concatenate((rise, fall))).tolist()))


WHEELS = {"24 teeth, one wide": wheel(24, 5, 10), "60 teeth, one narrow": wheel(60, 3, 1.5)}


@pytest.fixture(scope="module", params=WHEELS, ids=[w.replace(" ", "_") for w in WHEELS])
def done(request: pytest.FixtureRequest) -> Simulated:
    """24 s with steps of the speed; cylinder 3 of four misfires in 8 % of its firings (the scenario's own text)."""
    s = load_scenario("random_misfire_i4")
    return simulate(s.but(engine=replace(s.engine, wheel=WHEELS[request.param]), programme=s.programme[:3]))


def levels(done: Simulated, folder: Path, kind: str) -> Path:
    """The signals as a logic analyser or a sound card keeps them: level of the crank, pulses of cylinder 1."""
    crank, mark = done.recording.crank_s, done.recording.cylinder1_s
    assert mark is not None
    file = folder / f"w.{kind}"
    if kind == "vcd":
        rows = [(t, f"{1 - k % 2}!") for k, t in enumerate(crank.tolist())]
        rows += [(t, '1"') for t in mark.tolist()] + [(t + PULSE_S, '0"') for t in mark.tolist()]
        head = '$timescale 100 ns $end\n$var wire 1 ! crank $end\n$var wire 1 " cylinder1 $end\n$enddefinitions $end\n'
        file.write_text(
            head + '#0\n0!\n0"\n' + "".join(f"#{round(t * 1e7)}\n{what}\n" for t, what in sorted(rows))
        )
        return file
    t = np.arange(int((crank[-1] + 0.01) * RATE_HZ)) / RATE_HZ
    high = np.searchsorted(crank, t, side="right") % 2
    at = np.searchsorted(mark, t, side="right") - 1
    pulse = (at >= 0) & (t - mark[np.maximum(at, 0)] < PULSE_S)
    with wave.open(str(file), "wb") as w:
        w.setnchannels(2)
        w.setsampwidth(2)
        w.setframerate(RATE_HZ)
        w.writeframes((np.stack([high, pulse], 1) * 30000 - 15000).astype("<i2").tobytes())
    return file


@pytest.mark.parametrize("kind", ["csv", "vcd", "wav"])
def test_from_the_file_to_the_verdict(done: Simulated, tmp_path: Path, kind: str):
    engine = done.engine
    assert engine.wheel is not None
    if kind == "csv":
        done.write(tmp_path)
        file = tmp_path / "log.csv"
    else:
        file = levels(done, tmp_path, kind)
        engine = engine.with_wheel(replace(engine.wheel, counted_edge="both"))
    recording = read(file, build_read(engine, cylinder1_channel=2 if kind == "wav" else None))
    # half a sample, or the rounding of the dump
    np.testing.assert_allclose(recording.crank_s, done.recording.crank_s, rtol=0, atol=0.51 / RATE_HZ)
    result = analyse(recording, AnalyseOptions(engine)).result
    assert {k: result["signal"][k] for k in ("extra_edges", "lost_edges", "resyncs", "turns_set_aside")} == {
        "extra_edges": 0,
        "lost_edges": 0,
        "resyncs": 0,
        "turns_set_aside": 0,
    }
    found = [f for f in result["verdict"]["findings"] if f["confidence"] >= 0.95]
    assert [(f["cause"], f["cylinders"]) for f in found] == [("misfire", [3])]


def test_one_edge_of_a_level_signal_says_what_to_write(done: Simulated, tmp_path: Path):
    file = levels(done, tmp_path, "vcd")
    with pytest.raises(InputError, match='counted_edge = "both"'):
        analyse(read(file, build_read(done.engine)), AnalyseOptions(done.engine))


def test_both_edges_of_alike_teeth_are_kept_where_asked(tmp_path: Path, crank):
    rise = crank.tooth_s()
    t = np.sort(np.concatenate((rise, rise + 1e-4)))
    (tmp_path / "log.csv").write_text("time_s\n" + "".join(f"{x:.8f}\n" for x in t))
    assert read(tmp_path / "log.csv").crank_s.size == rise.size
    assert read(tmp_path / "log.csv", ReadOptions(edge="both")).crank_s.size == t.size


def test_both_edges_need_their_angles():
    data = {"engine": {"firing_order": [1, 3, 4, 2]}, "wheel": {"positions": 24, "counted_edge": "both"}}
    with pytest.raises(InputError, match="needs tooth_angles_deg"):
        Engine.from_mapping(data)
