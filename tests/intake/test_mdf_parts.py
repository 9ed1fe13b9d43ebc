"""MDF 4 as recorders leave it, written by asammdf: a group for every block of time, several data blocks, packed data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.intake import Recording, mdf, read

asammdf = pytest.importorskip("asammdf")
RATE_HZ = 100_000


@pytest.fixture
def signal(crank) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sample times [s], crank [V], cam [V] of a second at 3000 rpm."""
    t = np.arange(0, crank.duration_s, 1 / RATE_HZ)
    cam = np.where((crank.angle_deg(t) - 100.0) % 720.0 < 40.0, 5.0, 0.0)
    return t, crank.reluctance_v(t), cam


def whole(file: Path, signal) -> Recording:
    """The same signal in one group."""
    t, v, cam = signal
    with asammdf.MDF(version="4.10") as m:
        m.append([asammdf.Signal(v, t, name="crank_v"), asammdf.Signal(cam, t, name="cam_v")])
        m.save(file)
    return read(file)


@pytest.mark.parametrize("shuffled", [False, True])
def test_a_group_for_every_block_of_time(tmp_path: Path, signal, shuffled: bool):
    """Four groups of 0.25 s that follow one another, in the file in another order too."""
    t, v, cam = signal
    pieces = np.array_split(np.arange(t.size), 4)
    with asammdf.MDF(version="4.10") as m:
        for part in [pieces[k] for k in ((2, 0, 3, 1) if shuffled else range(4))]:
            m.append([asammdf.Signal(v[part], t[part], name="crank_v")])
            m.append([asammdf.Signal(cam[part], t[part], name="cam_v")])
        m.save(tmp_path / "parts.mf4")
    recording, one = read(tmp_path / "parts.mf4"), whole(tmp_path / "one.mf4", signal)
    np.testing.assert_allclose(recording.crank_s, one.crank_s, rtol=0, atol=1e-9)
    np.testing.assert_allclose(recording.cam_s, one.cam_s, rtol=0, atol=1e-9)
    assert any("4 groups" in n for n in recording.notes)


def test_a_pause_between_the_groups_makes_no_edge(tmp_path: Path, crank, signal):
    t, v, _ = signal
    first, second = t < 0.4, t >= 0.7
    with asammdf.MDF(version="4.10") as m:
        for part in (first, second):
            m.append([asammdf.Signal(v[part], t[part], name="crank_v")])
        m.save(tmp_path / "pause.mf4")
    found = read(tmp_path / "pause.mf4").crank_s
    true = crank.tooth_s()
    true = true[(true < 0.4) | (true >= 0.7)]
    assert abs(found.size - true.size) <= 1
    assert not np.any((found > 0.4) & (found < 0.7))


@pytest.mark.parametrize("compression", [0, 1, 2])
def test_many_data_blocks(tmp_path: Path, signal, compression: int):
    """Blocks of 64 kB, plain, deflated and transposed (ASAM MDF 4: DL, HL, DZ)."""
    t, v, _ = signal
    with asammdf.MDF(version="4.10") as m:
        m.configure(write_fragment_size=1 << 16)
        m.append([asammdf.Signal(v, t, name="crank_v")])
        m.save(tmp_path / "blocks.mf4", compression=compression)
    np.testing.assert_array_equal(
        read(tmp_path / "blocks.mf4").crank_s, whole(tmp_path / "one.mf4", signal).crank_s
    )


def test_read_in_pieces(tmp_path: Path, signal, monkeypatch: pytest.MonkeyPatch):
    one = whole(tmp_path / "one.mf4", signal)
    monkeypatch.setattr(mdf, "PIECE", 7777)
    np.testing.assert_array_equal(read(tmp_path / "one.mf4").crank_s, one.crank_s)
    np.testing.assert_array_equal(read(tmp_path / "one.mf4").cam_s, one.cam_s)


def test_a_cam_sampled_at_another_rate(tmp_path: Path, signal):
    t, v, cam = signal
    with asammdf.MDF(version="4.10") as m:
        m.append([asammdf.Signal(v, t, name="crank_v")])
        m.append([asammdf.Signal(cam[::10], t[::10], name="cam_v")])
        m.save(tmp_path / "two.mf4")
    recording, one = read(tmp_path / "two.mf4"), whole(tmp_path / "one.mf4", signal)
    np.testing.assert_allclose(recording.cam_s, one.cam_s, rtol=0, atol=10 / RATE_HZ)


def test_the_same_channel_twice_at_the_same_time(tmp_path: Path, signal):
    """Two devices recorded one name: the longer record is read, and that is said."""
    t, v, _ = signal
    with asammdf.MDF(version="4.10") as m:
        m.append([asammdf.Signal(np.zeros(50), t[:50] + 0.2, name="crank_v")])
        m.append([asammdf.Signal(v, t, name="crank_v")])
        m.save(tmp_path / "twice.mf4")
    recording = read(tmp_path / "twice.mf4")
    np.testing.assert_array_equal(recording.crank_s, whole(tmp_path / "one.mf4", signal).crank_s)
    assert any("several times" in n for n in recording.notes)


def test_a_channel_without_records_is_refused(tmp_path: Path):
    with asammdf.MDF(version="4.10") as m:
        m.append([asammdf.Signal(np.empty(0), np.empty(0), name="crank_v")])
        m.save(tmp_path / "empty.mf4")
    with pytest.raises(InputError, match="holds no record"):
        read(tmp_path / "empty.mf4")
