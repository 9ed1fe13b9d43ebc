"""`python -m tests.benchmarks.survey`: 200 one-minute logs with one worker process, then with one for each core.

The logs are copies of a few simulated drives under names of their own; every copy is read and judged anew. Wall
time says what a user waits; processor time over wall time says how many cores the run had, which on a machine with
other work is less than it asked for.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from misfire.simulate import Misfires, Scenario, simulate
from misfire.survey.workers import cores

ROOT = Path(__file__).resolve().parents[3]
KINDS = 8


def make(folder: Path, logs: int) -> int:
    """Write the logs; returns the crank edges of one of them."""
    drives, edges = [], 0
    for k in range(min(KINDS, logs)):
        s = Scenario.steady("inline4", rpm=2500 + 20 * k, load_pct=40, duration_s=60, seed=k)
        if k % 2:
            s = s.but(misfires=(Misfires(kind="random", cylinders=(1 + k % 4,), rate=0.02),))
        done = simulate(s)
        made = {p.name: p for p in done.write(folder)}
        drives.append(made["log.csv"].rename(folder / f"drive{k:03d}.csv"))
        made["channels.csv"].unlink()
        made["truth.json"].unlink()
        edges = done.recording.crank_s.size
    for k in range(len(drives), logs):
        shutil.copy(drives[k % len(drives)], folder / f"drive{k:03d}.csv")
    return edges


def run(folder: Path, processes: int) -> tuple[float, float, bytes]:
    """Wall and processor seconds of the whole command, and the table that it wrote."""
    table = folder.parent / f"rows{processes}.csv"
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    args = [sys.executable, "-m", "misfire", "survey", str(folder), "--out", str(table)]
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([*args, "--jobs", str(processes)], check=True, env=env, stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, cpu, table.read_bytes()


def main() -> None:
    """Make the logs, run both ways, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.survey", description=__doc__)
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=cores(), help="worker processes of the second run")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "logs"
        edges = make(folder, args.logs)
        size = sum(p.stat().st_size for p in folder.glob("*.csv")) / 1e6
        print(f"{args.logs} logs of 60 s, {edges:,} edges each, {size:.0f} MB; {cores()} cores")
        print(f"load of the machine before: {os.getloadavg()[0]:.1f}")
        print(f"{'processes':>9}  {'wall s':>8}  {'processor s':>11}  {'cores had':>9}  {'s a log':>8}")
        runs = {}
        for processes in (1, args.jobs):
            wall, cpu, table = run(folder, processes)
            runs[processes] = (wall, table)
            print(
                f"{processes:>9}  {wall:>8.1f}  {cpu:>11.1f}  {cpu / wall:>9.2f}  {wall / args.logs:>8.3f}",
                flush=True,
            )
        (one, rows), (many, same) = runs[1], runs[args.jobs]
        print(f"{args.jobs} processes are {one / many:.2f} times as fast; rows the same: {rows == same}")
        print(f"load of the machine after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
