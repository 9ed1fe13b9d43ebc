"""The contract of all readers: one recording written in every form gives the same edges."""

from __future__ import annotations

import gzip
import struct
import wave
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.io import wavfile

from misfire.errors import InputError
from misfire.intake import ReadOptions, Recording, read

RATE_HZ = 100_000
CLOCK_HZ = 10_000_000


@pytest.fixture
def ticks(crank) -> np.ndarray:
    return np.rint(crank.tooth_s() * CLOCK_HZ).astype(np.int64)


@pytest.fixture
def cam_ticks(ticks) -> np.ndarray:
    return ticks[20::116] + 777


def rows(ticks: np.ndarray, cam: np.ndarray) -> list[tuple[int, str]]:
    return sorted([(int(t), "crank") for t in ticks] + [(int(t), "cam") for t in cam])


def same(recording: Recording, ticks: np.ndarray, cam: np.ndarray | None = None, atol: float = 1e-12) -> None:
    np.testing.assert_allclose(recording.crank_s, ticks / CLOCK_HZ, rtol=0, atol=atol)
    if cam is not None:
        np.testing.assert_allclose(recording.cam_s, cam / CLOCK_HZ, rtol=0, atol=atol)


@pytest.mark.parametrize(
    ("name", "per_unit", "digits"), [("time_s", 1.0, 7), ("time_ms", 1e3, 4), ("time_us", 1e6, 1)]
)
@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("comma", [False, True])
def test_times(tmp_path: Path, ticks, cam_ticks, name, per_unit, digits, mark, comma):
    if comma and mark == ",":
        pytest.skip("a comma cannot be both")
    lines = [f"{name}{mark}signal"]
    for t, s in rows(ticks, cam_ticks):
        number = f"{t / CLOCK_HZ * per_unit:.{digits}f}"
        lines.append((number.replace(".", ",") if comma else number) + mark + s)
    file = tmp_path / "log.csv"
    file.write_text("\n".join(lines) + "\n")
    recording = read(file)
    same(recording, ticks, cam_ticks)
    assert recording.clock_step_s == pytest.approx(1 / CLOCK_HZ, rel=1e-6)


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("packed", [False, True])
def test_ticks_wrap(tmp_path: Path, ticks, cam_ticks, bits, packed):
    start = 2**bits - 3000
    text = f"# clock_hz = {CLOCK_HZ}\n# counter_bits = {bits}\ntick,signal\n"
    text += "".join(f"{(t + start) % 2**bits},{s}\n" for t, s in rows(ticks, cam_ticks))
    file = tmp_path / "log.csv.gz"
    file.write_bytes(gzip.compress(text.encode()) if packed else text.encode())
    recording = read(file)
    first = recording.crank_s[0] - ticks[0] / CLOCK_HZ
    np.testing.assert_allclose(recording.crank_s - first, ticks / CLOCK_HZ, rtol=0, atol=1e-10)
    assert recording.cam_s is not None and recording.cam_s.size == cam_ticks.size  # noqa: PT018


def test_a_wrap_is_found_without_its_width(tmp_path: Path, ticks):
    file = tmp_path / "log.csv"
    file.write_text("tick\n" + "".join(f"{(t + 60000) % 65536}\n" for t in ticks))
    recording = read(file, ReadOptions(clock_hz=CLOCK_HZ))
    np.testing.assert_allclose(np.diff(recording.crank_s), np.diff(ticks) / CLOCK_HZ, atol=1e-11)
    assert "16 bits" in recording.decisions["counter"]


@pytest.mark.parametrize(
    ("name", "per_s"), [("period_s", 1.0), ("period_us", 1e6), ("period_tick", CLOCK_HZ)]
)
def test_periods(tmp_path: Path, ticks, name, per_s):
    period = np.diff(ticks, prepend=0) / CLOCK_HZ * per_s
    file = tmp_path / "log.csv"
    file.write_text(f"# clock_hz = {CLOCK_HZ}\n{name}\n" + "".join(f"{p:.7f}\n" for p in period))
    same(read(file), ticks, atol=1e-9)


def test_foreign_names_and_byte_order_mark(tmp_path: Path, ticks):
    file = tmp_path / "log.txt"
    text = "Edge Time (us)\tKind\n" + "".join(f"{t / 10:.1f}\tCrank\n" for t in ticks)
    for encoding in ("utf-8-sig", "utf-16"):
        file.write_bytes(text.encode(encoding))
        for name in ("Edge Time", "Edge Time (us)"):
            same(read(file, ReadOptions(time_column=name, signal_column="Kind")), ticks)


