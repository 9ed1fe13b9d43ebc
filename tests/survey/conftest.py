"""A small fleet: simulated drives of different engines and faults, each engine with a folder of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from misfire.simulate import Misfires, Scenario, simulate

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Fleet:
    """The folder and the logs in it that can be judged."""

    folder: Path
    good: tuple[str, ...]
    bad: tuple[str, ...]


def command(*args: str, cwd: Path) -> subprocess.Popen[str]:
    """The command as a user starts it, in a process group of its own."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "misfire", "survey", *args],
        cwd=cwd,
        env=env,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


@pytest.fixture(scope="session")
def start() -> Callable[..., subprocess.Popen[str]]:
    return command


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Six good logs of two engines and three bad ones."""
    top = tmp_path_factory.mktemp("shop") / "fleet"
    good = []
    for layout, cylinder in (("inline4", 3), ("v8", 5)):
        for k, rate in enumerate((0.0, 0.08, 0.3)):
            s = Scenario.steady(layout, rpm=1500 + 200 * k, load_pct=40, duration_s=12, seed=k)
            if rate:
                s = s.but(misfires=(Misfires(kind="random", cylinders=(cylinder,), rate=rate),))
            done = simulate(s)
            made = {p.name: p for p in done.write(top / layout)}
            made["log.csv"].rename(top / layout / f"drive{k}.csv")
            made["channels.csv"].rename(top / layout / f"drive{k}_channels.csv")
            (top / layout / "truth.json").unlink()
            good.append(f"fleet/{layout}/drive{k}.csv")
    (top / "no_engine.csv").write_text("time_s\n" + "\n".join(f"{k / 1000}" for k in range(200)) + "\n")
    (top / "inline4" / "notes.csv").write_text("customer,remark\n=1+1,lamp on\n")
    (top / "v8" / "cut.csv.gz").write_bytes(b"\x1f\x8b\x08\x00half of a packed file")
    (top / "v8" / "drive1_counts.csv").write_text("# monitor_ran = yes\ncylinder,misfires\n5,17\n")
    bad = ("fleet/no_engine.csv", "fleet/inline4/notes.csv", "fleet/v8/cut.csv.gz")
    return Fleet(top, tuple(good), bad)


@pytest.fixture(scope="session")
def whole(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a survey that nothing disturbed: every kind of output."""
    out = tmp_path_factory.mktemp("whole")
    run = command(
        str(fleet.folder), "--out", str(out / "all.csv"), "--report", str(out / "all.html"),
        "--json", str(out / "all.json"), cwd=fleet.folder.parent,
    )  # fmt: skip
    text, said = run.communicate(timeout=120)
    assert run.returncode == 0, said
    assert said == ""
    (out / "stdout.txt").write_text(text, "utf-8")
    return out
