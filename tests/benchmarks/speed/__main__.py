"""`python -m tests.benchmarks.speed --edges 1000000 5000000`: time, memory and growth of the whole command."""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import sys
import tempfile
from dataclasses import asdict
from datetime import date
from itertools import pairwise
from pathlib import Path


def machine() -> str:
    """Processor, cores and versions."""
    name = platform.processor() or platform.machine()
    if Path("/proc/cpuinfo").exists():
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        name = next((x.split(":", 1)[1].strip() for x in lines if x.startswith("model name")), name)
    import numpy as np
    import pandas as pd

    versions = f"Python {platform.python_version()}, numpy {np.__version__}, pandas {pd.__version__}"
    return f"{name}, {os.cpu_count()} cores, {versions}, load {os.getloadavg()[0]:.1f}"


def main() -> None:
    """Measure every size and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed", description=__doc__)
    parser.add_argument("--edges", type=int, nargs="+", default=[150_000, 1_000_000, 5_000_000])
    parser.add_argument("--column", choices=("tick", "time_s"), default="tick", help="time column of the log")
    parser.add_argument("--json", default=None, help="write every number to this file")
    args = parser.parse_args()
    from tests.benchmarks.speed.logs import loop, minute, write_engine
    from tests.benchmarks.speed.run import one_size

    log = minute()
    part = loop(log)
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        engine = folder / "engine.toml"
        write_engine(engine, log)
        for edges in args.edges:
            rows.append(one_size(folder, part, engine, edges, args.column))
            print(f"{rows[-1].edges} edges done", file=sys.stderr, flush=True)
    print(f"{date.today()}, {machine()}")
    print(
        f"python -m tests.benchmarks.speed --edges {' '.join(map(str, args.edges))} --column {args.column}\n"
    )
    print(
        "| edges | driving s | file MB | cpu s | wall s | peak MB | pandas alone, read + write s | cpu over pandas |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for r in rows:
        print(
            f"| {r.edges} | {r.seconds:.0f} | {r.file_mb:.0f} | {r.cpu_s:.2f} | {r.wall_s:.2f} | {r.peak_mb:.0f} | "
            f"{r.pandas_read_s:.2f} + {r.pandas_write_s:.2f} | {r.over_pandas:.2f} |"
        )
    for a, b in pairwise(rows):
        growth = math.log(b.cpu_s / a.cpu_s) / math.log(b.edges / a.edges)
        print(f"\ngrowth of the processor time from {a.edges} to {b.edges} edges: exponent {growth:.2f}")
    last = rows[-1]
    print(f"real time over processor time: {last.seconds / last.cpu_s:.0f}")
    print(
        f"plain segment method as arrays: {last.plain_ratio:.0f} times faster than event by event in Python, "
        f"largest relative difference {last.plain_error:.1e}"
    )
    print("stages, wall s: " + ", ".join(f"{k} {v:.2f}" for k, v in last.stages_s.items()))
    if args.json:
        Path(args.json).write_text(json.dumps([asdict(r) for r in rows], indent=1))


if __name__ == "__main__":
    main()
