"""Core relations: how four causes scale with speed, in simulated edge times, within 3 %.

Derived (rigid crank): relative segment-time error of lost work ~ w^-2, of a tooth error and of J(th) ripple
constant, of a time error at an edge ~ w; the error of the acceleration is that times w^2. Along the zero-load line
the work itself rises, so that the first is about w^-1.4.
"""

from __future__ import annotations

import numpy as np
import pytest

from misfire.engine import Engine, Wheel
from misfire.simulate import (
    Clock,
    Combustion,
    Fault,
    Misfires,
    Scenario,
    ToothErrors,
    prepared_engine,
    simulate,
)
from misfire.simulate.driver import RAD_PER_RPM, Driver
from misfire.simulate.gas import GasModel, WorkTables
from misfire.simulate.mechanics import friction_mep_bar, roughness_1_s2
from misfire.simulate.motion import cylinder_of
from misfire.simulate.scenario import Phase

SPEEDS = np.array([2500.0, 3500.0, 5000.0, 7000.0])
QUIET = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0, after_misfire=0.0)
WHEEL = Wheel.regular(60)
TEETH_A_SEGMENT = 30  # half a turn: an inline four's firing interval


def steady(rpm: float, **kw: object) -> Scenario:
    kw = {"combustion": QUIET, "clock": Clock(hz=1e13, jitter_us=0.0), "seed": 3, **kw}
    return Scenario.steady("inline4", rpm=rpm, load_pct=50, duration_s=4.0, wheel=WHEEL, **kw)


def errors(rpm: float, **cause: object) -> tuple[float, float]:
    """Largest relative segment-time error, and largest error of the acceleration [rad/s^2], that a cause makes."""
    clean = simulate(steady(rpm)).recording.crank_s
    hurt = simulate(steady(rpm, **cause)).recording.crank_s
    n = min(len(clean), len(hurt))
    relative, acceleration = [], []
    for offset in range(TEETH_A_SEGMENT):
        t0, t1 = clean[offset:n:TEETH_A_SEGMENT], hurt[offset:n:TEETH_A_SEGMENT]
        relative.append(np.diff(t1) / np.diff(t0) - 1.0)
        alpha = [-np.pi * roughness_1_s2(np.diff(t)) for t in (t0, t1)]
        acceleration.append(alpha[1] - alpha[0])
    pick = np.argmax([np.max(np.abs(a)) for a in acceleration])
    first = int(np.argmax(np.abs(acceleration[pick]) > 0.5 * np.max(np.abs(acceleration[pick]))))
    near = slice(max(first - 2, 0), first + 3)
    return float(np.max(np.abs(relative[pick][near]))), float(np.max(np.abs(acceleration[pick][near])))


def exponents(found: list[tuple[float, float]], speeds: np.ndarray = SPEEDS) -> list[float]:
    return [float(np.polyfit(np.log(speeds), np.log(column), 1)[0]) for column in zip(*found, strict=True)]


def test_lost_work():
    """One missing firing at the same charge: w^-2, and the same acceleration at every speed."""
    found = [
        errors(rpm, misfires=(Misfires(kind="list", cylinders=(1,), firings=(int(rpm / 60),)),))
        for rpm in SPEEDS
    ]
    time, acceleration = exponents(found)
    assert time == pytest.approx(-2.0, abs=0.06)
    assert acceleration == pytest.approx(0.0, abs=0.06)


def test_tooth_error():
    """0.1 deg at one tooth: constant, and w^2."""
    time, acceleration = exponents([errors(rpm, teeth=ToothErrors(bent={"20": 0.1})) for rpm in SPEEDS])
    assert time == pytest.approx(0.0, abs=0.03)
    assert acceleration == pytest.approx(2.0, rel=0.03)


def test_edge_moved_in_time():
    """Edges 20 us late beside one cylinder's spark: w, and w^3."""
    fault = Fault(kind="shift_spark", cylinders=(1,), amplitude_us=20.0, width_us=60.0, angle_deg=-12.5)
    time, acceleration = exponents([errors(rpm, faults=(fault,)) for rpm in SPEEDS])
    assert time == pytest.approx(1.0, abs=0.03)
    assert acceleration == pytest.approx(3.0, rel=0.03)


def test_inertia_ripple():
    """J(th) of an inline four: the same relative segment times at every speed, as a tooth error would give."""
    # valves that never shut and air everywhere leave the reciprocating masses alone
    gas = GasModel(inlet_closes_deg=-0.1, exhaust_opens_deg=0.1, exhaust_kpa=100.0, crankcase_kpa=100.0)
    found = []
    for rpm in SPEEDS:
        step = Phase(duration_s=2.0, rpm=rpm, load_pct=100.0, mode="free", fuel_cut=True)
        s = Scenario(
            engine=prepared_engine("inline4", WHEEL), programme=(step,), gas=gas, friction=0.0, accessory_nm=0.0,
            clock=Clock(hz=1e13, jitter_us=0.0),
        )  # fmt: skip
        segment = np.diff(
            simulate(s).recording.crank_s[::15][2:40]
        )  # quarter turns: the ripple is second order
        found.append((np.ptp(segment) / segment.mean(), np.ptp(np.pi / 2 * roughness_1_s2(segment))))
    time, acceleration = exponents(found)
    assert found[0][0] > 1e-3
    assert time == pytest.approx(0.0, abs=0.03)
    assert acceleration == pytest.approx(2.0, rel=0.03)


def test_zero_load_line():
    """About w^-1.4 along the zero-load line: the tfmep form's own rise; pumping and accessories flatten it."""
    speeds = np.linspace(1000.0, 6000.0, 11)
    alone = np.polyfit(np.log(speeds), np.log(friction_mep_bar(speeds)), 1)[0] - 2.0
    assert alone == pytest.approx(-1.4, abs=0.06)
    s = steady(3000.0)
    cylinder = cylinder_of(s)
    tables = WorkTables(s.gas, cylinder, np.arange(-360.0, 363.0, 2.0))
    driver = Driver(s, cylinder, tables, np.random.default_rng(1))
    work = [s.gas.heat_j(driver.no_load_kpa(rpm * RAD_PER_RPM), cylinder.displacement_m3) for rpm in speeds]
    assert -2.0 < np.polyfit(np.log(speeds), np.log(work), 1)[0] - 2.0 < -1.4


def test_angle_of_a_firing_event():
    """Dth = 4 pi / cylinders."""
    for cylinders in (1, 3, 4, 5, 6, 8):
        engine = Engine.from_order(list(range(1, cylinders + 1)))
        assert np.radians(engine.interval_deg) == pytest.approx(4 * np.pi / cylinders)
