"""A cam recorded into a second file: its clock is found where the two files can tell it, else asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.intake import ReadOptions, read

AHEAD_S = 3.25


@pytest.fixture
def files(tmp_path: Path, crank):
    """Writes crank and cam of a sweep from 1200 to 2600 rpm in 8 s (or another); returns the true cam times."""

    def write(rpm_to: float = 2600.0, *, both: bool = False) -> np.ndarray:
        t = type(crank)(rpm_from=1200.0, rpm_to=rpm_to, duration_s=8.0).tooth_s()
        cam = t[20::116] + 1e-4
        (tmp_path / "crank.csv").write_text("time_s\n" + "".join(f"{x:.7f}\n" for x in t))
        rows = [(x, "cam") for x in cam] + ([(x, "crank") for x in t[3000:9000]] if both else [])
        text = "".join(f"{x - AHEAD_S:.7f},{s}\n" for x, s in sorted(rows))
        (tmp_path / "cam.csv").write_text("time_s,signal\n" + text)
        return cam

    return write


def with_cam(folder: Path, **given):
    return read(folder / "crank.csv", ReadOptions(cam_file=str(folder / "cam.csv"), **given))


@pytest.mark.parametrize(("both", "within_s"), [(False, 1e-3), (True, 1e-6)])
def test_the_offset_of_the_clocks_is_found(tmp_path: Path, files, both: bool, within_s: float):
    """A millisecond is 16 deg at 2600 rpm; the turn of a cycle needs 180."""
    cam = files(both=both)
    recording = with_cam(tmp_path)
    np.testing.assert_allclose(recording.cam_s, cam, rtol=0, atol=within_s)
    assert "found" in recording.decisions["cam file"]


def test_a_given_offset_is_kept(tmp_path: Path, files):
    cam = files()
    np.testing.assert_allclose(with_cam(tmp_path, cam_offset_s=AHEAD_S).cam_s, cam, rtol=0, atol=1e-7)
    with pytest.raises(InputError, match="no cam edge falls into the crank log"):
        with_cam(tmp_path, cam_offset_s=900.0)


def test_at_one_speed_every_offset_fits_and_is_asked_for(tmp_path: Path, files):
    files(rpm_to=1200.0)
    with pytest.raises(InputError, match="give --cam-offset"):
        with_cam(tmp_path)


def test_two_samplings_of_one_cam(tmp_path: Path, files, crank):
    """The cam as a voltage in a file of its own."""
    cam = files()
    t = np.arange(0.0, 8.0, 1e-4)
    at = np.searchsorted(cam, t) - 1
    high = (at >= 0) & (t - cam[np.maximum(at, 0)] < 2e-3)
    np.savez(tmp_path / "cam.npz", time_s=t - AHEAD_S, cam_v=np.where(high, 5.0, 0.0))
    recording = read(tmp_path / "crank.csv", ReadOptions(cam_file=str(tmp_path / "cam.npz")))
    assert recording.cam_s.size == cam.size
    np.testing.assert_allclose(recording.cam_s, cam, rtol=0, atol=1e-3)
