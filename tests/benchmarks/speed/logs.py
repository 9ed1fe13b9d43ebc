"""Long logs: one simulated minute of driving, laid end to end.

The minute begins and ends at the same idle. It is cut from the first tooth of a turn to the first tooth of a
turn an even number of turns later whose tooth intervals are nearly the same, so the copies join without
a jump of speed and without a change of the cycle.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from misfire.engine import Wheel
from misfire.simulate import Simulated, load_scenario, simulate
from misfire.simulate.result import engine_toml
from misfire.simulate.scenario import Phase

ROWS = 500_000

# an hour of road holds some fuel cut: one coast-down a minute
MINUTE = (
    Phase(duration_s=6.0, rpm=800, mode="governed"),
    Phase(duration_s=11.0, rpm=2000, load_pct=30),
    Phase(duration_s=16.0, rpm=3000, load_pct=45),
    Phase(duration_s=6.0, rpm=3000, rpm_end=4500, load_pct=60),
    Phase(duration_s=11.0, rpm=4500, load_pct=55),
    Phase(duration_s=8.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1300),
    Phase(duration_s=8.0, rpm=800, mode="governed"),
)


@dataclass(frozen=True)
class Loop:
    """A stretch of log that can follow itself: ticks of the crank edges and cylinder-1 marks from its start."""

    crank: np.ndarray
    mark: np.ndarray
    length: int
    hz: float
    turns: int

    @property
    def seconds(self) -> float:
        return self.length / self.hz


def minute(scenario: str = "random_misfire_i4", seed: int = 5) -> Simulated:
    """A minute of driving with about 150 000 edges of a 60-2 wheel."""
    return simulate(load_scenario(scenario).but(programme=MINUTE, seed=seed))


def loop(log: Simulated) -> Loop:
    """The longest part of a log that begins and ends alike."""
    tick = log.edges.crank_tick
    wheel = log.engine.wheel
    assert isinstance(wheel, Wheel)
    start = _turns(tick, wheel)
    dt = np.diff(tick)
    shape = np.array([dt[i : i + 2 * wheel.teeth] for i in start[start + 2 * wheel.teeth < dt.size]])
    near = len(shape) // 20
    best = (np.inf, 0, 0)
    for a, b in itertools.product(range(2, near), range(len(shape) - near, len(shape) - 2)):
        if (b - a) % 2 == 0:
            cost = float(np.abs(shape[b] / shape[a] - 1).mean())
            best = min(best, (cost, a, b))
    lo, hi = int(start[best[1]]), int(start[best[2]])
    mark = log.edges.cylinder1_tick
    mark = mark[(mark >= tick[lo]) & (mark < tick[hi])]
    return Loop(
        tick[lo:hi] - tick[lo],
        mark - tick[lo],
        int(tick[hi] - tick[lo]),
        log.scenario.clock.hz,
        best[2] - best[1],
    )


def _turns(tick: np.ndarray, wheel: Wheel) -> np.ndarray:
    """Index of the first tooth of every turn of a clean log."""
    dt = np.diff(tick).astype(float)
    gap = np.flatnonzero((dt[1:-1] > 2 * dt[:-2]) & (dt[1:-1] > 1.6 * dt[2:])) + 1
    assert (np.diff(gap) == wheel.teeth).all(), "the base log is not clean"
    return gap + 1


def write_log(path: Path, part: Loop, edges: int, column: str = "tick") -> int:
    """Write a tooth-timing CSV of whole loops with at least `edges` crank edges; returns how many it holds."""
    ticks = np.concatenate([part.crank, part.mark])
    names = np.repeat([0, 1], [part.crank.size, part.mark.size])
    order = np.lexsort((names, ticks))
    ticks, names = ticks[order], names[order]
    loops = -(-edges // part.crank.size)
    word = (",crank\n", ",cylinder1\n")
    with open(path, "w", encoding="ascii", newline="\n") as out:
        out.write(f"# clock_hz = {part.hz:.0f}\n" if column == "tick" else "")
        out.write(f"{column},signal\n")
        for k in range(loops):
            now = ticks + k * part.length
            if column == "tick":
                text = map(str, now.tolist())
            else:
                text = map("{:.8f}".format, (now / part.hz).tolist())
            out.write("".join([a + word[n] for a, n in zip(text, names.tolist(), strict=True)]))
    return loops * part.crank.size


def write_engine(path: Path, log: Simulated) -> None:
    """The engine file that goes with it."""
    path.write_text(engine_toml(log.engine, log.scenario), "utf-8")
