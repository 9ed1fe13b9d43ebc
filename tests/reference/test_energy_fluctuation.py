"""Energy fluctuation of a turning moment, recovered from tooth times alone.

Source: Khurmi & Gupta, Theory of Machines, 14th ed. 2009, examples 16.12 and 16.13 (read in a companion notebook).
The crank turns as J w^2 / 2 = const + integral of (T - mean T); its tooth times go through the same grid
that every log goes through, and the energy read off it must be the book's.
"""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.work import make_grid


def energy_from_teeth(excess_j, inertia: float, rpm: float) -> tuple[float, float]:
    """Peak to peak of J w^2 / 2 [J] and the coefficient of fluctuation of speed, from an evenly toothed wheel of 360."""
    wheel = Wheel.regular(360)
    fine = np.radians(np.arange(0.0, 6 * 360.0, 0.05))
    energy = 0.5 * inertia * (rpm * np.pi / 30) ** 2 + excess_j(fine)
    slowness = np.sqrt(inertia / (2 * energy))
    time = np.concatenate(([0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2 * np.diff(fine))))
    crank = number_edges(np.interp(np.radians(np.arange(6 * 360.0 - 1)), fine, time), wheel)
    grid = make_grid(crank)
    w2_half = np.diff(grid.action[360:720]) / np.radians(1.0)
    energy_j = inertia * float(np.ptp(w2_half))
    return energy_j, energy_j / (inertia * (rpm * np.pi / 30) ** 2)  # the book's coefficient: dE / (I w^2)


def test_khurmi_16_13():
    """T = 5000 + 1500 sin 3 theta, I = 1000 kg m^2, 300 rpm: 1000 J, 0.101321 %."""
    energy, speed = energy_from_teeth(lambda a: -500.0 * np.cos(3 * a), 1000.0, 300.0)
    assert energy == pytest.approx(1000.0, rel=1e-3)
    assert 100 * speed == pytest.approx(0.101321, rel=1e-3)


def test_khurmi_16_12():
    """600 sin 2 theta - 500 sin theta, 500 kg at k = 0.4 m, 150 rpm: 1204.17 J, 6.10 %."""
    energy, speed = energy_from_teeth(
        lambda a: -300.0 * np.cos(2 * a) + 500.0 * np.cos(a), 500.0 * 0.4**2, 150.0
    )
    assert energy == pytest.approx(1204.17, rel=1e-3)
    assert 100 * speed == pytest.approx(6.10, abs=0.005)