def test_arrays_and_parquet(tmp_path: Path, ticks, cam_ticks):
    t, c = ticks / CLOCK_HZ, cam_ticks / CLOCK_HZ
    np.save(tmp_path / "a.npy", t)
    same(read(tmp_path / "a.npy"), ticks)
    np.savez_compressed(tmp_path / "b.npz", crank_s=t, cam_s=c)
    same(read(tmp_path / "b.npz"), ticks, cam_ticks)
    pytest.importorskip("pyarrow")
    frame = pd.DataFrame(rows(ticks, cam_ticks), columns=["tick", "signal"])
    frame.to_parquet(tmp_path / "c.parquet")
    same(read(tmp_path / "c.parquet", ReadOptions(clock_hz=CLOCK_HZ)), ticks, cam_ticks)
    frame.to_csv(tmp_path / "d.csv", index=False)
    same(read(tmp_path / "d.csv", ReadOptions(clock_hz=CLOCK_HZ)), ticks, cam_ticks)


def test_value_change_dump(tmp_path: Path, ticks, cam_ticks):
    """Written by pyvcd; scalar, vector and unknown states."""
    vcd = pytest.importorskip("vcd")
    width = int(np.median(np.diff(ticks)) * 0.4)
    events = sorted(
        [(int(t), "crank", 1) for t in ticks]
        + [(int(t) + width, "crank", 0) for t in ticks]
        + [(int(t), "cam", 1) for t in cam_ticks]
        + [(int(t) + 99, "cam", 0) for t in cam_ticks]
    )
    with open(tmp_path / "log.vcd", "w") as f, vcd.VCDWriter(f, timescale="100 ns", date="") as w:
        variables = {
            "crank": w.register_var("top", "crank", "wire", size=1, init="x"),
            "cam": w.register_var("top", "cam", "wire", size=1, init="z"),
            "bus": w.register_var("top", "bus", "integer", size=8, init=3),
        }
        for t, name, value in events:
            w.change(variables[name], t, value)
    recording = read(tmp_path / "log.vcd", ReadOptions(edge="rising"))
    # the first rise comes out of the unknown state: whether it is an edge cannot be told
    np.testing.assert_allclose(recording.crank_s, ticks[recording.crank_s.size * -1 :] / CLOCK_HZ, atol=1e-12)
    assert ticks.size - recording.crank_s.size <= 1
    assert recording.clock_step_s >= 1e-7 * 0.999
    assert np.nanmedian(recording.width_s) == pytest.approx(width / CLOCK_HZ)


def wave_error_deg(recording: Recording, crank) -> float:
    from_true = crank.tooth_s()
    near = np.abs(recording.crank_s[:, None] - from_true[None, :]).argmin(axis=1)
    error = recording.crank_s - from_true[near]
    assert abs(recording.crank_s.size - from_true.size) <= 1
    return float(np.std(error) * 18000.0)


def test_waveforms_in_every_container(tmp_path: Path, crank):
    """Below 0.02 deg rms for a variable-reluctance pickup at 100 kS/s and 3000 rpm (issue 7)."""
    t = np.arange(0, crank.duration_s, 1 / RATE_HZ)
    v = crank.reluctance_v(t)
    files: list[tuple[Path, ReadOptions]] = []

    file = tmp_path / "a.csv"
    pd.DataFrame({"time_s": t.round(5), "crank_v": v.round(4)}).to_csv(file, index=False)
    files.append((file, ReadOptions()))
    file = tmp_path / "b.csv"
    lines = ["Zeit;Kanal A;Kanal B", "(ms);(mV);(V)", ""]
    lines += [f"{x * 1e3:.5f};{y * 1e3:.2f};0,0".replace(".", ",") for x, y in zip(t, v, strict=True)]
    file.write_text("\n".join(lines))
    files.append((file, ReadOptions(time_column="Zeit", crank_column="Kanal A")))
    file = tmp_path / "c.csv"
    file.write_text("# sample_rate_hz = 100000\ncrank_v\n" + "".join(f"{y:.4f}\n" for y in v))
    files.append((file, ReadOptions()))

    for kind in (np.int16, np.int32, np.float32):
        file = tmp_path / f"d_{kind.__name__}.wav"
        scale = 1.0 if kind is np.float32 else np.iinfo(kind).max
        wavfile.write(file, RATE_HZ, (v / 8 * scale).astype(kind))
        files.append((file, ReadOptions()))
    with wave.open(str(tmp_path / "e.wav"), "wb") as w:
        w.setnchannels(2)
        w.setsampwidth(3)
        w.setframerate(RATE_HZ)
        whole = np.rint(v / 8 * (2**23 - 1)).astype("<i4")
        three = np.zeros((v.size, 2, 3), np.uint8)
        three[:, 1] = whole.view(np.uint8).reshape(-1, 4)[:, :3]
        w.writeframes(three.tobytes())
    files.append((tmp_path / "e.wav", ReadOptions(crank_channel=2)))
    np.savez(tmp_path / "f.npz", time_s=t, crank_v=v)
    files.append((tmp_path / "f.npz", ReadOptions()))
    for file, options in files:
        recording = read(file, options)
        assert wave_error_deg(recording, crank) < 0.02, file.name
        assert recording.decisions["edge"].startswith("falling"), file.name
        assert 0 < recording.clock_step_s < 1 / RATE_HZ


