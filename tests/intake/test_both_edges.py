"""Both edges of every tooth in the log: one is taken, unless the widths are what tells the turn's beginning."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.intake import ReadOptions, read


def times(crank, angles_deg: np.ndarray) -> np.ndarray:
    """Times [s] at which the sensor's shaft passes these places of every turn."""
    grid = np.linspace(0, crank.duration_s, 2_000_001)
    angle = crank.angle_deg(grid)
    turns = np.arange(int(angle[-1] // 360))
    return np.interp((turns[:, None] * 360 + angles_deg).ravel(), angle, grid)


def away(found_s: np.ndarray, true_s: np.ndarray) -> float:
    """Largest distance [s] of a time from the nearest true one."""
    return float(np.abs(found_s[:, None] - true_s).min(axis=1).max())


def write(file: Path, t: np.ndarray) -> Path:
    file.write_text("time_s\n" + "".join(f"{x:.8f}\n" for x in t))
    return file


def test_a_wide_tooth_that_tells_the_turn_is_kept(tmp_path: Path, crank):
    """24 teeth of 5 deg, evenly spaced, one of them 10 deg wide: without the widths no turn has a beginning."""
    rise = np.arange(24) * 15.0
    fall = rise + np.where(np.arange(24) == 0, 10.0, 5.0)
    places = np.sort(np.concatenate((rise, fall)))
    t = times(type(crank)(rpm_from=1500, rpm_to=2500, duration_s=3.0), places)
    recording = read(write(tmp_path / "log.csv", t))
    np.testing.assert_allclose(recording.crank_s, t, rtol=0, atol=1e-8)
    numbered = number_edges(recording.crank_s, Wheel(48, angles_deg=tuple(places)))
    whole = numbered.time_s[np.isfinite(numbered.time_s).all(axis=1)]
    # 50 turns (2000 rpm for 3 s on average make 100); the first edge of each is the wide tooth's
    assert whole.shape[0] >= 97
    assert away(whole[:, 0], t[::48]) < 1e-7


@pytest.mark.parametrize("share", [0.2, 0.35, 0.65])
def test_widths_that_are_all_alike_are_dropped(tmp_path: Path, crank, share: float):
    k = np.arange(58)
    places = np.sort(np.concatenate((k * 6.0, (k + share) * 6.0)))
    t = times(type(crank)(rpm_from=900, rpm_to=3000, duration_s=3.0), places)
    recording = read(write(tmp_path / "log.csv", t))
    np.testing.assert_allclose(recording.crank_s, t[::2], rtol=0, atol=1e-8)


@pytest.mark.parametrize("share", [0.45, 0.5, 0.55])
def test_half_and_half_takes_the_wheel_to_tell(tmp_path: Path, crank, share: float):
    """At half a pitch both edges look like a finer wheel; the wheel that is given says which it is."""
    k = np.arange(58)
    places = np.sort(np.concatenate((k * 6.0, (k + share) * 6.0)))
    t = times(type(crank)(rpm_from=900, rpm_to=3000, duration_s=3.0), places)
    file = write(tmp_path / "log.csv", np.delete(t, 1000))
    numbered = number_edges(read(file).crank_s, Wheel(60, (58, 59)))
    # 900 to 3000 rpm for 3 s: 97.5 turns
    assert numbered.turns == 97
    assert any("Both edges" in n for n in numbered.notes)
    whole = numbered.time_s[np.isfinite(numbered.time_s).all(axis=1)]
    assert whole.shape[0] >= 95
    assert away(whole[:, 0], t[::116]) < 1e-7
    # without it the finer wheel is found, and what else it may be is said
    assert any("If the wheel has 58 teeth" in n for n in number_edges(read(file).crank_s, None).notes)
    assert read(file, ReadOptions(both_edges=True)).crank_s.size == pytest.approx(t.size / 2, abs=1)
