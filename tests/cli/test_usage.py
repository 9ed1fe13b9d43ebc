"""Wrong usage: exit code 2 and one line that says what and where to look; folders are made where asked for."""

from __future__ import annotations

import re

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
        (["analyse", "x.csv", "--first-tooth", "abc"], "number"),
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
