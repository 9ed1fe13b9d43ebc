"""Unusable input ends in one clear line on stderr and the right exit code, never in a traceback."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import numpy as np
import pytest

from misfire.cli import main


def log_text(positions: int = 60, missing: int = 2, turns: int = 30, rpm: float = 1500.0) -> str:
    k = np.arange(turns * positions)
    t = k[k % positions < positions - missing] * 60.0 / rpm / positions
    return "time_s\n" + "".join(f"{x + 0.01:.7f}\n" for x in t)


GOOD = log_text()
LINES = GOOD.splitlines(keepends=True)


def run(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], *args: str
) -> tuple[int, str, str]:
    """Run the command line in this process; (exit code, stdout, stderr)."""
    monkeypatch.setattr("sys.argv", ["misfire", *args])
    code: object = 0
    try:
        main()
    except SystemExit as end:
        code = end.code
    out, err = capfd.readouterr()
    return (code if isinstance(code, int) else 0 if code is None else 1), out, err


BAD: list[tuple[str, bytes, int, str]] = [
    ("empty.csv", b"", 2, "empty"),
    ("binary.csv", bytes(range(256)) * 40, 2, "neither text nor"),
    ("cut.csv.gz", gzip.compress(GOOD.encode())[:-200], 2, "truncated|unpacked"),
    ("no_time.csv", b"speed,signal\n1,crank\n2,crank\n", 2, "no time column"),
    (
        "back.csv",
        "".join([*LINES[:500], "0.02\n", *LINES[500:]]).encode(),
        2,
        "line 501: time goes backwards",
    ),
    ("nan.csv", "".join([*LINES[:500], "nan\n", *LINES[500:]]).encode(), 2, "line 501"),
    ("header.csv", b"time_s\n", 2, "no row of numbers"),
    ("no_crank.csv", b"time_s,signal\n0.1,cam\n0.2,cam\n0.3,cam\n", 2, "no crank edge"),
    ("ten.csv", "".join(LINES[:11]).encode(), 3, "fewer than two turns.*record"),
    ("one_turn.csv", "".join(LINES[:70]).encode(), 3, "fewer than two.*record"),
    ("other_wheel.csv", log_text(36, 1).encode(), 2, "60-2 does not fit the log: .*36-1"),
]


@pytest.mark.parametrize("command", ["analyse", "inspect"])
@pytest.mark.parametrize(("name", "content", "code", "message"), BAD, ids=[b[0] for b in BAD])
def test_bad_logs(tmp_path: Path, monkeypatch, capfd, command, name, content, code, message):
    file = tmp_path / name
    file.write_bytes(content)
    got, out, err = run(monkeypatch, capfd, command, str(file), "--engine", "inline4", "--wheel", "60-2")
    assert got == code, err
    assert out == ""
    one_line(err, message)


def one_line(err: str, message: str) -> None:
    assert "Traceback" not in err
    assert err.count("\n") == 1, err
    assert err.startswith("misfire: ")
    assert re.search(message, err), err


def test_a_folder_and_a_missing_file(tmp_path: Path, monkeypatch, capfd):
    code, _, err = run(monkeypatch, capfd, "analyse", str(tmp_path), "--engine", "inline4")
    assert code == 2
    one_line(err, "is a folder")
    code, _, err = run(monkeypatch, capfd, "analyse", str(tmp_path / "none.csv"), "--engine", "inline4")
    assert code == 2
    one_line(err, "none.csv.*cannot be opened")


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["--engine", "inlin4"], "did you mean inline4"),
        ([], "no engine given"),
        (["--engine", "inline4", "--firing-order", "1-3-4-4"], "every cylinder from 1 to 4 once"),
        (["--engine", "inline4", "--firing-order", "1-3-2"], "names 3 cylinders"),
        (["--engine", "inline4", "--wheel", "sixty"], "60-2"),
        (["--engine", "inline4", "--wheel", "60-2", "--first-tooth", "400"], "0 to 360"),
        (["--engine", "inline4", "--known-cut", "3"], "cylinder@from-to"),
        (["--engine", "inline4", "--known-cut", "9@1-2"], "cylinder must exist"),
        (["--engine", "inline4", "--codes", "X9"], "no trouble code"),
        (["--engine", "inline4", "--edge", "up"], "rising or falling"),
        (["--engine", "inline4", "--counts", "none.csv"], "none.csv"),
        (["--engine", "inline4", "--channels", "none.csv"], "none.csv"),
    ],
)
def test_wrong_options(tmp_path: Path, monkeypatch, capfd, args, message):
    file = tmp_path / "log.csv"
    file.write_text(GOOD)
    code, out, err = run(monkeypatch, capfd, "analyse", str(file), *args)
    assert code == 2, err
    assert out == ""
    one_line(err, message)


def test_a_wrong_engine_file_names_the_key(tmp_path: Path, monkeypatch, capfd):
    log, engine = tmp_path / "log.csv", tmp_path / "engine.toml"
    log.write_text(GOOD)
    for text, message in (
        ("[engine]\nfiring_ordr = [1, 3, 4, 2]\n", "did you mean 'firing_order'"),
        (
            "[engine]\nfiring_order = [1, 3, 4, 2]\nbore_mm = -3\n",
            "bore_mm = -3: give a number from 20 to 300",
        ),
        ("[engine\n", "not valid TOML"),
    ):
        engine.write_text(text)
        code, _, err = run(monkeypatch, capfd, "analyse", str(log), "--engine", str(engine))
        assert code == 2
        one_line(err, message)


@pytest.mark.parametrize("turns", [3, 4, 5, 6, 12])
def test_a_very_short_log_is_answered_undetermined(tmp_path: Path, monkeypatch, capfd, turns: int):
    """Two turns and more can be numbered: an answer with exit 0, and every requested file written."""
    file, result = tmp_path / "log.csv", tmp_path / "result.json"
    events = tmp_path / "events.csv"
    file.write_text(log_text(turns=turns))
    args = ["--engine", "inline4", "--wheel", "60-2", "--first-tooth", "100"]
    code, out, err = run(
        monkeypatch, capfd, "analyse", str(file), *args, "--json", str(result), "--events", str(events)
    )
    assert code == 0, err
    assert "Traceback" not in err
    assert out
    assert json.loads(result.read_text())["verdict"]["status"] == "undetermined"
    head = events.read_text().splitlines()[0]
    assert head.startswith("event,turn,time_s,cylinder,rpm,load_pct,acceleration_rad_s2,lost_work,state")


def test_json_on_stdout_is_json_alone(tmp_path: Path, monkeypatch, capfd):
    file = tmp_path / "log.csv"
    file.write_text(log_text(turns=12))
    code, out, _ = run(monkeypatch, capfd, "analyse", str(file), "--engine", "inline4", "--json", "-")
    assert code == 0
    assert json.loads(out)["format"] == "misfire-analysis"


def test_an_output_that_cannot_be_written(tmp_path: Path, monkeypatch, capfd):
    file = tmp_path / "log.csv"
    file.write_text(log_text(turns=12))
    target = tmp_path / "no_such_folder" / "result.json"
    code, _, err = run(monkeypatch, capfd, "analyse", str(file), "--engine", "inline4", "--json", str(target))
    assert code == 2
    assert "Traceback" not in err
    assert "no_such_folder" in err
