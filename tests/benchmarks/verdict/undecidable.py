"""Logs that hold no answer, by construction: the verdict has to say so.

`coil`: one speed, no fuel cut, both companions of a shared coil dead. `wheel`: one speed, no fuel cut, a tooth
pattern that a monitor would count companions on. The two look alike (science: a constant share of the segment
time, and nothing changes). `idle`: ten seconds of clean idle, too few firings to clear anybody.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from misfire.engine import Wheel
from misfire.errors import InputError
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import (
    Clock,
    Combustion,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    prepared_engine,
    simulate,
)
from tests.benchmarks.verdict.judge import false_shares

KINDS = ("coil", "wheel", "idle")
COUNTED = 0.05  # of a companion's firings, wherever a monitor lays its segments: the wheel is a fault
TRIES = 60


def draw(seed: int) -> tuple[str, Scenario]:
    """Kind and scenario of a seed."""
    rng = np.random.default_rng([9917, seed])
    kind = KINDS[seed % len(KINDS)]
    for _ in range(TRIES):
        scenario = _one(kind, seed, rng)
        try:
            done = simulate(scenario)
        except InputError:
            continue  # two dead cylinders of a four stall at low load: no log
        if kind != "wheel" or (false_shares(done).min(axis=0) > COUNTED).any():
            return kind, scenario
    raise RuntimeError(f"seed {seed}: no wheel drawn that a monitor would count on")


def _one(kind: str, seed: int, rng: np.random.Generator) -> Scenario:
    name = str(rng.choice(("inline4", "boxer4", "inline6", "v6", "v8")))
    wheel = Wheel.from_label(str(rng.choice(("60-2", "60-2", "36-1"))))
    engine = prepared_engine(name, wheel)
    rpm = (
        float(rng.uniform(650, 850))
        if kind == "idle"
        else float(np.exp(rng.uniform(np.log(900), np.log(5500))))
    )
    teeth = ToothErrors(sd_deg=float(rng.uniform(0.0, 0.02)))
    if kind == "wheel":
        at = float(rng.uniform(0, 360))
        teeth = ToothErrors(sd_deg=0.02, runout_mm=float(rng.uniform(0.3, 1.0)), runout_at_deg=at)
    misfires: tuple[Misfires, ...] = ()
    if kind == "coil":
        misfires = (Misfires(kind="coil", cylinders=(int(rng.integers(1, engine.cylinders + 1)),), rate=1.0),)
    seconds = 10.0 if kind == "idle" else float(rng.uniform(20, 45))
    phase = Phase(duration_s=seconds, rpm=rpm, mode="governed")
    if kind != "idle" and rng.random() < 0.7:
        phase = Phase(duration_s=seconds, rpm=rpm, load_pct=float(rng.uniform(20, 80)))
    return Scenario(
        engine=engine, programme=(phase,), name=f"{kind}/{name}/{wheel.label}/{rpm:.0f}", seed=seed,
        combustion=Combustion(cov_full=0.015, cov_idle=float(rng.uniform(0.04, 0.12))), misfires=misfires, teeth=teeth,
        clock=Clock(hz=1e6 / float(rng.choice((0.2, 1.0, 2.0))), cam=bool(rng.random() < 0.5), cylinder1=bool(rng.random() < 0.5)),
    )  # fmt: skip


def run(seed: int) -> tuple[str, str, str]:
    """Kind, verdict's status and one line for the table."""
    kind, scenario = draw(seed)
    done = simulate(scenario)
    verdict = analyse(done.recording, AnalyseOptions(done.engine)).result["verdict"]
    firm = [(f["cause"], f["cylinders"]) for f in verdict["findings"]]
    return kind, verdict["status"], f"{seed} {scenario.name} {verdict['status']} {firm}"


def table(runs: list[tuple[str, str, str]]) -> str:
    """Share of `undetermined` by kind, then every log that was decided."""
    of = Counter(kind for kind, _, _ in runs)
    open_ = Counter(kind for kind, status, _ in runs if status == "undetermined")
    lines = [f"{k:6s} logs {of[k]:4d}  undetermined {open_[k]:4d}" for k in KINDS]
    total = sum(open_.values())
    lines.append(
        f"all    logs {len(runs):4d}  undetermined {total:4d}  ({100 * total / max(len(runs), 1):.1f} %)"
    )
    return "\n".join(lines + [text for _, status, text in runs if status != "undetermined"])
