"""The generic work shapes against the first law, integrated by a reference solver, and against the exact slider-crank."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from misfire.gas import GasShape, late_burn


def volume(shape: GasShape, angle_deg: float | np.ndarray) -> np.ndarray:
    """Volume over displacement: exact slider-crank, s = r (1 - cos a) + l - sqrt(l^2 - r^2 sin^2 a), with r = 1/2."""
    a, l_over_r = np.radians(angle_deg), 1.0 / shape.rod_ratio
    s = 0.5 * (1 - np.cos(a) + l_over_r - np.sqrt(l_over_r**2 - np.sin(a) ** 2))
    return np.asarray(s + 1.0 / (shape.compression_ratio - 1.0))


@pytest.mark.parametrize(
    "shape", [GasShape(), late_burn(GasShape()), GasShape(compression_ratio=17.0, rod_ratio=0.25)]
)
def test_combustion_obeys_the_first_law(shape: GasShape) -> None:
    """dp = (g - 1) dQ / V - g p dV / V of the extra pressure, work = integral p dV; Wiebe a = 5, m = 2."""
    g, h = shape.exponent, 1e-4

    def rates(a: float, y: np.ndarray) -> list[float]:
        u = max((a - shape.burn_start_deg) / shape.burn_length_deg, 0.0)
        heat = 15.0 * u**2 / shape.burn_length_deg * np.exp(-5.0 * u**3)
        v = float(volume(shape, a))
        dv = float(volume(shape, a + h) - volume(shape, a - h)) / (2 * h)
        return [(g - 1) * heat / v - g * y[0] * dv / v, y[0] * dv]

    at = np.arange(-20.0, shape.exhaust_opens_deg + 1.0, 5.0)
    done = solve_ivp(
        rates, (-20.0, float(at[-1])), [0.0, 0.0], t_eval=at, rtol=1e-9, atol=1e-12, max_step=1.0
    )
    work = done.y[1] / done.y[1][-1]
    # the shape is summed on a grid of half a degree
    np.testing.assert_allclose(shape.step(at), work, atol=0.01)
    assert shape.step(np.array([-400.0, 400.0])).tolist() == [0.0, 1.0]


def test_compression_is_taken_before_tdc_and_given_back_after() -> None:
    """Work of p V^g = constant from bottom centre, against the pressure there: closed form."""
    shape = GasShape()
    a = np.arange(-180.0, 181.0, 10.0)
    v, v0, g = volume(shape, a), float(volume(shape, 180.0)), shape.exponent
    work = (v0**g * (v0 ** (1 - g) - v ** (1 - g)) / (1 - g)) - (v0 - v)
    np.testing.assert_allclose(
        np.interp(a, shape.grid_deg, shape.compression), -np.abs(work) / np.abs(work).max(), atol=0.02
    )


def test_masses_slow_the_crank_where_they_move_fastest() -> None:
    """J w^2 constant: w^2/2 falls where (ds/da)^2 is large; mean zero over a turn."""
    shape = GasShape()
    a = np.arange(0.0, 361.0, 5.0)
    h = 0.5
    seen = (shape.inertia_integral(a + h) - shape.inertia_integral(a - h)) / (2 * h)
    slope = 2.0 * (volume(shape, a + 1e-3) - volume(shape, a - 1e-3)) / np.radians(2e-3)
    np.testing.assert_allclose(seen, -(slope**2) + np.mean(slope[:-1] ** 2), atol=0.03)
    assert seen[0] > 0.4 > -0.4 > seen[np.argmax(slope**2)]


def test_integrals_are_those_of_the_shapes() -> None:
    shape = GasShape()
    a = np.arange(-350.0, 700.0, 7.0)
    fine = np.arange(-360.0, 720.0, 0.1)
    total = np.cumsum(shape.step(fine)) * 0.1
    np.testing.assert_allclose(shape.step_integral(a), np.interp(a, fine, total), atol=0.6)
    # nothing added behind the range of the dip
    assert shape.dip_integral(np.array([200.0]))[0] == shape.dip_integral(np.array([700.0]))[0] < -10.0
