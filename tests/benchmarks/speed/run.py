"""One size of log through the command, pandas alone and the plain reference."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from misfire.crank import number_edges
from misfire.engine import Engine
from misfire.grid import make_grid
from misfire.intake import read
from tests.benchmarks.speed import plain
from tests.benchmarks.speed.logs import Loop, write_log

PLAIN_EDGES = 1_000_000  # the slow reference is timed on this many edges and reckoned per event


@dataclass
class Row:
    """What one size of log took; processor seconds unless the name says wall."""

    edges: int
    seconds: float  # of driving
    file_mb: float
    cpu_s: float = 0.0
    wall_s: float = 0.0
    peak_mb: float = 0.0
    pandas_read_s: float = 0.0
    pandas_write_s: float = 0.0
    plain_ratio: float = 0.0
    plain_error: float = 0.0
    stages_s: dict[str, float] = field(default_factory=dict)

    @property
    def over_pandas(self) -> float:
        """The command's processor time over that of pandas alone."""
        return self.cpu_s / (self.pandas_read_s + self.pandas_write_s)


def measured(command: list[str]) -> tuple[float, float, float]:
    """Processor seconds, wall seconds and peak memory [MB] of a child process; its errors go to ours."""
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    began = time.perf_counter()
    with subprocess.Popen(
        command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stderr is not None
        said = child.stderr.read()
        _, status, use = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {child.returncode}: {said.strip()}")
    return use.ru_utime + use.ru_stime, time.perf_counter() - began, use.ru_maxrss / 1024


def one_size(folder: Path, part: Loop, engine: Path, edges: int, column: str = "tick") -> Row:
    """Make a log of at least `edges` edges in `folder`, measure everything, remove the log."""
    log, events, out, result = (folder / n for n in ("log.csv", "events.csv", "again.csv", "result.json"))
    made = write_log(log, part, edges, column)
    row = Row(made, made / part.crank.size * part.seconds, log.stat().st_size / 1e6)
    command = [sys.executable, "-m", "misfire", "analyse", str(log), "--engine", str(engine), "--quiet"]
    command += ["--timings", "--json", str(result), "--events", str(events)]
    row.cpu_s, row.wall_s, row.peak_mb = measured(command)
    row.stages_s = json.loads(result.read_text())["timings_s"]
    alone = [sys.executable, "-m", "tests.benchmarks.speed.alone", str(log), str(events), str(out)]
    took = json.loads(subprocess.run(alone, check=True, capture_output=True, text=True).stdout)
    row.pandas_read_s, row.pandas_write_s = took["read_s"], took["write_s"]
    row.plain_ratio, row.plain_error = plain_reference(log, engine)
    for path in (log, events, out, result):
        path.unlink()
    return row


def plain_reference(log: Path, engine_file: Path) -> tuple[float, float]:
    """How many times faster the plain method is as arrays, and the largest relative difference of the two."""
    engine = Engine.load(str(engine_file))
    crank = number_edges(read(log).crank_s[:PLAIN_EDGES], engine.wheel)
    engine = engine.with_wheel(crank.wheel)
    grid = make_grid(crank)
    first = crank.wheel.first_tooth_after_tdc1_deg or 0.0
    second = np.arange(crank.turns) % 2 == 1
    c0 = time.process_time()
    loop = plain.slow(grid, crank, engine, first, second.tolist())
    c1 = time.process_time()
    times = 5
    for _ in range(times):
        arrays = plain.fast(grid, crank, engine, first, second)
    c2 = time.process_time()
    a, b = np.array(loop), arrays
    both = np.isfinite(a) & np.isfinite(b)
    assert both.sum() >= 0.98 * a.size
    error = float(np.max(np.abs(a - b)[both]) / np.max(np.abs(b[both])))
    return (c1 - c0) / max((c2 - c1) / times, 1e-6), error
