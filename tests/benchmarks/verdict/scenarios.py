"""Random scenarios: cause, engine, wheel, clock, marks and programme drawn from one seed.

Nothing here was tuned to the tool: the ranges are those of the trade (speeds, loads, rates from a misfire in
a hundred to a dead cylinder) and the wheels and timers that are met.
"""

from __future__ import annotations

from dataclasses import dataclass

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

ENGINES = (
    "inline3", "inline4", "inline4", "inline4", "boxer4", "inline5", "inline6", "boxer6", "v6", "v6",
    "v6_oddfire", "seven", "v8", "v8",
)  # fmt: skip
CAUSES = (
    "none", "none", "one", "one", "dead", "companions", "several", "whole", "weak", "partial", "runout",
    "bent", "teeth", "stale", "edges", "drift", "rough", "misfire+wheel", "misfire+stale", "misfire+edges",
    "weak+wheel", "misfire+weak",
)  # fmt: skip
PROGRAMMES = ("steady", "steps", "coast", "coast", "revving", "gear")


@dataclass(frozen=True)
class Case:
    """A drawn scenario and what the analyst is given beside the log."""

    cause: str
    programme: str
    scenario: Scenario
    channels: bool
    counts: bool


def draw(seed: int, cause: str | None = None, programme: str | None = None) -> Case:
    """The case of a seed; cause and programme may be fixed, everything else stays random."""
    rng = np.random.default_rng([7241, seed])
    why = CAUSES[seed % len(CAUSES)]
    drive = str(rng.choice(PROGRAMMES))
    name = str(rng.choice(ENGINES))
    why, drive = cause or why, programme or drive
    if "companions" in why or "stale" in why:
        name = str(rng.choice(("inline4", "boxer4", "inline6", "v6", "v8")))
    wheel = Wheel.from_label(str(rng.choice(("60-2", "60-2", "60-2", "36-1", "24-1"))))
    layout = Engine.from_order((1, 3, 5, 7, 2, 4, 6), name="seven") if name == "seven" else name
    engine = prepared_engine(layout, wheel)
    if rng.random() < 0.5:
        first = float(np.round(rng.uniform(60.0, 180.0), 1))
        engine = engine.with_wheel(Wheel(wheel.positions, wheel.missing, first_tooth_after_tdc1_deg=first))
    marks = str(rng.choice(("both", "both", "mark", "cam", "none", "none")))
    clock = Clock(
        hz=1e6 / float(rng.choice((0.2, 0.5, 1.0, 2.0, 4.0))),
        jitter_us=float(rng.choice((0.2, 0.5, 1.0))),
        cam=marks in ("both", "cam"),
        cylinder1=marks in ("both", "mark"),
    )
    heat = float(rng.uniform(0.04, 0.12))
    kw: dict[str, object] = {}
    misfires, faults = _misfires(why, engine, rng), _faults(why, rng)
    factors = {}
    if "weak" in why:
        factors = {str(rng.integers(1, engine.cylinders + 1)): float(rng.uniform(0.5, 0.78))}
    if "stale" in why:
        kw["controller"] = Controller(
            enabled=True, pattern="stale", stale_sd_deg=float(rng.uniform(0.08, 0.25))
        )
    scenario = Scenario(
        engine=engine,
        programme=_programme(drive, why == "rough", rng),
        name=f"{why}/{drive}/{name}/{wheel.label}/{marks}",
        seed=seed,
        combustion=Combustion(cov_full=0.015, cov_idle=heat, cylinder_factors=factors),
        misfires=misfires,
        teeth=_teeth(why, wheel, rng),
        faults=faults,
        clock=clock,
        **kw,  # type: ignore[arg-type]
    )
    return Case(why, drive, scenario, bool(rng.random() < 0.5), "stale" in why)


def _misfires(why: str, engine: Engine, rng: np.random.Generator) -> tuple[Misfires, ...]:
    n = engine.cylinders
    rate = float(np.exp(rng.uniform(np.log(0.015), np.log(0.4))))
    one = int(rng.integers(1, n + 1))
    if why == "companions":
        return (Misfires(kind="coil", cylinders=(one,), rate=float(rng.choice((rate, rate, 1.0)))),)
    if why == "dead":
        return (Misfires(kind="dead", cylinders=(one,)),)
    if why == "several":
        k = int(rng.integers(2, n)) if n > 2 else 2
        some = tuple(sorted(int(c) for c in rng.choice(np.arange(1, n + 1), k, replace=False)))
        return (Misfires(kind="random", cylinders=some, rate=min(rate, 0.15)),)
    if why == "whole":
        return (Misfires(kind="random", cylinders=tuple(range(1, n + 1)), rate=min(rate, 0.15)),)
    if why == "partial":
        return (Misfires(kind="random", cylinders=(one,), rate=float(rng.uniform(0.05, 0.6)), remaining=0.5),)
    if why == "one" or why.startswith("misfire+"):
        kind = str(rng.choice(("random", "random", "burst", "every")))
        if kind == "burst":
            return (Misfires(kind=kind, cylinders=(one,), rate=rate / 5, length=int(rng.integers(2, 7))),)
        return (Misfires(kind=kind, cylinders=(one,), rate=rate, every=max(2, int(1 / rate))),)
    return ()


