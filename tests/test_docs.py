"""README and docstrings hold what they promise: every command shown, every shown line runs, every name told."""

from __future__ import annotations

import inspect
import itertools
import re
import shlex
import shutil
from pathlib import Path

import pytest
import typer

import misfire
from misfire.cli import app, main

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "datasets" / "demo"
MANUAL = (ROOT / "README.md").read_text("utf-8")
FILES = (
    "before.csv.gz", "after.csv.gz", "engine.toml", "before_channels.csv", "before_counts.csv",
    "after_channels.csv", "after_counts.csv", "two_faults.csv.gz", "before_job.toml",
)  # fmt: skip


def console_lines(text: str) -> list[str]:
    """The `$ misfire ...` lines of fenced console blocks, in order, lines continued with a backslash joined."""
    lines = []
    for block in re.findall(r"^```console\n(.*?)^```", text, re.M | re.S):
        joined = re.sub(r"\\\n\s*(?:> )?", "", block)
        lines += [s[2:].strip() for s in joined.splitlines() if s.startswith("$ misfire")]
    return lines


LINES = console_lines(MANUAL)
COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def test_console_lines_are_taken_from_console_blocks_only() -> None:
    text = "```\n$ misfire no\n```\n\n```console\n$ misfire a \\\n    --b\nanswer\n$ ls\n$ misfire c\n```\n"
    assert console_lines(text) == ["misfire a --b", "misfire c"]


def test_every_command_has_an_example() -> None:
    assert len(COMMANDS) >= 9
    shown = {line.split()[1] for line in LINES if len(line.split()) > 1}
    assert set(COMMANDS) - shown == set()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of somebody who follows README: the demonstration files, and what earlier lines wrote."""
    folder = tmp_path_factory.mktemp("shop")
    for name in FILES:
        shutil.copy(DEMO / name, folder / name)
    return folder


@pytest.fixture
def inside(shop: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(shop)
    return shop


def run(line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run a line of the manual, and before it those that write what it reads: tests run in any order."""
    words = shlex.split(line, comments=True)
    for name in (part for word in words for part in word.split(",")):
        if name not in named_files(words) and not Path(name).exists() and name in WRITTEN:
            run(WRITTEN[name], monkeypatch)
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code in (0, None)


@pytest.mark.parametrize("line", LINES)
def test_every_line_of_the_manual_runs(line: str, inside: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = shlex.split(line, comments=True)
    assert not {"|", ">", ">>", "&&", ";", "*"} & set(words), "an example is one plain command"
    run(line, monkeypatch)
    for name in named_files(words):
        assert (inside / name).exists(), f"{name} was promised and not written"


def test_the_manual_shows_python_that_runs(inside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocks = re.findall(r"^```python\n(.*?)^```", MANUAL, re.M | re.S)
    assert blocks
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert "crank wheel's pattern is off" in said
    assert "cylinder" in said


def test_the_manuals_samples_of_files_are_read(tmp_path: Path) -> None:
    """The samples of an engine, a job and a counts file are such files."""
    import tomllib

    from misfire.intake import read_counts

    samples = [text for _, text in re.findall(r"^```(\w*)\n(.*?)^```$", MANUAL, re.M | re.S)]
    engine = next(s for s in samples if "[engine]" in s)
    job = next(s for s in samples if s.startswith("number ="))
    counts = next(s for s in samples if "cylinder,misfires" in s)
    for name, text in (("e.toml", engine), ("c.csv", counts)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert misfire.Engine.load(str(tmp_path / "e.toml")).firing_order == (1, 3, 4, 2)
    assert read_counts(str(tmp_path / "c.csv")).misfires == {1: 0, 2: 390}
    assert tomllib.loads(job)["codes"] == ["P0300", "P0303", "P0304"]


def named_files(words: list[str]) -> list[str]:
    """Files that a line says it writes."""
    writes = {"--json", "--events", "--report", "--save", "--out"}
    return [b for a, b in itertools.pairwise(words) if a in writes and b != "-"]


# file -> the first line that writes it
WRITTEN = {name: line for line in reversed(LINES) for name in named_files(shlex.split(line, comments=True))}


def test_every_public_name_has_a_docstring() -> None:
    names = [n for n in misfire.__all__ if n != "__version__"]
    assert len(names) >= 10
    for name in names:
        thing = getattr(misfire, name)
        # a dataclass without one gets its signature as docstring, which says nothing
        told = inspect.cleandoc(thing.__doc__ or "")
        assert told, name
        assert not told.startswith(f"{name}("), name
        if inspect.isclass(thing):
            for key, member in vars(thing).items():
                if key.startswith("_") or not (inspect.isfunction(member) or isinstance(member, property)):
                    continue
                assert (member.__doc__ or "").strip(), f"{name}.{key}"


def test_the_package_itself_is_told() -> None:
    assert "crank" in (misfire.__doc__ or "")


def test_the_drawing_of_the_house_names_every_room() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    house = text.split("## The house")[1].split("## How data walks")[0]
    rooms = {
        p.name + ("/" if p.is_dir() else "")
        for p in (ROOT / "misfire").iterdir()
        if not p.name.startswith("__") and (p.suffix == ".py" or any(p.glob("*.py")))
    }
    assert len(rooms) > 15
    assert {r for r in rooms if r not in house} == set()


def test_files_named_for_contributors_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = re.findall(r"python -m pytest ([a-z_/. ]+)", text)
    paths = [w for names in named for w in names.split() if w.startswith("tests")]
    paths += re.findall(r"`((?:tests|intake|report|cli|simulate)/[a-z_/]+(?:\.py)?)`", text)
    assert len(paths) > 8
    missing = [p for p in paths if not (ROOT / p).exists() and not (ROOT / "misfire" / p).exists()]
    assert missing == []


def test_pictures_of_the_manual_are_there_small_and_fit_for_the_dark() -> None:
    shown = re.findall(r"!\[(.+)\]\((\S+)\)", MANUAL)
    assert shown
    for words, path in shown:
        picture = ROOT / path
        assert len(words) > 20
        assert picture.stat().st_size < 200_000
        assert "prefers-color-scheme:dark" in picture.read_text("utf-8")
