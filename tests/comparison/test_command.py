"""The three commands around the comparison, with analyses handed in instead of logs."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from misfire.engine import Wheel
from misfire.errors import InputError

from .conftest import make_log

# The command line's own part is tested here; the analysis behind it has tests of its own.
LOGS = {
    "bad.csv": lambda: make_log(1, misfire={2: 0.06}),
    "good.csv": lambda: make_log(2),
    "good2.csv": lambda: make_log(5),
    "moved.csv": lambda: make_log(3, misfire={4: 0.06}),
    "other.csv": lambda: make_log(4, order=(1, 2, 3)),
}


@dataclass(frozen=True)
class _Options:
    engine: Any = None
    channels: Any = None
    counts: Any = None
    codes: tuple[str, ...] = ()
    known_cuts: tuple[Any, ...] = ()
    pattern: Any = None
    read: Any = None
    like: Any = None
    also: Any = None


class _Log:
    """No edges: nothing to hear the number of cylinders from."""

    def __init__(self) -> None:
        self.crank = SimpleNamespace(
            time_s=np.full((1, 58), np.nan),
            block=np.zeros(1, dtype=np.int64),
            wheel=Wheel.from_label("60-2"),
        )


class _Analysis:
    def __init__(self, name: str) -> None:
        side = LOGS[name]()
        self.logs = (_Log(),)
        self.events, self.engine, self._result = side.events, side.engine, side.result

    def to_dict(self) -> dict[str, Any]:
        return self._result


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[tuple[list[str], _Options]]:
    seen: list[tuple[list[str], _Options]] = []

    def analyse_files(paths: list[str], options: _Options) -> _Analysis:
        seen.append((paths, options))
        return _Analysis(paths[0])

    stub = ModuleType("misfire.pipeline")
    stub.AnalyseOptions, stub.analyse_files = _Options, analyse_files  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "misfire.pipeline", stub)
    return seen


def run(name: str, *arguments: str) -> Any:
    module = __import__(f"misfire.cli.{name}", fromlist=[name])
    app = typer.Typer()
    app.command()(getattr(module, name))
    extra = ["--engine", "inline4"] if name == "compare" else []
    return CliRunner().invoke(app, [*arguments, *extra])


def test_compare_writes_json_alone_to_stdout(calls: list[Any]) -> None:
    got = run("compare", "bad.csv", "good.csv", "--json", "-")
    assert got.exit_code == 0
    assert json.loads(got.stdout)["verdict"]["answer"] == "cleared"
    assert [c[0] for c in calls] == [["bad.csv"], ["good.csv"]]


def test_compare_prints_and_writes_files(calls: list[Any], tmp_path: Path) -> None:
    out, page = tmp_path / "c.json", tmp_path / "c.html"
    got = run(
        "compare", "bad.csv", "moved.csv", "--swapped", "2-4", "--json", str(out), "--report", str(page)
    )
    assert got.exit_code == 0
    assert "moved" in got.stdout
    assert max(len(line) for line in got.stdout.splitlines()) <= 80
    result = json.loads(out.read_text("utf-8"))
    assert (result["verdict"]["answer"], result["swapped"]) == ("moved", [2, 4])
    assert page.read_text("utf-8").lstrip().lower().startswith("<!doctype html>")


def test_job_facts_stand_on_the_page(calls: list[Any], tmp_path: Path) -> None:
    facts, page = tmp_path / "job.toml", tmp_path / "c.html"
    facts.write_text('customer = "Adler, J."\norder = "4711"\n', "utf-8")
    got = run("compare", "bad.csv", "good.csv", "--job", str(facts), "--report", str(page))
    assert got.exit_code == 0, got.exception
    assert "4711" in page.read_text("utf-8")
    assert "Adler" in page.read_text("utf-8")


def table(path: Path, **counts: int) -> str:
    """A file of controller counts, c2=7 for cylinder 2."""
    rows = [f"{name[1:]},{n}" for name, n in counts.items()]
    path.write_text("\n".join(["# monitor_ran = yes", "cylinder,misfires", *rows]) + "\n", "utf-8")
    return str(path)


def reading(path: Path, **counts: int) -> str:
    """Service $06 response lines: MID $A1 + cylinder, TID $0C, unit $24 (layout as in SAE J1979, restated)."""
    rows = [
        f"46 {0xA1 + int(c[1:]):02X} 0C 24 {n >> 8:02X} {n & 255:02X} 00 00 FF FF" for c, n in counts.items()
    ]
    path.write_text("\n".join(["# monitor_ran = yes", *rows]) + "\n", "utf-8")
    return str(path)


def test_several_logs_channels_and_counts_are_paired(calls: list[Any], tmp_path: Path) -> None:
    one, two = table(tmp_path / "1.csv", c2=7), table(tmp_path / "2.csv", c2=9)
    first, second = reading(tmp_path / "1.txt", c2=5), reading(tmp_path / "2.txt", c2=12)
    got = run(
        "compare",
        "bad.csv,bad.csv",
        "good.csv",
        "--channels-before",
        "a.csv,b.csv",
        "--counts-before",
        f"{one},{two}",
        "--counts-after",
        f"{first},{second}",
        "--json",
        "-",
    )
    assert got.exit_code == 0, got.exception
    assert [(c[1].channels, c[1].counts) for c in calls] == [
        ("a.csv", one),
        ("b.csv", two),
        (None, f"{first},{second}"),
    ]
    row = json.loads(got.stdout)["cylinders"][1]
    assert (row["before"]["reported"], row["after"]["reported"]) == (16, 7)


@pytest.mark.parametrize("kind", ["table", "two readings"])
def test_counts_may_cover_a_whole_side(calls: list[Any], tmp_path: Path, kind: str) -> None:
    counts = table(tmp_path / "s.csv", c2=70)
    if kind == "two readings":
        counts = f"{reading(tmp_path / '1.txt', c2=30)},{reading(tmp_path / '2.txt', c2=100)}"
    got = run("compare", "bad.csv,bad.csv", "good.csv", "--counts-before", counts, "--json", "-")
    assert got.exit_code == 0, got.exception
    # no single log is judged with counts that belong to both
    assert [c[1].counts for c in calls] == [None, None, None]
    row = json.loads(got.stdout)["cylinders"][1]
    assert (row["before"]["reported"], row["after"]["reported"]) == (70, None)


def test_one_reading_is_shown_and_not_compared(calls: list[Any], tmp_path: Path) -> None:
    alone = reading(tmp_path / "1.txt", c2=500)
    got = run("compare", "good.csv", "good2.csv", "--counts-before", alone, "--json", "-")
    assert got.exit_code == 0, got.exception
    out = json.loads(got.stdout)
    assert out["judged_on"] == "found"
    assert out["cylinders"][1]["before"]["reported"] is None
    assert any("driving cycle" in r for r in out["verdict"]["reasons"])


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (["bad.csv", "good.csv", "--swapped", "two"], "name two cylinders"),
        (["bad.csv", "good.csv", "--swapped", "2-9"], "two different cylinders"),
        (["bad.csv", "good.csv", "--freeze-frame", "46pct"], "write speed and load"),
        (["bad.csv", "other.csv"], "4 cylinders in one log and 3"),
        (["bad.csv,bad.csv", "good.csv", "--channels-before", "a.csv"], "1 files for 2 logs"),
        (
            ["bad.csv,bad.csv,bad.csv", "good.csv", "--counts-before", "a.csv,b.csv"],
            "a.csv: cannot be opened",
        ),
        (["bad.csv", "good.csv", "--job", "nowhere.toml"], "nowhere.toml: no such file"),
        (["bad.csv", "good.csv", "--firing-order", "x"], "1-3-4-2"),
    ],
)
def test_compare_refuses_in_one_line(calls: list[Any], arguments: list[str], match: str) -> None:
    got = run("compare", *arguments)
    assert isinstance(got.exception, InputError)
    assert match in str(got.exception)
    assert "\n" not in str(got.exception)
    assert got.stdout == ""


def test_triage_prints_and_writes(tmp_path: Path) -> None:
    got = run("triage", "P0300", "P0302", "P0305", "--engine", "v6")
    assert got.exit_code == 0
    assert "companions" in got.stdout
    assert max(len(line) for line in got.stdout.splitlines()) <= 80
    alone = run("triage", "P0300,P0302", "--json", "-")
    assert json.loads(alone.stdout)["format"] == "misfire-triage"


def test_ready_reads_channels_in_fahrenheit(tmp_path: Path) -> None:
    path = tmp_path / "ch.csv"
    rows = [f"{t / 2},{170 + t / 100},{115},{2500},0" for t in range(200)]
    path.write_text("time_s,coolant_f,transmission_f,speed_rpm,fuel_cut\n" + "\n".join(rows) + "\n", "utf-8")
    got = run("ready", str(path), "--json", "-")
    assert got.exit_code == 0, got.exception
    assert json.loads(got.stdout)["ready"] is True
    got = run("ready", str(path), "--coolant-min", "180F")
    assert got.exit_code == 0
    assert "Not ready" in got.stdout
    assert max(len(line) for line in got.stdout.splitlines()) <= 80
    got = run("ready", str(path), "--warm-rpm", "fast")
    assert isinstance(got.exception, InputError)


def saved(path: Path, moved_deg: float = 0.0, positions: int = 60) -> str:
    """A saved pattern of a wheel with two missing teeth; the tooth at position 17 may have moved."""
    teeth: list[float | None] = [0.01 * (-1) ** p for p in range(positions)]
    teeth[17] = 0.01 + moved_deg
    teeth[-2:] = [None, None]
    wheel = {"label": f"{positions}-2", "positions": positions, "missing": [positions - 2, positions - 1]}
    data = {
        "format": "misfire-pattern",
        "version": 1,
        "wheel": wheel,
        "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
        "learned_from": "fuel_cut",
        "turns": 60,
        "stable": True,
        "note": "",
        "tooth_error_deg": teeth,
        "tooth_error_sd_deg": [None if t is None else 0.003 for t in teeth],
        "segment_error_pct": {},
        "segment_error_sd_pct": {},
    }
    path.write_text(json.dumps(data), "utf-8")
    return str(path)


def test_two_saved_patterns_are_compared(tmp_path: Path) -> None:
    """0.1 deg against a standard error of 0.003 sqrt 2: one tooth has moved, and it is named."""
    old, new = saved(tmp_path / "a.json"), saved(tmp_path / "b.json", moved_deg=0.1)
    got = run("pattern", new, "--against", old)
    assert got.exit_code == 0, got.exception
    assert "CHANGED at 1 teeth, position 17 by +0.1" in got.stdout.replace("\n", " ")
    got = run("pattern", new, "--against", old, "--json", "-")
    against = json.loads(got.stdout)["against"]
    assert [t["position"] for t in against["teeth"]] == [17]
    assert against["teeth"][0]["change_deg"] == pytest.approx(0.1, abs=1e-6)
    assert against["teeth"][0]["change_sd_deg"] == pytest.approx(0.003 * 2**0.5, abs=1e-6)
    got = run("pattern", old, "--against", old, "--json", "-")
    assert json.loads(got.stdout)["against"]["changed"] is False


def test_saved_patterns_that_cannot_be_compared(tmp_path: Path) -> None:
    old, other = saved(tmp_path / "a.json"), saved(tmp_path / "b.json", positions=36)
    got = run("pattern", old, "--against", other)
    assert isinstance(got.exception, InputError)
    assert "36-2 wheel, the other of a 60-2" in str(got.exception)
    got = run("pattern", old)
    assert isinstance(got.exception, InputError)
    assert "--against" in str(got.exception)
