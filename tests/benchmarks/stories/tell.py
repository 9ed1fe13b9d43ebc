"""The stories: two sides of simulated logs, drawn from a seed, and the answer that their truth asks for.

Ranges are those of the trade: one cylinder that misses 3 to 30 % of its firings, drives of a few steady speeds
and loads and a coast-down, wheels and timers as met. Nothing here is fitted to the tool.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from misfire.engine import Engine, Wheel
from misfire.simulate import (
    Clock,
    Combustion,
    Controller,
    Fault,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    prepared_engine,
)

EVEN = ("inline4", "inline4", "boxer4", "inline6", "v6", "v8")


@dataclass(frozen=True)
class Story:
    """Two sides of a job.

    `want` lists the answers that are right; `name` cylinders that the headline has to name; `counts` says
    whether the controller's counts go along with each side; `monitor_ran` as written on the after-counts.
    """

    before: tuple[Scenario, ...]
    after: tuple[Scenario, ...]
    want: tuple[str, ...]
    channels: bool
    counts: bool = False
    monitor_ran: bool | None = True
    swapped: tuple[int, int] | None = None
    name: tuple[int, ...] = ()
    repaired: Scenario | None = None
    drive_again: bool = field(default=False)


@dataclass(frozen=True)
class Setting:
    """Engine, wheel, clock, scatter and drive of a seed, the same before and after."""

    engine: Engine
    clock: Clock
    combustion: Combustion
    teeth: ToothErrors
    steps: tuple[tuple[float, float], ...]
    channels: bool


def setting(rng: np.random.Generator) -> Setting:
    """Draw everything that does not belong to the fault."""
    wheel = Wheel.from_label(str(rng.choice(("60-2", "60-2", "36-1"))))
    engine = prepared_engine(str(rng.choice(EVEN)), wheel)
    # mostly a mark or a cam; without either, companions cannot be told apart
    marks = str(rng.choice(("mark", "mark", "cam", "both", "none")))
    clock = Clock(
        hz=1e6 / float(rng.choice((0.1, 0.25, 0.5, 1.0))),
        jitter_us=float(rng.choice((0.2, 0.5))),
        cam=marks in ("cam", "both"),
        cylinder1=marks in ("mark", "both"),
    )
    low, high = float(rng.uniform(1000, 1700)), float(rng.uniform(2300, 3200))
    steps = ((low, float(rng.uniform(25, 70))), (high, float(rng.uniform(25, 70))))
    return Setting(
        engine,
        clock,
        Combustion(cov_full=0.015, cov_idle=float(rng.uniform(0.04, 0.09))),
        # one wheel for all logs: a standard deviation alone would be drawn anew for each
        ToothErrors(errors_deg=tuple(rng.normal(0.0, float(rng.uniform(0.0, 0.03)), wheel.positions))),
        steps,
        bool(rng.random() < 0.7),
    )


def drive(s: Setting, rng: np.random.Generator, turns: float, coast: bool = True) -> tuple[Phase, ...]:
    """The steps of a setting, met again as a driver meets them (60 rpm, 3 % load), and a coast-down."""
    out: list[Phase] = []
    last = None
    for rpm, load in s.steps:
        speed, charge = rpm + float(rng.normal(0, 60)), load + float(rng.normal(0, 3))
        if last is not None:
            seconds = abs(speed - last[0]) / 400.0
            out.append(
                Phase(
                    duration_s=seconds,
                    rpm=last[0],
                    rpm_end=speed,
                    load_pct=last[1],
                    load_end_pct=charge,
                )
            )
        out.append(Phase(duration_s=turns / len(s.steps) / speed * 60.0, rpm=speed, load_pct=charge))
        last = (speed, charge)
    if coast:
        out.append(Phase(duration_s=10.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1200))
        out.append(Phase(duration_s=3.0, rpm=1200, load_pct=30))
    return tuple(out)


def log(s: Setting, rng: np.random.Generator, turns: float = 1400.0, **kw: object) -> Scenario:
    """One log of a setting."""
    programme = kw.pop("programme", None) or drive(s, rng, turns)
    values: dict[str, object] = {
        "engine": s.engine,
        "programme": programme,
        "seed": int(rng.integers(1 << 30)),
        "clock": s.clock,
        "combustion": s.combustion,
        "teeth": s.teeth,
        **kw,
    }
    return Scenario(**values)  # type: ignore[arg-type]


def miss(rng: np.random.Generator, cylinder: int, low: float = 0.03, high: float = 0.3) -> Misfires:
    """Random misfires of one cylinder."""
    return Misfires(
        kind="random", cylinders=(cylinder,), rate=float(np.exp(rng.uniform(np.log(low), np.log(high))))
    )


def stale(rng: np.random.Generator, wheel: Wheel | None) -> Controller:
    """A stored pattern that fits no more: one turn of run-out, as after a change of the wheel or the sensor."""
    assert wheel is not None
    at = float(rng.uniform(0, 2 * np.pi))
    size = float(rng.uniform(0.4, 0.8))
    angle = 2 * np.pi * np.arange(wheel.positions) / wheel.positions
    return Controller(enabled=True, pattern="stale", stale_errors_deg=tuple(size * np.sin(angle + at)))


LEARNED = Controller(enabled=True, pattern="right")


def _cylinder(s: Setting, rng: np.random.Generator) -> int:
    return int(rng.integers(1, s.engine.cylinders + 1))


def _pair(s: Setting, rng: np.random.Generator) -> tuple[int, int]:
    """Two cylinders that are no companions: without a mark companions cannot be told apart."""
    a = _cylinder(s, rng)
    rest = [c for c in range(1, s.engine.cylinders + 1) if c not in (a, s.engine.companions.get(a))]
    return a, int(rng.choice(rest))


def stale_learned(s: Setting, rng: np.random.Generator) -> Story:
    """False counts behind a stale pattern; learned, and the cause is gone."""
    return Story(
        (log(s, rng, controller=stale(rng, s.engine.wheel)),),
        (log(s, rng, controller=LEARNED),),
        ("cleared",),
        s.channels,
        counts=True,
    )


def learned_disturbed(s: Setting, rng: np.random.Generator) -> Story:
    """Learned while the disturbance of the signal is still there."""
    faults: tuple[Fault, ...] = ()
    teeth = s.teeth
    kind = str(rng.choice(("extra", "lost", "drift")))
    if kind == "extra":
        faults = (Fault(kind="extra", per_s=float(rng.uniform(3.0, 8.0))),)
    elif kind == "lost":
        faults = (Fault(kind="lost", rate=float(rng.uniform(0.001, 0.004))),)
    else:
        teeth = replace(teeth, drift_deg_per_min=float(rng.uniform(0.2, 0.4)))
    before = log(s, rng, controller=stale(rng, s.engine.wheel), faults=faults, teeth=teeth)
    after = log(s, rng, controller=LEARNED, faults=faults, teeth=teeth)
    return Story((before,), (after,), ("cleared_cause_present",), s.channels, counts=True)


def misfire_and_learn(s: Setting, rng: np.random.Generator) -> Story:
    """A true misfire beside false counts: the learn takes the false ones away, the true ones stay."""
    c = _cylinder(s, rng)
    m = (miss(rng, c),)
    return Story(
        (log(s, rng, controller=stale(rng, s.engine.wheel), misfires=m),),
        (log(s, rng, controller=LEARNED, misfires=m),),
        ("misfire_remains",),
        s.channels,
        counts=True,
        name=(c,),
    )


def coil_moved(s: Setting, rng: np.random.Generator) -> Story:
    """A coil swapped between two cylinders, and the misfire goes with it."""
    a, b = _pair(s, rng)
    m = miss(rng, a)
    return Story(
        (log(s, rng, misfires=(m,)),),
        (log(s, rng, misfires=(replace(m, cylinders=(b,)),)),),
        ("moved",),
        s.channels,
        swapped=(a, b),
    )


def injector_stayed(s: Setting, rng: np.random.Generator) -> Story:
    """A coil swapped, but the fault is the injector's: the misfire stays."""
    a, b = _pair(s, rng)
    m = (miss(rng, a),)
    return Story(
        (log(s, rng, misfires=m),), (log(s, rng, misfires=m),), ("stayed",), s.channels, swapped=(a, b)
    )


