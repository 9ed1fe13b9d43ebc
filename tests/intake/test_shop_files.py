"""Files as programs of the trade leave them: one byte a letter, units in brackets, lists of changes, cut ends."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from misfire.errors import InputError
from misfire.intake import ReadOptions, read
from tests.intake import sensor

RATE_HZ = 100_000
CRANK = sensor.Crank(rpm_from=800, rpm_to=1000, duration_s=1.0, ripple=0.03)
TIME_S = np.arange(0, CRANK.duration_s, 1 / RATE_HZ)
VOLTS = CRANK.reluctance_v(TIME_S)
TEETH_S = CRANK.tooth_s()
HIGH_S = 4e-4


def whole(recording, within_s: float = 2e-5) -> bool:
    """Every tooth inside the record is an edge, and nothing else (the last may fall on the very end)."""
    lost, extra, _ = sensor.match(recording.crank_s, TEETH_S, within_s)
    return lost <= 1 and extra == 0


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
@pytest.mark.parametrize("units", ["brackets", "row"])
def test_a_micro_sign_of_one_byte(tmp_path: Path, encoding: str, units: str):
    """Without it the times would be taken for seconds."""
    head = "Zeit (µs);Größe A (mV)\n" if units == "brackets" else "Zeit;Größe A\nµs;mV\n"
    rows = "".join(
        f"{a * 1e6:.1f};{b * 1e3:.2f}\n".replace(".", ",")
        for a, b in zip(TIME_S.tolist(), VOLTS.tolist(), strict=True)
    )
    (tmp_path / "w.csv").write_bytes((head + rows).encode(encoding))
    recording = read(tmp_path / "w.csv", ReadOptions(time_column="Zeit", crank_column="Größe A"))
    assert whole(recording)
    assert recording.decisions["decimal mark"] == "comma"


def changes() -> list[tuple[float, int]]:
    """Time [s] and new level at every change."""
    return sorted([(t, 1) for t in TEETH_S.tolist()] + [(t + HIGH_S, 0) for t in TEETH_S.tolist()])


@pytest.mark.parametrize("form", ["csv", "csv with a cam", "npz"])
def test_a_list_of_changes_is_no_waveform(tmp_path: Path, form: str):
    """A logic analyser's table: a row where a level changes, so no time is made up between two rows."""
    rows = changes()
    options = ReadOptions(time_column="Time [s]", crank_column="Channel 0")
    file = tmp_path / f"w.{form[:3]}"
    if form == "npz":
        t, level = np.array([0.0, *(r[0] for r in rows)]), np.array([0, *(r[1] for r in rows)])
        np.savez(file, **{"Time [s]": t, "Channel 0": level})
    elif form == "csv":
        file.write_text("Time [s],Channel 0\n0.0,0\n" + "".join(f"{t:.9f},{x}\n" for t, x in rows))
    else:
        options = ReadOptions(time_column="Time [s]", crank_column="Channel 0", cam_column="Channel 1")
        cam = [(t + 1e-4, k % 2) for k, t in enumerate(TEETH_S[::29].tolist(), 1)]
        level = [0, 0]
        text = ["Time [s],Channel 0,Channel 1", "0.0,0,0"]
        for t, channel, x in sorted([(t, 0, x) for t, x in rows] + [(t, 1, x) for t, x in cam]):
            level[channel] = x
            text.append(f"{t:.9f},{level[0]},{level[1]}")
        file.write_text("\n".join(text) + "\n")
    recording = read(file, options)
    np.testing.assert_allclose(recording.crank_s, TEETH_S, rtol=0, atol=1e-9)
    assert recording.width_s is not None
    np.testing.assert_allclose(recording.width_s, HIGH_S, rtol=1e-5)
    if options.cam_column:
        assert recording.cam_s is not None
        np.testing.assert_allclose(recording.cam_s, TEETH_S[::58] + 1e-4, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    "names", [("time_ms", "crank_mv"), ("Time (ms)", "Channel A (mV)"), ("t ms", "a mv")]
)
def test_units_of_array_names(tmp_path: Path, names: tuple[str, str]):
    time, crank = names
    np.savez(tmp_path / "w.npz", **{time: TIME_S * 1e3, crank: VOLTS * 1e3})
    given = {} if crank == "crank_mv" else {"time_column": time, "crank_column": crank}
    recording = read(tmp_path / "w.npz", ReadOptions(**given))
    assert whole(recording)
    # 1.5 V, not 1500
    assert float(recording.decisions["signal"].split(" to ")[1].split(" V")[0]) == pytest.approx(
        float(np.percentile(VOLTS, 99.5)), rel=0.01
    )


@pytest.mark.parametrize("cut", range(1, 11))
def test_a_dump_that_ends_within_a_line(tmp_path: Path, cut: int):
    rows = "".join(f"#{round(t * 1e7)}\n{x}!\n" for t, x in changes())
    head = "$timescale 100 ns $end\n$var wire 1 ! D0 $end\n$var wire 4 # bus [3:0] $end\n$enddefinitions $end\n#0\n0!\n"
    text = (head + rows)[:-cut]
    (tmp_path / "w.vcd").write_text(text)
    recording = read(tmp_path / "w.vcd", ReadOptions(crank_column="D0"))
    np.testing.assert_allclose(recording.crank_s, TEETH_S, rtol=0, atol=1e-7)
    assert any("cut off" in n for n in recording.notes) == (text[-1] != "\n")


def test_a_signal_word_that_is_cut(tmp_path: Path):
    text = "time_s,signal\n" + "".join(f"{t:.7f},crank\n" for t in TEETH_S)
    (tmp_path / "w.csv").write_text(text[:-4])
    recording = read(tmp_path / "w.csv")
    assert recording.crank_s.size == TEETH_S.size - 1
    assert any("cut off" in n for n in recording.notes)
    (tmp_path / "w.csv").write_text(text[:-6] + "crunk")
    with pytest.raises(InputError, match="'crunk' is none of crank"):
        read(tmp_path / "w.csv")


@pytest.mark.parametrize("corner_hz", [20.0, 150.0])
def test_a_sound_card_at_idle(tmp_path: Path, corner_hz: float):
    """44.1 kHz, 16 bits, AC-coupled so that it droops; the cam, a Hall signal, on the second channel droops as well."""
    rate = 44_100
    t = np.arange(0, CRANK.duration_s, 1 / rate)
    a = np.exp(-2 * np.pi * corner_hz / rate)
    cam = (CRANK.angle_deg(t) - 70.0) % 720.0 < 60.0
    both = [lfilter([1, -1], [1, -a], x) / 3 for x in (CRANK.reluctance_v(t), 1.0 * cam)]
    with wave.open(str(tmp_path / "w.wav"), "wb") as w:
        w.setnchannels(2)
        w.setsampwidth(2)
        w.setframerate(rate)
        w.writeframes((np.stack(both, 1) * 32000).astype("<i2").tobytes())
    recording = read(tmp_path / "w.wav", ReadOptions(cam_channel=2))
    assert whole(recording, 2e-4)
    assert recording.cam_s is not None
    rise = t[1:][cam[1:] & ~cam[:-1]]
    np.testing.assert_allclose(recording.cam_s, rise, rtol=0, atol=2 / rate)