def _teeth(why: str, wheel: Wheel, rng: np.random.Generator) -> ToothErrors:
    sd = float(rng.uniform(0.0, 0.03))
    at = float(rng.uniform(0, 360))
    shape = why
    if why.endswith("+wheel"):
        shape = str(rng.choice(("runout", "bent", "teeth")))
    if shape == "runout":
        return ToothErrors(sd_deg=sd, runout_mm=float(rng.uniform(0.1, 0.5)), runout_at_deg=at)
    if shape == "bent":
        where = int(rng.integers(2, wheel.positions - 4))
        return ToothErrors(sd_deg=sd, bent={str(where): float(rng.choice((-1, 1)) * rng.uniform(0.3, 1.5))})
    if shape == "teeth":
        return ToothErrors(sd_deg=float(rng.uniform(0.08, 0.3)))
    if why == "drift":
        return ToothErrors(sd_deg=sd, drift_deg_per_min=float(rng.uniform(0.2, 0.6)))
    return ToothErrors(sd_deg=sd)


def _faults(why: str, rng: np.random.Generator) -> tuple[Fault, ...]:
    if "edges" not in why:
        return ()
    kind = str(rng.choice(("lost", "extra", "extra_spark")))
    if kind == "lost":
        return (Fault(kind="lost", rate=float(rng.uniform(0.0005, 0.004))),)
    if kind == "extra":
        return (Fault(kind="extra", per_s=float(rng.uniform(1.0, 8.0))),)
    return (Fault(kind="extra_spark", rate=float(rng.uniform(0.02, 0.1)), cylinders=(1,), count=2),)


def _programme(drive: str, rough: bool, rng: np.random.Generator) -> tuple[Phase, ...]:
    def step(seconds: float, rpm: float, gear: float = 0.0) -> Phase:
        if gear == 0.0 and rng.random() < 0.3:
            return Phase(duration_s=seconds, rpm=rpm, mode="governed")
        noise = float(rng.uniform(8, 30)) if rough and gear else 0.0
        return Phase(
            duration_s=seconds, rpm=rpm, load_pct=float(rng.uniform(15, 85)), gear_m=gear, rough_nm=noise
        )

    if rough:
        drive = "gear"
    gear = float(rng.uniform(0.03, 0.08)) if drive == "gear" else 0.0
    top = float(rng.choice((2500, 3500, 4500, 6000)))
    if drive == "steady":
        return (step(float(rng.uniform(20, 45)), float(np.exp(rng.uniform(np.log(700), np.log(6000))))),)
    if drive == "revving":
        one = (
            Phase(duration_s=3.0, rpm=800, mode="governed"),
            Phase(duration_s=6.0, rpm=top + 200, load_pct=45, mode="free", until_rpm=top),
            Phase(duration_s=12.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1300),
        )
        return (*one, *one, Phase(duration_s=6.0, rpm=800, mode="governed"))
    low = 1100.0 if drive == "gear" else 700.0
    speeds = np.sort(rng.uniform(low, top, int(rng.integers(2, 5))))
    out: list[Phase] = []
    for before, speed in zip([None, *speeds[:-1]], speeds, strict=True):
        # the driver mostly takes his time; in neutral the throttle may be snapped open
        if before is not None and (gear or rng.random() < 0.6):
            seconds = max(
                (speed - before) / float(rng.uniform(150, 400) if gear else rng.uniform(500, 2000)), 0.5
            )
            out.append(
                Phase(
                    duration_s=seconds, rpm=float(before), rpm_end=float(speed),
                    load_pct=float(rng.uniform(30, 80)), gear_m=gear,
                )
            )  # fmt: skip
        out.append(step(float(rng.uniform(6, 14)), float(speed), gear))
    cut = drive == "coast" or (drive == "gear" and rng.random() < 0.6)
    if cut:
        if speeds[-1] < 2200:
            rise = (2600.0 - float(speeds[-1])) / 300.0
            out.append(
                Phase(duration_s=rise, rpm=float(speeds[-1]), rpm_end=2600.0, load_pct=50.0, gear_m=gear)
            )
            out.append(step(5.0, 2600.0, gear))
        out.append(
            Phase(duration_s=10.0, mode="free", fuel_cut=True, load_pct=12, until_rpm=1300, gear_m=gear)
        )
        out.append(step(5.0, 1300.0, gear))
    return tuple(out)
