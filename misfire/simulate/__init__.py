"""A physical engine with known truth: motion, wheel, sensor, controller; scenarios.

    from misfire.simulate import Scenario, simulate
    done = simulate(Scenario.steady("v8", rpm=2500, load_pct=40, duration_s=10))
    done.recording, done.truth.misfires

Modelled: exact slider-crank and J(theta), polytropic compression and expansion with Wiebe heat release,
blow-down and pumping at constant pressure, a burn whose duration may follow speed and load, friction of the
tfmep form, combustion scatter, misfire patterns, driver and governor; vehicle on one or two springs and
dampers with play, behind a clutch that may slip or a converter that may lock up; the crankshaft's first
elastic mode as the pickup sees it; a compression leak by cylinder; wheel and signal faults, timer; a controller's monitor for even and odd
firing with right, stale or no pattern.
Not modelled: gas exchange with waves or valve lift, heat transfer other than through the exponents, spark
retard (knock, catalyst heating), scatter that depends on speed, throttle dynamics, a limit of speed,
cylinder-to-cylinder filling, friction that varies within a turn, the vehicle slowing down in neutral, torsion
that acts back on the motion, higher torsional modes, piston-pin offset, valve-train torque, an engine rocking
on its mounts, magnetics of the pickup beyond the shifts in `ToothErrors`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake.recording import Channels, Recording
from misfire.simulate.controller import Counts, monitor
from misfire.simulate.driver import RAD_PER_RPM
from misfire.simulate.library import load_scenario, scenario_names, scenario_text
from misfire.simulate.motion import Motion, run, stalled
from misfire.simulate.result import Simulated, Truth
from misfire.simulate.scenario import (
    Clock,
    Combustion,
    Controller,
    Driveline,
    Fault,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    Torsion,
    prepared_engine,
)
from misfire.simulate.sensor import Edges, record

__all__ = [
    "Clock", "Combustion", "Controller", "Driveline", "Fault", "Misfires", "Motion", "Phase", "Scenario",
    "Simulated", "ToothErrors", "Torsion", "Truth", "load_scenario", "prepared_engine", "scenario_names",
    "scenario_text", "simulate",
]  # fmt: skip


def simulate(scenario: Scenario) -> Simulated:
    """Run a scenario: motion, edges, slow channels and truth. The same scenario gives the same result.

    Raises InputError when the engine stalls at once or the log would hold fewer than two turns.
    """
    motion, edges, counts = _run(scenario)
    notes: tuple[str, ...] = ()
    shut = _limp(scenario, counts)
    if shut:
        # the injectors stay off from the count that was one too many; everything before repeats itself
        motion, edges, counts = _run(scenario.but(misfires=scenario.misfires + shut))
        notes = tuple(f"injector of cylinder {m.cylinders[0]} shut off at {m.from_s:.3f} s" for m in shut)
    assert scenario.engine.wheel is not None
    if len(edges.crank_s) < 2 * scenario.engine.wheel.teeth:
        if motion.stopped:
            raise stalled(scenario, len(motion.time_s) * motion.step_deg / 360.0)
        raise InputError(f"scenario {scenario.name}: fewer than two turns; make the programme longer")
    truth = _truth(scenario, motion, edges.tooth_error_deg, edges.faults, notes)
    slow = _streams(scenario)[3]
    c = scenario.clock
    recording = Recording(
        source=f"simulated: {scenario.name}",
        crank_s=edges.crank_s,
        cam_s=edges.cam_s if c.cam else None,
        cylinder1_s=edges.cylinder1_s if c.cylinder1 else None,
        clock_step_s=1.0 / c.hz,
        decisions={"format": "simulated"},
    )
    return Simulated(
        scenario=scenario,
        engine=scenario.engine,
        recording=recording,
        channels=_channels(scenario, motion, truth, slow),
        truth=truth,
        edges=edges,
        counts=None if counts is None else counts.totals,
    )


def _streams(s: Scenario) -> list[np.random.Generator]:
    """Separate draws for combustion, wheel, sensor, channels and controller."""
    return [np.random.default_rng(k) for k in np.random.SeedSequence(s.seed).spawn(5)]


def _run(s: Scenario) -> tuple[Motion, Edges, Counts | None]:
    drive, wheel, noise, _, stored = _streams(s)
    motion = run(s, drive)
    edges = record(s, motion, wheel, noise)
    counts = monitor(s, motion, edges, stored) if s.controller.enabled else None
    return motion, edges, counts


def _limp(s: Scenario, counts: Counts | None) -> tuple[Misfires, ...]:
    """A dead cylinder for each injector that the controller shuts off."""
    out = []
    limit = s.controller.limp_after
    if counts is not None and limit > 0:
        for c in range(1, s.engine.cylinders + 1):
            mine = counts.time_s[counts.cylinder == c]
            if len(mine) >= limit:
                out.append(Misfires(kind="dead", cylinders=(c,), from_s=float(mine[limit - 1])))
    return tuple(out)


def _truth(
    s: Scenario,
    motion: Motion,
    errors: npt.NDArray[np.float64],
    faults: dict[str, int],
    notes: tuple[str, ...],
) -> Truth:
    e = motion.events
    normal = e["normal_work_j"].astype(float)
    work = e["work_j"].astype(float)
    assert s.engine.wheel is not None
    return Truth(
        tdc_s=motion.tdc_s,
        cylinder=e["cylinder"].astype(np.int64),
        rpm=motion.tdc_rad_s / RAD_PER_RPM,
        load_pct=e["load_pct"].astype(float),
        work_j=work,
        normal_work_j=normal,
        lost_work=1.0 - work / np.maximum(normal, 1e-9),
        state=e["state"].astype(np.int64),
        cause=e["cause"].astype(np.int64),
        tooth_error_deg=errors,
        positions=s.engine.wheel.tooth_positions,
        faults=faults,
        cylinders=s.engine.cylinders,
        scenario=s.name,
        title=s.title,
        seed=s.seed,
        stopped=motion.stopped,
        notes=notes,
        leaks={c: x for c, x in s.combustion.leaks.items() if x},
    )


def _channels(s: Scenario, motion: Motion, truth: Truth, rng: np.random.Generator) -> Channels:
    """Slow channels [s.channel_hz rows a second]: what a scan tool shows, each value held since its event."""
    t = np.arange(0.0, float(motion.time_s[-1]), 1.0 / s.channel_hz)
    at = np.clip(np.searchsorted(truth.tdc_s, t, side="right") - 1, 0, len(truth.tdc_s) - 1)
    load = truth.load_pct[at]
    speed = np.interp(t, motion.time_s, motion.speed_rad_s) / RAD_PER_RPM
    cut = (truth.state[at] == 2).astype(float)
    values = {
        "load_pct": np.round(load + rng.normal(0.0, 0.2, len(t)), 2),
        "map_kpa": np.round(15.0 + 0.85 * load + rng.normal(0.0, 0.2, len(t)), 2),
        "speed_rpm": np.round(speed, 1),
        "coolant_c": np.full(len(t), s.coolant_c),
        "fuel_cut": cut,
    }
    if any(p.starter for p in s.programme):
        values["starter"] = motion.events["starter"][at].astype(float)
    if any(p.gear_m > 0.0 for p in s.programme):
        values["vehicle_kmh"] = np.round(3.6 * motion.events["vehicle_m_s"][at].astype(float), 1)
    return Channels(t, values, source=f"simulated: {s.name}")
