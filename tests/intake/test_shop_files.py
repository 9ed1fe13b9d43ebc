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


# Head of a table, the mark between its cells, whether commas are decimal, and what the times are counted in: as
# bench scopes and loggers write them, in the languages of the trade (common practice, no source).
FORMS = {
    "German, milliseconds, a blank line": ("Zeit;Kanal A\r\n(ms);(V)\r\n\r\n", ";", True, 1e3),
    "tabs": ("Time [s]\tCH1 [V]\n", "\t", False, 1),
    "rows about the record first": ("Record Length,100000\nSample Interval,1E-05\nVertical Units,V\nTIME,CH1\n", ",", False, 1),
    "nanoseconds": ("time_ns,crank\n", ",", False, 1e9),
    "microseconds in brackets": ("Time (us),CH A (V)\n", ",", False, 1e6),
    "quoted": ('"Time","CH1"\n"s","V"\n', ",", False, 1),
    "no head at all": ("", ",", False, 1),
    "a remark, French": ("# banc\nTemps (s);Tension (V)\n", ";", True, 1),
    "no unit anywhere": ("t;u\n", ";", False, 1e6),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_foreign_columns_are_told_by_their_content(tmp_path: Path, form: str):
    """One column beside the time: no option is needed, and what was taken for what is said."""
    head, mark, comma, per_s = FORMS[form]
    rows = "".join(
        f"{a * per_s:.10g}{mark}{b:.5f}\n" for a, b in zip(TIME_S.tolist(), VOLTS.tolist(), strict=True)
    )
    (tmp_path / "w.csv").write_text(head + (rows.replace(".", ",") if comma else rows), newline="")
    recording = read(tmp_path / "w.csv")
    assert whole(recording)
    (said,) = [n for n in recording.notes if n.startswith("Columns taken:")]
    assert ("(unit assumed)" in said) == (
        form in ("rows about the record first", "no head at all", "no unit anywhere")
    )


@pytest.mark.parametrize("head", ["Sample rate: 100 kS/s\nCH1 (V)\n", "SampleRate=100000,Channels=1\nCH1\n"])
def test_one_column_with_its_rate_in_the_head(tmp_path: Path, head: str):
    (tmp_path / "w.csv").write_text(head + "".join(f"{v:.5f}\n" for v in VOLTS.tolist()))
    assert whole(read(tmp_path / "w.csv"))


def wide(names: str, *more: np.ndarray) -> str:
    cells = np.column_stack((TIME_S, VOLTS, *more))
    return names + "\n" + "".join(",".join(f"{x:.6f}" for x in row) + "\n" for row in cells.tolist())


def test_of_many_columns_the_one_with_most_edges_is_the_crank(tmp_path: Path):
    """Named by nobody: a cam with one pulse in two turns, a current that creeps, the crank."""
    cam = np.where(np.mod(CRANK.angle_deg(TIME_S), 720) < 60, 5.0, 0.0)
    creeps = np.linspace(1.0, 1.5, TIME_S.size)
    (tmp_path / "w.csv").write_text(wide("Time,CH1,CH2,CH3", cam, creeps))
    recording = read(tmp_path / "w.csv")
    assert whole(recording)
    assert any("'CH1' for the crank, which has" in n for n in recording.notes)
    # called by its word in another language, the cam is taken as well, and the crank too where edges do not tell
    (tmp_path / "w.csv").write_text(wide("Zeit [s],Kurbelwelle,Nockenwelle,Rauschen", cam, VOLTS[::-1]))
    recording = read(tmp_path / "w.csv")
    assert whole(recording)
    assert recording.cam_s is not None
    assert 5 <= recording.cam_s.size <= 8


@pytest.mark.parametrize(
    "kind",
    [
        "two alike",
        "one name twice",
        "counter",
        "slow",
        "text",
        "short",
        "time of day",
        "over its range",
        "no number",
    ],
)
def test_what_stays_open_is_asked(tmp_path: Path, kind: str):
    """Nothing is guessed between two channels that look alike, in a slow log or in a table of anything else."""
    file = tmp_path / "w.csv"
    rows = list(zip(TIME_S.tolist(), VOLTS.tolist(), strict=True))
    options = ReadOptions(time_column="Time") if kind == "no number" else ReadOptions()
    if kind == "two alike":
        text, asked = wide("Time,CH1,CH2", np.roll(VOLTS, 40)), "--crank-column"
    elif kind == "one name twice":
        cam = np.where(np.mod(CRANK.angle_deg(TIME_S), 720) < 60, 5.0, 0.0)
        cells = np.column_stack((TIME_S, cam, VOLTS)).tolist()
        text = "Time,Volt,Volt\n" + "".join(f"{a:.6f},{b:.2f},{c:.5f}\n" for a, b, c in cells)
        asked = "--crank-column"
    elif kind == "counter":
        text = "my_tick\n" + "".join(f"{round(t * 2e7)}\n" for t in TEETH_S.tolist())
        asked = "no time column"
    elif kind == "no number":
        text, asked = (
            "Time,CH1\n" + "".join(f"a{k},{v:.3f}\n" for k, (_, v) in enumerate(rows)),
            "no row of numbers",
        )
    elif kind == "slow":
        text = "Time (s),rpm\n" + "".join(f"{0.1 * k:.1f},{800 + k % 7}\n" for k in range(3000))
        asked = "--time-column"
    elif kind == "text":
        text = "name,place\n" + "".join(f"a{k},{k % 7}\n" for k in range(3000))
        asked = "no row of numbers"
    elif kind == "short":
        text, asked = "Time,CH1\n" + "".join(f"{t:.6f},{v:.5f}\n" for t, v in rows[:60]), "--time-column"
    elif kind == "time of day":
        text = "Time,CH1\n" + "".join(f"14:00:{t:09.6f},{v:.5f}\n" for t, v in rows)
        asked = "export the time in seconds"
    else:
        text = "Time,CH1\n" + "".join(
            f"{t:.6f},{v if k % 20000 != 19999 else '∞'}\n" for k, (t, v) in enumerate(rows)
        )
        asked = "over its range"
    file.write_text(text)
    with pytest.raises(InputError, match=asked) as told:
        read(file, options)
    assert "\n" not in str(told.value)


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


@pytest.mark.parametrize("crank_first", [True, False])
def test_the_crank_of_a_stereo_recording_is_told_by_its_edges(tmp_path: Path, crank_first: bool):
    """A cam pulse in two turns on the other channel; which plug went where is soon forgotten."""
    cam = np.where(np.mod(CRANK.angle_deg(TIME_S), 720) < 60, 0.8, 0.0)
    both = (VOLTS / np.abs(VOLTS).max() * 0.9, cam)
    frames = np.column_stack(both if crank_first else both[::-1])
    with wave.open(str(tmp_path / "w.wav"), "wb") as f:
        f.setnchannels(2)
        f.setsampwidth(2)
        f.setframerate(RATE_HZ)
        f.writeframes((frames * 32767).astype("<i2").tobytes())
    recording = read(tmp_path / "w.wav")
    assert whole(recording)
    assert any("Channel 2 is taken" in n for n in recording.notes) != crank_first
    # what is given is kept, and a recording of nothing is refused
    with wave.open(str(tmp_path / "e.wav"), "wb") as f:
        f.setparams((2, 2, RATE_HZ, 0, "NONE", ""))
    with pytest.raises(InputError, match="samples"):
        read(tmp_path / "e.wav")
    assert not whole(read(tmp_path / "w.wav", ReadOptions(crank_channel=2 if crank_first else 1)))


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


# name of the column, whether the row's number stands before it, times counted in, decimal comma
PERIODS = {
    "German, microseconds": ("Zahnzeit [µs]", True, 1e6, True),
    "milliseconds, alone": ("Zahnperiode (ms)", False, 1e3, True),
    "French, seconds": ("Période [s]", False, 1.0, False),
    "no unit": ("Tooth interval", True, 1e6, False),
}


@pytest.mark.parametrize("form", PERIODS)
def test_a_list_of_periods_under_a_name_of_its_own(tmp_path: Path, form: str):
    """The times of the edges but for the first, whose own time no list of periods holds."""
    name, numbered, per_s, comma = PERIODS[form]
    step = np.diff(TEETH_S)
    text = f"No;{name}\n" if numbered else f"{name}\n"
    rows = (f"{i};{d * per_s:.9g}\n" if numbered else f"{d * per_s:.9g}\n" for i, d in enumerate(step))
    body = "".join(rows)
    (tmp_path / "p.csv").write_text(text + (body.replace(".", ",") if comma else body), encoding="utf-8")
    recording = read(tmp_path / "p.csv")
    assert np.allclose(np.diff(recording.crank_s), step[1:], atol=2e-9)
    (said,) = [n for n in recording.notes if n.startswith("Columns taken:")]
    assert "since the edge before" in said


def test_a_named_crank_does_not_hide_the_time(tmp_path: Path):
    """With the crank's column named, or the signal's, the time of a foreign table is still found."""
    rows = zip(TIME_S.tolist(), VOLTS.tolist(), strict=True)
    body = "".join(f"{a * 1e3:.6g};{b:.5f};0.1\n" for a, b in rows)
    (tmp_path / "w.csv").write_text("Zeit [ms];Kanal A [V];Kanal B [V]\n" + body)
    assert whole(read(tmp_path / "w.csv", ReadOptions(crank_column="Kanal A")))
    names = ["cam" if k % 50 == 7 else "crank" for k in range(TEETH_S.size)]
    body = "".join(f"{t * 1e3:.7f};{n}\n" for t, n in zip(TEETH_S.tolist(), names, strict=True))
    (tmp_path / "e.csv").write_text("Zeit [ms];Signal\n" + body)
    for options in (ReadOptions(), ReadOptions(signal_column="Signal")):
        recording = read(tmp_path / "e.csv", options)
        assert recording.cam_s is not None
        assert recording.crank_s.size + recording.cam_s.size == TEETH_S.size
        assert recording.crank_s[0] == pytest.approx(TEETH_S[0], abs=1e-9)


def test_signals_of_other_names_are_told_what_to_be_called(tmp_path: Path):
    body = "".join(f"{t:.7f};{'NW' if k % 50 == 7 else 'KW'}\n" for k, t in enumerate(TEETH_S.tolist()))
    (tmp_path / "e.csv").write_text("Zeit [s];Signal\n" + body)
    with pytest.raises(InputError, match=r"'KW'.*crank, cam or cylinder1"):
        read(tmp_path / "e.csv")


@pytest.mark.parametrize("burst", [0, 7, 40])
def test_chatter_of_a_comparator_is_left_out_and_counted(tmp_path: Path, burst: int):
    """A reluctance pickup on a comparator without hysteresis: noise in the gap makes it chatter; each tooth stays one."""
    rng = np.random.default_rng(4)
    tooth = float(np.median(np.diff(TEETH_S)))
    rise, fall = TEETH_S, TEETH_S + 0.4 * tooth
    gap = np.flatnonzero(np.diff(TEETH_S) > 2 * tooth)
    noise = [
        TEETH_S[k] + 1.3 * tooth + np.sort(rng.uniform(0, 0.06 * burst, 2 * burst // 2 * 2)) * 1e-4
        for k in gap
    ]
    change = np.concatenate((rise, fall, *noise))
    level = np.concatenate(
        (np.ones(rise.size), np.zeros(fall.size), *(np.arange(n.size) % 2 == 0 for n in noise))
    )
    order = np.argsort(change, kind="stable")
    body = "".join(f"{t:.9f},{int(v)}\n" for t, v in zip(change[order], level[order], strict=True))
    (tmp_path / "logic.csv").write_text("Time [s],Channel 0\n0.0,0\n" + body)
    recording = read(tmp_path / "logic.csv", ReadOptions(edge="rising"))
    assert np.allclose(recording.crank_s, rise, atol=1e-8)
    said = [n for n in recording.notes if "chatter" in n]
    assert len(said) == (1 if burst else 0)
    if burst:
        assert said[0].startswith(f"{sum(n.size for n in noise)} changes")
