"""The comparison on short simulated logs, from files through the command line to the JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from misfire.cli import app
from misfire.engine import Wheel
from misfire.errors import InputError
from misfire.simulate import Misfires, Phase, Scenario, prepared_engine, simulate

STEPS = (
    Phase(duration_s=11.0, rpm=1600, load_pct=45),
    Phase(duration_s=7.0, rpm=2500, load_pct=45),
    Phase(duration_s=6.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1200),
)
MISS = (Misfires(kind="random", cylinders=(2,), rate=0.25),)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Logs of an inline four: good, good2, bad (2 misfires), wheel (36-1); six: an inline six."""
    root = tmp_path_factory.mktemp("logs")
    four = Scenario(engine=prepared_engine("inline4"), programme=STEPS)
    scenarios = {
        "good": four.but(seed=1),
        "good2": four.but(seed=2),
        "bad": four.but(seed=3, misfires=MISS),
        "wheel": four.but(engine=prepared_engine("inline4", Wheel.regular(36, 1)), seed=4),
        "six": replace(four, engine=prepared_engine("inline6"), seed=5),
    }
    for name, scenario in scenarios.items():
        simulate(scenario).write(root / name)
    lines = (root / "good" / "log.csv").read_text("utf-8").splitlines(keepends=True)
    for name, start in (("ten", 2), ("ten2", 9000)):
        # ten turns of 58 teeth
        (root / f"{name}.csv").write_text("".join(lines[:2] + lines[start : start + 640]), "utf-8")
    return root


def run(folder: Path, before: str, after: str, *more: str, engine: str = "good/engine.toml") -> Any:
    paths = [",".join(_path(folder, x) for x in side.split(",")) for side in (before, after)]
    name = str(folder / engine) if engine.endswith(".toml") else engine
    return CliRunner().invoke(app, ["compare", *paths, "--engine", name, "--json", "-", *more])


def _path(folder: Path, name: str) -> str:
    return str(folder / f"{name}.csv" if (folder / f"{name}.csv").exists() else folder / name / "log.csv")


def verdict(got: Any) -> dict[str, Any]:
    assert got.exit_code == 0, got.exception
    return dict(json.loads(got.stdout)["verdict"])


def test_ten_turns_prove_nothing(folder: Path) -> None:
    out = verdict(run(folder, "ten", "ten2"))
    assert out["answer"] == "not_proven"
    assert any("200" in m for m in out["missing"])


@pytest.mark.parametrize("name", ["ten", "good", "bad"])
def test_a_log_against_itself_is_unchanged(folder: Path, name: str) -> None:
    assert verdict(run(folder, name, name))["answer"] == "unchanged"


def test_order_of_the_logs_of_a_side_does_not_matter(folder: Path) -> None:
    a, b = run(folder, "bad,good", "good2"), run(folder, "good,bad", "good2")
    first, second = (json.loads(x.stdout) for x in (a, b))
    assert first == second
    assert first["pattern"]["starts_before"] == 2


@pytest.mark.parametrize(
    ("before", "after", "engine", "match"),
    [
        ("good", "wheel", "inline4", "crank wheel 60-2 in one log and 36-1 in another"),
        ("good,wheel", "good", "inline4", "crank wheel 60-2 in one log and 36-1 in another"),
        ("good", "wheel", "good/engine.toml", "36-1"),
        ("good", "six", "inline4", "6 cylinders, not 4"),
    ],
)
def test_sides_of_two_engines_are_refused(
    folder: Path, before: str, after: str, engine: str, match: str
) -> None:
    got = run(folder, before, after, engine=engine)
    assert isinstance(got.exception, (InputError, SystemExit))
    text = str(got.exception) if isinstance(got.exception, InputError) else got.stderr
    assert match in text
    assert got.exit_code != 0


def test_another_firing_order_is_refused(folder: Path) -> None:
    text = (folder / "good" / "engine.toml").read_text("utf-8").replace("[1, 3, 4, 2]", "[1, 2, 4, 3]")
    (folder / "other.toml").write_text(text, "utf-8")
    got = run(folder, "good", "good2", "--engine-after", str(folder / "other.toml"))
    assert "firing order 1-3-4-2 in one log and 1-2-4-3" in str(got.exception) + got.stderr


def write(folder: Path, name: str, rows: list[str]) -> str:
    (folder / name).write_text("\n".join(["# monitor_ran = yes", *rows]) + "\n", "utf-8")
    return str(folder / name)


def service06(folder: Path, name: str, counts: dict[int, int]) -> str:
    """Response lines: 46, MID $A1 + cylinder, TID $0C, unit $24, value, limits (SAE J1979, restated)."""
    return write(
        folder,
        name,
        [f"46 {0xA1 + c:02X} 0C 24 {n >> 8:02X} {n & 255:02X} 00 00 FF FF" for c, n in counts.items()],
    )


