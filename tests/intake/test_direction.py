"""Pulses that carry the direction of rotation: a rock-back at a stop does not shift the numbering."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.intake import read

FORWARD_S, BACKWARD_S = 45e-6, 90e-6
POSITIONS, TEETH = 60, 58


def stop_and_go() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Edge times, True where backwards, tooth number: to a stop, seven teeth back, and on again."""
    ahead = np.arange(0, 900)
    place = np.concatenate((ahead, np.arange(899, 892, -1), np.arange(893, 2000)))
    back = np.zeros(place.size, bool)
    back[900:907] = True
    # pitch from 0.5 ms to 20 ms at the turning points and back
    slow = np.abs(np.arange(place.size) - 903)
    pitch = 0.5e-3 + 19.5e-3 * np.exp(-slow / 15.0)
    t = np.cumsum(pitch)
    has = place % POSITIONS < TEETH
    return t[has], back[has], place[has]


@pytest.mark.parametrize("form", ["csv", "vcd"])
def test_a_rock_back_does_not_shift_the_numbering(tmp_path: Path, form: str):
    t, back, place = stop_and_go()
    t = np.round(t, 7)
    end = t + np.where(back, BACKWARD_S, FORWARD_S)
    if form == "csv":
        both = np.sort(np.concatenate((t, end)))
        (tmp_path / "log").write_text("time_s\n" + "".join(f"{x:.7f}\n" for x in both))
    else:
        vcd = pytest.importorskip("vcd")
        rows = sorted([(round(x * 1e7), 1) for x in t] + [(round(x * 1e7), 0) for x in end])
        with open(tmp_path / "log", "w") as f, vcd.VCDWriter(f, timescale="100 ns", date="") as w:
            crank = w.register_var("shop", "crank", "wire", size=1, init=0)
            for tick, value in rows:
                w.change(crank, tick, value)
    recording = read(tmp_path / "log")
    assert "direction-coded pulses of 45 us" in recording.decisions["edges"]
    assert any("backward" in n for n in recording.notes)
    # every tooth once, in order: the first pass of each
    first = np.array([int(np.flatnonzero(place == p)[0]) for p in np.unique(place)])
    np.testing.assert_allclose(recording.crank_s, t[first], atol=2e-7)
    crank = number_edges(recording.crank_s, None)
    assert (crank.lost_edges, crank.extra_edges, crank.resyncs) == (0, 0, 0)


def test_widths_that_follow_the_teeth_say_nothing_about_direction(tmp_path: Path, crank):
    sensor = type(crank)(rpm_from=1000.0, rpm_to=3000.0)
    t = sensor.tooth_s()
    end = t + 0.35 * 6.0 / sensor.deg_per_s(t)
    both = np.sort(np.concatenate((t, end)))
    (tmp_path / "log.csv").write_text("time_s\n" + "".join(f"{x:.7f}\n" for x in both))
    recording = read(tmp_path / "log.csv")
    assert "direction" not in recording.decisions["edges"]
    np.testing.assert_allclose(recording.crank_s, t, atol=1e-7)


def test_time_stamps_in_blocks_invent_no_turns(tmp_path: Path, crank):
    """A recorder with segments: 0.3 s on, 1.7 s off; the turns in between are not there and are not made up."""
    t = type(crank)(rpm_from=1500.0, rpm_to=1500.0, duration_s=10.0).tooth_s()
    kept = t[(t % 2.0) < 0.3]
    (tmp_path / "log.csv").write_text("time_s\n" + "".join(f"{x:.7f}\n" for x in kept))
    numbered = number_edges(read(tmp_path / "log.csv").crank_s, None)
    # 0.3 s at 25 turns a second: 7.5 turns a block, five blocks
    assert 5 * 5.5 <= np.isfinite(numbered.time_s[:, 1:]).all(axis=1).sum() <= 5 * 7.5
    assert np.unique(numbered.block).size >= 5
