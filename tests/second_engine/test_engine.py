"""The second engine itself: gas, springs and tooth times against closed forms, so that the cases rest on something."""

from __future__ import annotations

import numpy as np
import pytest

from .drive import Drive, Span, Stretch, _advance, run
from .gas import GAMMA, IVC, LAYOUTS, Cylinder
from .sensor import Wheel, sense

FOUR = LAYOUTS["inline4"]


def test_pressure_without_heat_is_adiabatic() -> None:
    """p V^g stays (first law, ideal gas; any textbook of thermodynamics)."""
    one = Cylinder(FOUR)
    p = one._closed(1e5, np.zeros(one._v.size))
    assert p[-IVC] == pytest.approx(1e5 * (one._v[0] / one._v[-IVC]) ** GAMMA, rel=1e-12)
    assert one.volume.max() / one.volume.min() == pytest.approx(FOUR.compression, rel=1e-3)


def test_torque_over_a_cycle_is_the_work_of_the_gas() -> None:
    """The torque's integral, fired less motored, is the combustion work (virtual work), by another sum."""
    one = Cylinder(FOUR)
    fired, work = one.cycle(0.6e5, 200.0, 1.0, -20.0, 60.0)
    motored, none = one.cycle(0.6e5, 200.0, 0.0, 0.0, 50.0)
    assert none == 0.0
    assert np.sum((fired - motored)[:315]) * np.pi / 180 == pytest.approx(work, rel=0.01)
    assert (
        4e5 < work / FOUR.swept < 9e5
    )  # indicated mean effective pressure of a part-load engine, common practice


def test_crank_torsion_rings_at_the_two_mass_frequency() -> None:
    """w^2 = k (1/J1 + 1/J2), the two-mass torsional oscillator of every handbook of vibrations."""
    j1, j2, hertz = 0.05, 0.15, 300.0
    k = (2 * np.pi * hertz) ** 2 * j1 * j2 / (j1 + j2)
    flat = [0.0] * 4000
    span = Span(0, flat, [j1] * 4000, flat, 0.0, k, 0.0, j2, 0.0, 0.0, 0.0, 0.0, 1.0, 60.0, 5e-5)
    steps: list[tuple[float, ...]] = []
    _advance(0.0, (0.0, 100.0, 1e-3, 100.0, 0.0, 100.0), span, steps)
    t, front, _, fly, _ = np.array(steps).T
    twist = front - fly
    up = np.flatnonzero((twist[:-1] < 0) & (twist[1:] >= 0))
    assert (up.size - 1) / (t[up[-1]] - t[up[0]]) == pytest.approx(hertz, rel=2e-3)
    energy = (
        0.5 * j1 * np.array(steps)[:, 2] ** 2 + 0.5 * j2 * np.array(steps)[:, 4] ** 2 + 0.5 * k * twist**2
    )
    assert np.ptp(energy) / energy[0] < 1e-6  # nothing is lost without damping


def test_teeth_lie_where_the_wheel_says() -> None:
    """The crank angle at an edge's time is the tooth's angle; a late tooth comes later by error / speed."""
    motion = run(Drive("inline4", (Stretch("idle", 2.0, 900),)))
    plain = Wheel(tooth_sd_deg=0.0, jitter_deg=0.0, jitter_s=0.0)
    bent = Wheel(tooth_sd_deg=0.0, jitter_deg=0.0, jitter_s=0.0, steps_deg=((10, 10, 0.5),))
    a, b = sense(motion, plain).crank_s, sense(motion, bent).crank_s
    degrees = np.degrees(np.interp(a, motion.time_s, motion.fly_rad)) - plain.first_tooth_deg
    assert np.abs((degrees + 3) % 6 - 3).max() < 0.01
    place = np.round(degrees / 6).astype(int) % 60
    late = np.degrees((b - a) * np.interp(a, motion.time_s, motion.fly_w))
    assert late[place == 10] == pytest.approx(0.5, abs=0.01)
    assert np.abs(late[place != 10]).max() < 1e-9