@pytest.fixture(scope="module")
def counts(folder: Path) -> dict[str, tuple[str, str]]:
    """The same story in three forms: 300 counts on 2 and 3 before, none after."""
    head = "time_s,cylinder,misfires"
    return {
        "table": (
            write(folder, "tb.csv", ["cylinder,misfires", "1,0", "2,300", "3,300", "4,0"]),
            write(folder, "ta.csv", ["cylinder,misfires", "1,0", "2,0", "3,0", "4,0"]),
        ),
        # the total of cylinder 2 is reset once: 100 and then 200 more; after, both stand still
        "running": (
            write(
                folder,
                "rb.csv",
                [head, "0,2,50", "0,3,10", "9,2,150", "12,2,0", "20,2,200", "20,3,310"],
            ),
            write(folder, "ra.csv", [head, "0,2,200", "0,3,310", "20,2,200", "20,3,310"]),
        ),
        "service06": (
            service06(folder, "b1.txt", {1: 4, 2: 11, 3: 20, 4: 0})
            + ","
            + service06(folder, "b2.txt", {1: 4, 2: 311, 3: 320, 4: 0}),
            service06(folder, "a1.txt", {1: 0, 2: 700, 3: 700, 4: 0})
            + ","
            + service06(folder, "a2.txt", {1: 0, 2: 700, 3: 700, 4: 0}),
        ),
    }


@pytest.mark.parametrize("form", ["table", "running", "service06"])
def test_every_form_of_counts_tells_the_same(
    folder: Path, counts: dict[str, tuple[str, str]], form: str
) -> None:
    before, after = counts[form]
    got = run(folder, "good", "good2", "--counts-before", before, "--counts-after", after)
    out = json.loads(got.stdout)
    assert out["verdict"]["answer"] == "cleared"
    # the running totals name 2 and 3 only: of the others nothing was read
    rest = (None, None) if form == "running" else (0, 0)
    read = [(r["before"]["reported"], r["after"]["reported"]) for r in out["cylinders"]]
    assert read == [rest, (300, 0), (300, 0), rest]


def test_a_counter_that_was_reset_or_full_after_proves_nothing(
    folder: Path, counts: dict[str, tuple[str, str]]
) -> None:
    head = "time_s,cylinder,misfires"
    for name, rows in (
        ("reset.csv", ["0,2,200", "0,3,310", "9,2,0", "20,2,0", "20,3,310"]),
        ("full.csv", ["0,2,255", "0,3,310", "20,2,255", "20,3,310"]),
    ):
        after = write(folder, name, [head, *rows])
        got = run(folder, "good", "good2", "--counts-before", counts["table"][0], "--counts-after", after)
        out = verdict(got)
        assert out["answer"] == "not_proven", name
        assert any("reset" in r for r in out["reasons"])


def test_a_true_misfire_remains_whatever_the_controller_says(
    folder: Path, counts: dict[str, tuple[str, str]]
) -> None:
    """The controller is silent after, the log shows cylinder 2 misfiring as before."""
    before, after = counts["table"]
    got = run(folder, "bad", "bad", "--counts-before", before, "--counts-after", after)
    out = verdict(got)
    assert out["answer"] == "misfire_remains"
    assert "cylinder 2" in out["headline"]


def test_freeze_frame_needs_the_load_too(folder: Path) -> None:
    slow = [str(folder / n / "channels.csv") for n in ("bad", "good")]
    more = ["--channels-before", slow[0], "--channels-after", slow[1]]
    assert (
        verdict(run(folder, "bad", "good", "--freeze-frame", "2500rpm,45pct", *more))["answer"] == "cleared"
    )
    out = verdict(run(folder, "bad", "good", "--freeze-frame", "2500rpm,90pct", *more))
    assert out["answer"] == "not_proven"
    assert any("90 % load" in m for m in out["missing"])
    blind = verdict(run(folder, "bad", "good", "--freeze-frame", "2500rpm,45pct"))
    assert blind["answer"] == "not_proven"
    assert any("load_pct" in m for m in blind["missing"])


def test_ready_sees_the_coast_down_in_the_motion(folder: Path) -> None:
    """Without a fuel_cut flag and with the engine named: the cut of STEPS, 2500 down to 1200 rpm, is found."""
    rows = ["time_s,coolant_c,transmission_c", "0,85,60", "10,85,60", "20,86,61"]
    (folder / "slow.csv").write_text("\n".join(rows) + "\n", "utf-8")
    more = [_path(folder, "good"), "--engine", str(folder / "good" / "engine.toml")]
    got = CliRunner().invoke(app, ["ready", str(folder / "slow.csv"), *more, "--json", "-"])
    assert got.exit_code == 0, got.exception
    out = json.loads(got.stdout)
    assert out["ready"] is True
    (coast,) = out["coast_downs"]
    assert coast["from_rpm"] == pytest.approx(2500, abs=200)
    assert coast["to_rpm"] == pytest.approx(1200, abs=100)
    hot = ["--transmission-max", "55C"]
    got = CliRunner().invoke(app, ["ready", str(folder / "slow.csv"), *more, *hot, "--json", "-"])
    assert json.loads(got.stdout)["ready"] is False
