"""No command destroys what it reads, nor one of its results with another."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from misfire.cli import main
from misfire.cli.saved import load_job

DEMO = Path(__file__).resolve().parents[2] / "datasets" / "demo"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for path in DEMO.glob("before*"):
        shutil.copy(path, tmp_path)
    shutil.copy(DEMO / "engine.toml", tmp_path)
    (tmp_path / "wheel.json").write_text("{}", encoding="utf-8")
    (tmp_path / "first.txt").write_text("46 A2 0B 24 00 09 00 00 FF FF\n", encoding="utf-8")
    (tmp_path / "linked.csv.gz").symlink_to("before.csv.gz")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def state(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("analyse before.csv.gz --engine engine.toml --json before.csv.gz", "--json before.csv.gz: this command reads"),
        ("analyse before.csv.gz --engine engine.toml --json ./linked.csv.gz", "this command reads"),
        ("analyse before.csv.gz --engine engine.toml --channels before_channels.csv --events before_channels.csv", "this command reads"),
        ("analyse before.csv.gz --engine engine.toml --counts first.txt,before_counts.csv --events before_counts.csv", "this command reads"),
        ("analyse before.csv.gz --engine engine.toml --job before_job.toml --json before_job.toml", "this command reads"),
        ("analyse before.csv.gz --engine engine.toml --report a.html --json a.html", "--report writes to the same file|--json writes to the same file"),
        ("inspect before.csv.gz --json before.csv.gz", "this command reads"),
        ("inspect before.csv.gz --cam-file first.txt --json first.txt", "this command reads"),
        ("pattern before.csv.gz --engine engine.toml --save engine.toml", "this command reads"),
        ("pattern before.csv.gz --engine engine.toml --against wheel.json --save wheel.json", "this command reads"),
        ("compare before.csv.gz before.csv.gz --engine engine.toml --json before.csv.gz", "this command reads"),
        ("ready before_channels.csv --json before_channels.csv", "this command reads"),
        ("survey . --json before.csv.gz", "this command reads"),
        ("survey . --json before_counts.csv", "this command reads"),
        ("survey . --json engine.toml", "this command reads"),
        ("survey . --out before_counts.csv", "no table of a survey"),
        ("survey before.csv.gz --out m.csv --report m.html --json m.csv", "writes to the same file"),
    ],
)  # fmt: skip
def test_an_output_that_is_an_input_is_refused_and_nothing_changes(
    line: str, message: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = state(folder)
    monkeypatch.setattr("sys.argv", ["misfire", *line.split()])
    with pytest.raises(SystemExit) as end:
        main()
    err = capsys.readouterr().err
    assert end.value.code == 2
    assert err.count("\n") == 1
    assert [m for m in message.split("|") if m in err], err
    assert state(folder) == before


def test_a_job_key_that_looks_misspelt_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Any key is printed; of one that is nearly a known one it is said."""
    (folder / "job.toml").write_text('nubmer = "7"\nbay = "2"\nparts = ["coil"]\n', encoding="utf-8")
    assert load_job("job.toml") == {"nubmer": "7", "bay": "2", "parts": ["coil"]}
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "nubmer is printed as it stands; did you mean number?" in said


def test_a_result_may_be_written_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        monkeypatch.setattr("sys.argv", ["misfire", "ready", "before_channels.csv", "--json", "ready.json"])
        with pytest.raises(SystemExit) as end:
            main()
        assert end.value.code in (0, None)
    assert (folder / "ready.json").read_text("utf-8").startswith("{")
