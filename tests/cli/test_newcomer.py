"""What a first user stumbles over: files overwritten, a unit not given, names that say the wrong thing."""

from __future__ import annotations

from pathlib import Path

import pytest

from misfire.cli.output import columns, say
from tests.cli.test_errors import LINES, run


def test_simulate_does_not_write_over_an_engine_file_of_ones_own(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "engine.toml").write_text("mine")
    code, out, err = run(monkeypatch, capfd, "simulate", "single_cylinder", "--out", str(tmp_path))
    assert (code, out) == (2, "")
    assert "holds engine.toml of your own" in err
    assert (tmp_path / "engine.toml").read_text() == "mine"
    other = tmp_path / "new"
    for _ in range(2):  # what a simulation wrote, the next one replaces
        assert run(monkeypatch, capfd, "simulate", "single_cylinder", "--out", str(other))[0] == 0


def test_simulate_into_a_file_says_what_was_given(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "log.csv").write_text("x")
    code, _, err = run(monkeypatch, capfd, "simulate", "single_cylinder", "--out", str(tmp_path / "log.csv"))
    assert code == 2
    assert "give another --out folder" in err
    assert ".log.csv." not in err  # no name that the user never gave


def test_a_name_far_from_all_gets_no_suggestion(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert "did you mean" not in run(monkeypatch, capfd, "simulate", "nonsense", "--out", str(tmp_path))[2]
    near = run(monkeypatch, capfd, "simulate", "helthy_i4", "--out", str(tmp_path))[2]
    assert "did you mean 'healthy_i4'" in near


@pytest.mark.parametrize(
    "words",
    [
        ["analyse", "log.csv", "--engine", "inline4"],
        ["compare", "log.csv", "log.csv", "--engine", "inline4"],
        ["survey", "log.csv", "--engine", "inline4"],
    ],
)
def test_a_report_that_is_no_page_by_its_name_is_refused_before_the_work(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path, words: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(monkeypatch, capfd, *words, "--report", "out.pdf")
    assert code == 2
    assert "--report out.pdf: a report is a page; end its name with .html" in err
    assert not (tmp_path / "out.pdf").exists()


@pytest.mark.parametrize("header", ["Zeit", "t"])
def test_a_unit_that_is_not_told_is_asked_for_and_taken_from_the_option(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path, header: str
) -> None:
    """Milliseconds under a header of the logger's own: as seconds the teeth of 1500 1/min stand 0.67 s apart."""
    path = tmp_path / "own.csv"
    path.write_text(header + "\n" + "".join(f"{1e3 * float(x):.4f}\n" for x in LINES[1:]))
    code, _, err = run(monkeypatch, capfd, "inspect", str(path), "--time-column", header)
    assert code == 2
    assert "read as seconds puts the edges 0.667 s apart" in err
    assert f"--time-column '{header} [ms]'" in err
    code, out, _ = run(monkeypatch, capfd, "inspect", str(path), "--time-column", f"{header} [ms]")
    assert code == 0
    assert "1500 to 1500 rpm" in out


def test_text_keeps_to_a_narrow_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert columns() == 80  # no terminal
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    for given, used in (("40", 40), ("60", 60), ("300", 80), ("10", 40)):
        monkeypatch.setenv("COLUMNS", given)
        assert columns() == used
        say("word " * 40)
        assert max(map(len, capsys.readouterr().out.splitlines())) <= used


def test_the_list_of_engines_ends_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    out = run(monkeypatch, capfd, "engines")[1]
    last = out.split("\n\n")[-1].splitlines()
    assert all(len(line) > 50 for line in last[:-1])  # broken at the width, not in mid-sentence
