"""Damaged, foreign and hostile files end in a recording or in one clear line, never in anything else."""

from __future__ import annotations

import gzip
import time
from pathlib import Path

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.intake import ReadOptions, parse_codes, read, read_channels, read_counts

GOOD = "time_s,signal\n" + "".join(f"{k * 0.0003:.7f},crank\n" for k in range(400))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"  \n\n", "blanks"),
        (bytes(range(256)) * 40, "neither text nor"),
        (gzip.compress(GOOD.encode())[:-40], "truncated|unpacked"),
        (b"time_s,signal\n", "no row of numbers"),
        (b"speed,signal\n1,crank\n2,crank\n", "no time column"),
        (b"time_s\n0.1\n0.2\n0.15\n0.3\n", "line 4: time goes backwards"),
        (b"time_s\n0.1\n0.1\n0.2\n", "line 3: two crank edges at the same time"),
        (b"time_s\n0.1\nnan\n0.2\n", "line 3: time_s"),
        (b"time_s\n0.1\ninf\n0.2\n", "line 3: time_s"),
        (b"time_s\n0.1\nabc\n0.2\n", "line 3: time_s is 'abc'"),
        (b"time_s,signal\n0.1,crank\n0.2,valve\n", "line 3: signal 'valve'"),
        (b"time_s\n0.1\n0.2\n3.4028234663852886e38\n0.3\n", "line 5: time goes backwards"),
        (b"tick\n1\n2\n3\n", "clock_hz"),
        (b"# clock_hz = fast\ntick\n1\n2\n3\n", "clock_hz = fast"),
        (b"period_us\n100\n0\n100\n", "line 3: a period must be above zero"),
        (b"time_s,signal\n0.1,cam\n0.2,cam\n", "no crank edge"),
        (b"time_s\n0.1\n0.2\x00\n", "nul byte|no table|neither"),
        (b"time_s,crank_v\n0,1\n0.1,1\n0.2,1\n0.3,1\n", "no crank edge"),
        (b"crank_v\n0\n1\n0\n1\n", "sampling rate"),
        (b"1," * 6_000_000, "line is longer|header line"),
    ],
)
def test_one_clear_line(tmp_path: Path, content, message):
    file = tmp_path / "log.csv"
    file.write_bytes(content)
    with pytest.raises(InputError, match=message) as caught:
        read(file)
    assert "\n" not in str(caught.value)


def test_folders_and_missing_files(tmp_path: Path):
    with pytest.raises(InputError, match="is a folder"):
        read(tmp_path)
    with pytest.raises(InputError, match="cannot be opened"):
        read(tmp_path / "none.csv")


def test_a_packed_bomb_is_bounded(tmp_path: Path):
    file = tmp_path / "bomb.csv.gz"
    line = b"0.000000000000000000000000000000\n" * 30_000
    with gzip.open(file, "wb", compresslevel=9) as f:
        f.write(b"time_s\n")
        for _ in range(300):
            f.write(line)
    begin = time.process_time()
    with pytest.raises(InputError, match="times its size"):
        read(file)
    assert time.process_time() - begin < 10


def test_channels(tmp_path: Path):
    file = tmp_path / "c.csv"
    file.write_text("time_s,coolant_f,vehicle_mph,fuel_cut,lambda\n0,212,60,0,1\n1,32,,1,1\n")
    channels = read_channels(file)
    # boiling and freezing point of water; a mile is 1.609344 km by definition
    np.testing.assert_allclose(channels.values["coolant_c"], [100.0, 0.0], atol=1e-12)
    assert channels.values["vehicle_kmh"][0] == pytest.approx(96.56064)
    assert np.isnan(channels.values["vehicle_kmh"][1])
    assert "lambda" in channels.notes[0]
    for text, message in (
        ("time_s,cooland_c\n0,1\n", "did you mean coolant_c"),
        ("time_s,load_pct\n0,1\n1,9000\n", "line 3: load_pct is 9000, outside"),
        ("time_s,fuel_cut\n0,2\n", "neither 0 nor 1"),
        ("time_s,load_pct\n1,1\n0,1\n", "line 3: time_s goes backwards"),
    ):
        file.write_text(text)
        with pytest.raises(InputError, match=message):
            read_channels(file)


def test_counts(tmp_path: Path):
    a, b = tmp_path / "a.txt", tmp_path / "b.txt"
    a.write_text("# monitor_ran = yes\ncylinder,misfires\n1,5\n2,0\n")
    assert read_counts(str(a)).misfires == {1: 5, 2: 0}
    assert read_counts(str(a)).monitor_ran is True
    # layout of SAE J1979 service $06, restated: 46 MID TID unit value minimum maximum
    a.write_text("46 A2 0B 24 00 09 00 00 FF FF\n46 A2 0C 24 00 05 00 00 FF FF\n")
    b.write_text("46A20C24001500 00FFFF\n")
    alone = read_counts(str(a))
    assert alone.misfires is None and alone.totals == {1: 5} and alone.kind == "driving_cycle"  # noqa: PT018
    assert read_counts(f"{a},{b}").misfires == {1: 16}
    a.write_text("time_s,cylinder,misfires\n0,1,5\n1,1,9\n2,1,3\n0,2,100\n9,2,255\n")
    running = read_counts(str(a))
    assert running.misfires == {1: 7, 2: 155} and running.at_least == (1, 2)  # noqa: PT018
    a.write_text("cylinder,misfires\n1,-5\n")
    with pytest.raises(InputError, match="line 2: misfires is '-5'"):
        read_counts(str(a))
    assert parse_codes("P0300, p0302") == ("P0300", "P0302")
    with pytest.raises(InputError, match="no trouble code"):
        parse_codes("X9")


def test_edge_times_with_digits_lost_read_as_samples_end_in_a_word(tmp_path: Path) -> None:
    # a column of edge times [us] that no longer grows passes for a signal when a sampling rate is given
    notes = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rows = [f"{t:.1f}" for t in 4e5 + np.cumsum(rng.uniform(900.0, 1300.0, 200))]
        for k in np.flatnonzero(rng.random(200) < 0.2):
            digit = int(rng.integers(0, len(rows[k])))
            rows[k] = rows[k][:digit] + rows[k][digit + 1 :]
        path = tmp_path / f"digits_{seed}.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        try:
            notes.append(" ".join(read(path, ReadOptions(sample_rate_hz=1e5)).notes))
        except InputError as e:
            notes.append(str(e))
    assert all("do not stand where" in n or "no crank edge" in n or "line" in n for n in notes), notes
