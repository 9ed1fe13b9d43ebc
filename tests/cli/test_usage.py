"""Wrong usage: exit code 2 and one line that says what and where to look; folders are made where asked for."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from misfire.cli import app, main


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["analyse"], "log.*misfire analyse --help"),
        (["compare", "before.csv"], "after.*misfire compare --help"),
        (["nonsense"], "nonsense.*misfire --help"),
        (["analyse", "x.csv", "--nonsense"], "--nonsense.*misfire analyse --help"),
        (["analyse", "x.csv", "--first-tooth", "abc"], "first-tooth.*(number|float)"),
        (["triage"], "codes"),
    ],
)
def test_wrong_usage_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], args: list[str], message: str
) -> None:
    monkeypatch.setattr("sys.argv", ["misfire", *args])
    with pytest.raises(SystemExit) as end:
        main()
    out, err = capsys.readouterr()
    assert end.value.code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert re.search(message, err, re.I), err


def test_no_command_shows_the_help(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["misfire"])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    assert "analyse" in capsys.readouterr().err


COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_and_argument_says_what_it_is_for(name: str) -> None:
    parts = COMMANDS[name].params
    assert parts
    assert [p.name for p in parts if len((getattr(p, "help", None) or "").strip()) < 8] == []


@pytest.mark.parametrize(
    ("given", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True)]
)
def test_colour_on_a_terminal_and_not_against_no_color(given: dict[str, str], coloured: bool) -> None:
    """NO_COLOR as no-color.org says it: set and not empty means none."""
    root = Path(__file__).resolve().parents[2]
    demo = root / "datasets" / "demo"
    env = (
        {k: v for k, v in os.environ.items() if k != "NO_COLOR"}
        | given
        | {"PYTHONPATH": str(root), "TERM": "xterm"}
    )
    master, slave = pty.openpty()
    words = [
        sys.executable,
        "-m",
        "misfire",
        "analyse",
        str(demo / "before.csv.gz"),
        "--engine",
        str(demo / "engine.toml"),
    ]
    with subprocess.Popen(words, stdout=slave, stderr=subprocess.DEVNULL, env=env) as running:
        os.close(slave)
        shown = b""
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # the other end is closed
                break
            shown += part
            if not part:
                break
        assert running.wait() == 0
    os.close(master)
    assert b"FOUND" in shown
    assert (b"\x1b[" in shown) is coloured


def commands() -> list[str]:
    return [c.name or (c.callback.__name__ if c.callback else "") for c in app.registered_commands]


@pytest.mark.parametrize("name", commands())
def test_every_help_shows_an_example_of_its_own_options(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    monkeypatch.setattr("sys.argv", ["misfire", name, "--help"])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code in (0, None)
    told = " ".join(capsys.readouterr().out.split())
    example = re.search(r"Example: misfire (\S+)( .*?) (?:Arguments|Options|Without)", told)
    assert example is not None
    assert example[1] == name
    options = told[told.index(" Options: ") :]
    for flag in re.findall(r"--[a-z-]+", example[2]):
        assert flag in options, flag


def test_a_long_list_of_codes_is_no_file_name(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command line is recorded with the names of its files; what is longer than a file's name is none."""
    demo = Path(__file__).parents[2] / "datasets" / "demo"
    words = [str(demo / "before.csv.gz"), "--engine", str(demo / "engine.toml"), "--json", "-"]
    monkeypatch.setattr("sys.argv", ["misfire", "analyse", *words, "--codes", ",".join(["P0300"] * 2000)])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code in (0, None)
    told = json.loads(capsys.readouterr().out)["command"]
    assert told.startswith("misfire analyse before.csv.gz --engine engine.toml --codes P0300,P0300")