def too_short(s: Setting, rng: np.random.Generator) -> Story:
    """Repaired, but driven for some hundred firings only: open, and the number named does prove it."""
    m = miss(rng, _cylinder(s, rng), 0.04, 0.15)
    short = log(s, rng, programme=drive(s, rng, float(rng.uniform(150, 300)), coast=False))
    return Story(
        (log(s, rng, misfires=(m,)),), (short,), ("not_proven",), s.channels, repaired=short, drive_again=True
    )


def nothing_changed(s: Setting, rng: np.random.Generator) -> Story:
    """The same misfire before and after."""
    m = (miss(rng, _cylinder(s, rng)),)
    return Story((log(s, rng, misfires=m),), (log(s, rng, misfires=m),), ("unchanged",), s.channels)


def healthy_twice(s: Setting, rng: np.random.Generator) -> Story:
    """Nothing wrong before, nothing after."""
    return Story((log(s, rng),), (log(s, rng),), ("unchanged",), s.channels)


def other_driving(s: Setting, rng: np.random.Generator) -> Story:
    """Misfires at high load only, not mended; afterwards only light load is driven."""
    heavy = replace(s, steps=((s.steps[0][0], 25.0), (s.steps[1][0], 75.0)), channels=True)
    light = replace(heavy, steps=((s.steps[0][0], 25.0), (s.steps[1][0], 25.0)))
    m = (replace(miss(rng, _cylinder(s, rng), 0.1, 0.3), from_load_pct=50.0),)
    return Story(
        (log(heavy, rng, misfires=m),), (log(light, rng, misfires=m),), ("not_proven",), True, counts=False
    )


def monitor_off(s: Setting, rng: np.random.Generator) -> Story:
    """Zero counts, because the controller does not watch."""
    off = replace(LEARNED, monitor=False)
    return Story(
        (log(s, rng, controller=stale(rng, s.engine.wheel)),),
        (log(s, rng, controller=off),),
        ("not_proven",),
        s.channels,
        counts=True,
        monitor_ran=False if rng.random() < 0.5 else None,
    )


STORIES: dict[str, Callable[[Setting, np.random.Generator], Story]] = {
    "stale_learned": stale_learned,
    "learned_disturbed": learned_disturbed,
    "misfire_and_learn": misfire_and_learn,
    "coil_moved": coil_moved,
    "injector_stayed": injector_stayed,
    "too_short": too_short,
    "nothing_changed": nothing_changed,
    "healthy_twice": healthy_twice,
    "other_driving": other_driving,
    "monitor_off": monitor_off,
}


def draw(name: str, seed: int) -> Story:
    """The story of a seed."""
    rng = np.random.default_rng([9157, sorted(STORIES).index(name), seed])
    return STORIES[name](setting(rng), rng)


def names(text: str | None) -> Sequence[str]:
    """Stories by name, all when none is named."""
    return list(STORIES) if text is None else [x for x in text.split(",") if x]