def test_measurement_data_format(tmp_path: Path, crank):
    asammdf = pytest.importorskip("asammdf")
    t = np.arange(0, crank.duration_s, 1 / RATE_HZ)
    mdf = asammdf.MDF(version="4.10")
    mdf.append([asammdf.Signal(crank.reluctance_v(t), t, name="crank_v", unit="V")])
    mdf.save(tmp_path / "log.mf4")
    mdf.close()
    assert wave_error_deg(read(tmp_path / "log.mf4"), crank) < 0.02


def test_hall_signal(tmp_path: Path, crank):
    """A digital edge lies anywhere between two samples: below 0.06 deg rms at 100 kS/s, 3000 rpm."""
    t = np.arange(0, crank.duration_s, 1 / RATE_HZ)
    np.savez(tmp_path / "h.npz", time_s=t, crank_v=crank.hall_v(t))
    recording = read(tmp_path / "h.npz", ReadOptions(edge="rising"))
    assert wave_error_deg(recording, crank) < 0.06
    assert recording.clock_step_s == pytest.approx(1 / RATE_HZ, rel=0.1)


def test_both_edges_of_a_tooth(tmp_path: Path, crank):
    t = crank.tooth_s()
    both = np.sort(np.concatenate((t, t + 0.35 * 6.0 / 18000.0)))
    file = tmp_path / "log.csv"
    file.write_text("time_s\n" + "".join(f"{x:.7f}\n" for x in both))
    recording = read(file)
    np.testing.assert_allclose(recording.crank_s, t, atol=1e-7)
    assert np.nanmedian(recording.width_s) == pytest.approx(0.35 * 6.0 / 18000.0, rel=0.01)
    assert read(file, ReadOptions(both_edges=False)).crank_s.size == both.size


def test_rounded_times_count_as_clock_noise(tmp_path: Path, crank):
    file = tmp_path / "log.csv"
    file.write_text("time_s\n" + "".join(f"{x:.5f}\n" for x in crank.tooth_s()))
    recording = read(file)
    assert recording.clock_step_s == pytest.approx(1e-5)
    assert any("digits" in n for n in recording.notes)


def test_wav_coding_that_is_not_read(tmp_path: Path):
    body = struct.pack("<HHIIHH", 2, 1, 44100, 44100, 1, 4)
    file = tmp_path / "x.wav"
    file.write_bytes(b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<I", 16) + body + b"data\0\0\0\0")
    with pytest.raises(InputError, match=r"coding 2 .* export PCM"):
        read(file)


@pytest.mark.parametrize(
    ("how", "step_s"),
    [
        ("significant digits", 1e-6),  # 4.123456: seven digits, six of them behind the point
        ("single precision", 2.0**-22),  # spacing of IEEE 754 single precision from 2 to 4
        ("single precision, written", 2.0**-22),
        ("all digits", 0.0),
    ],
)
def test_the_resolution_of_times_is_the_coarsest_of_the_log(tmp_path: Path, crank, how, step_s):
    t = type(crank)(duration_s=3.9).tooth_s() + 0.09
    written = {
        "significant digits": [f"{x:.7g}" for x in t],
        "single precision, written": [f"{x:.9g}" for x in t.astype(np.float32)],
    }
    if how in written:
        (tmp_path / "t.csv").write_text("time_s\n" + "\n".join(written[how]) + "\n")
        recording = read(tmp_path / "t.csv")
    else:
        np.save(tmp_path / "t.npy", t.astype(np.float32) if how == "single precision" else t)
        recording = read(tmp_path / "t.npy")
    assert recording.clock_step_s == pytest.approx(step_s, rel=1e-6, abs=1e-12)
