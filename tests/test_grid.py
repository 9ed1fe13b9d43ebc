"""The running integral of w^2/2 and the scatter of edge times, against numbers put in."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.grid import make_grid, time_at, time_noise_s


def log(wheel: Wheel, rpm: float, turns: int, jitter_s: float = 0.0) -> np.ndarray:
    """Edge times [s] at a constant speed, each edge off by a normal jitter."""
    angle = (360.0 * np.arange(turns)[:, None] + wheel.tooth_angles_deg).ravel()
    noise = np.random.default_rng(4).normal(0.0, jitter_s, angle.size) if jitter_s else 0.0
    return angle / (6.0 * rpm) + noise


@pytest.mark.parametrize(("label", "rpm"), [("60-2", 3000.0), ("60-2", 900.0), ("36-1", 2000.0)])
def test_the_scatter_of_the_edges_comes_back(label: str, rpm: float) -> None:
    """1 us in, 1 us out: fourth differences of white noise, 70 of its variance, two cycles subtracted (derived)."""
    wheel = Wheel.from_label(label)
    grid = make_grid(number_edges(log(wheel, rpm, 400, 1e-6), wheel))
    # neighbouring differences overlap: some 20 000 of them are worth about 3000 free ones, so 6 % is over four errors
    assert time_noise_s(grid) == pytest.approx(1e-6, rel=0.06)


def test_the_integral_grows_by_half_w_squared_times_the_angle() -> None:
    wheel = Wheel.from_label("60-2")
    grid = make_grid(number_edges(log(wheel, 3000.0, 20), wheel))
    w = 3000.0 * np.pi / 30.0
    per_turn = grid.action[5 * 57] - grid.action[4 * 57]
    assert grid.per_turn == 57
    assert per_turn == pytest.approx(0.5 * w**2 * 2.0 * np.pi, rel=1e-9)


def test_time_between_two_teeth() -> None:
    wheel = Wheel.from_label("60-2")
    grid = make_grid(number_edges(log(wheel, 3000.0, 20), wheel))
    start = np.arange(2, 15) * grid.per_turn
    turn_s = 60.0 / 3000.0
    for angle in (-180.0, 0.0, 33.0, 350.0, 400.0):
        np.testing.assert_allclose(
            time_at(grid, start, angle), (np.arange(2, 15) + angle / 360.0) * turn_s, atol=1e-9
        )
