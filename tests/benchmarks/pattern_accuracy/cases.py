"""Cases of the pattern benchmark: one base case, and what changes when one thing is taken away."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.onelog import study
from misfire.orders import without_firing_orders
from misfire.pattern import Pattern, learn_pattern
from misfire.simulate import Clock, Phase, Scenario, Simulated, ToothErrors, prepared_engine, simulate

ENGINES = ("inline4", "v6", "inline3", "v8")


@dataclass(frozen=True)
class Case:
    """What a log for learning looks like; `turns` is how many fuel-cut turns are used, 0 = firing alone."""

    turns: int = 100
    wheel: str = "60-2"
    gear: bool = False
    clock_us: float = 1.0
    sd_deg: float = 0.05


BASE = Case()
CASES = {
    "100 turns of coast-down, 60-2, neutral, 1 us": BASE,
    "40 turns instead": replace(BASE, turns=40),
    "36-1 wheel instead": replace(BASE, wheel="36-1"),
    "in gear instead": replace(BASE, gear=True),
    "40 turns, 36-1, in gear": Case(turns=40, wheel="36-1", gear=True),
    "from firing alone (speed swept 1500 to 3500)": replace(BASE, turns=0),
    "from firing alone, 36-1, in gear": Case(turns=0, wheel="36-1", gear=True),
}


@dataclass(frozen=True)
class Found:
    """Error [deg rms] of the learned spacing, teeth whose 95 % interval holds the truth, teeth, turns."""

    rms_deg: float
    inside: int
    teeth: int
    turns: int


def scenario(case: Case, seed: int) -> Scenario:
    """A log to learn from: coast-downs from 3200 rpm until there are turns enough, or one slow sweep."""
    rng = np.random.default_rng([614, seed])
    wheel = replace(
        Wheel.from_label(case.wheel), first_tooth_after_tdc1_deg=float(np.round(rng.uniform(0, 359), 1))
    )
    engine = prepared_engine(ENGINES[seed % len(ENGINES)], wheel)
    gear = float(rng.uniform(0.03, 0.06)) if case.gear else 0.0
    if case.turns == 0:
        sweep = Phase(duration_s=12.0, rpm=1500, rpm_end=3500, load_pct=45, gear_m=gear)
        programme: tuple[Phase, ...] = (Phase(duration_s=2.0, rpm=1500, load_pct=45, gear_m=gear), sweep)
    else:
        up = Phase(duration_s=1.5, rpm=3200, load_pct=45, gear_m=gear)
        down = Phase(duration_s=6.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1400, gear_m=gear)
        programme = (up, down) * (1 if case.gear else 4)
    return Scenario(
        engine=engine, programme=programme, name=f"pattern {seed}", seed=seed,
        teeth=ToothErrors(sd_deg=case.sd_deg), clock=Clock(hz=1e6 / case.clock_us, jitter_us=0.3, cam=True),
    )  # fmt: skip


def learned(case: Case, done: Simulated) -> Pattern:
    """The spacing from exactly the turns asked for, or from the whole way of the log."""
    if case.turns == 0:
        return study(done.recording, done.engine).pattern
    crank = number_edges(done.recording.crank_s, done.engine.wheel, done.recording.cam_s)
    t = done.truth
    middle = crank.time_s[:, crank.wheel.teeth // 2]
    cut = np.zeros(crank.turns, dtype=bool)
    for turn, at in enumerate(middle):
        # every firing TDC within two turns is without fuel
        near = np.abs(t.tdc_s - at) * np.interp(at, t.tdc_s, t.rpm) / 60.0 < 2.0
        cut[turn] = bool(near.any() and (t.state[near] == 2).all())
    cut[np.flatnonzero(cut)[case.turns :]] = False
    return learn_pattern(crank, done.engine, cut)


def measure(case: Case, seed: int) -> Found | None:
    """Learn one simulated log and hold it against its wheel; None where nothing could be learned."""
    done = simulate(scenario(case, seed))
    pattern = learned(case, done)
    if not pattern.known:
        return None
    wheel = done.engine.wheel
    assert wheel is not None
    true = without_firing_orders(done.truth.tooth_error_deg, wheel, done.engine)
    miss = pattern.error_deg - true
    use = np.isfinite(miss)
    use[0] = False  # real pickups shift it with speed, so nothing rests on it
    miss = miss - miss[use].mean()
    inside = np.abs(miss[use]) < 1.96 * pattern.sd_deg[use]
    return Found(float(np.sqrt(np.mean(miss[use] ** 2))), int(inside.sum()), int(use.sum()), pattern.turns)
