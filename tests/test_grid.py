"""The running integral of w^2/2 and the scatter of edge times, against numbers put in."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.grid import Grid, make_grid, time_at, time_noise_s


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


def test_late_edges_at_a_known_angle_leave_the_speed_even() -> None:
    """Teeth that stand later than they should, and the same errors given: every interval has the one true speed."""
    wheel = Wheel.from_label("60-2")
    error = np.random.default_rng(2).normal(0.0, 0.1, wheel.teeth)
    angle = (360.0 * np.arange(20)[:, None] + wheel.tooth_angles_deg + error).ravel()
    crank = number_edges(angle / (6.0 * 3000.0), wheel)
    half_square = 0.5 * (3000.0 * np.pi / 30.0) ** 2

    def uneven(given: np.ndarray | None) -> float:
        grid = make_grid(crank, given)
        step = np.radians(np.diff(np.append(grid.angle_deg, grid.angle_deg[0] + 360.0)))
        rows = np.diff(grid.action)[: 10 * step.size].reshape(-1, step.size)
        return float(np.abs(rows / step / half_square - 1).max())

    assert uneven(error) < 1e-6
    assert uneven(None) > 0.02


def test_time_between_two_teeth() -> None:
    wheel = Wheel.from_label("60-2")
    grid = make_grid(number_edges(log(wheel, 3000.0, 20), wheel))
    start = np.arange(2, 15) * grid.per_turn
    turn_s = 60.0 / 3000.0
    for angle in (-180.0, 0.0, 33.0, 350.0, 400.0):
        np.testing.assert_allclose(
            time_at(grid, start, angle), (np.arange(2, 15) + angle / 360.0) * turn_s, atol=1e-9
        )


@pytest.mark.parametrize("every", [1, 2])
def test_time_at_an_angle_is_that_of_the_two_teeth_around(every: int) -> None:
    """Against the line between two teeth, one at a time; starts in equal steps and in unequal ones, over both ends."""
    rng = np.random.default_rng(8)
    n, turns = 7, 30
    time = np.cumsum(rng.random(turns * n))
    angle = np.sort(rng.uniform(0, 360, n))
    grid = Grid(angle, time, np.zeros(time.size), np.ones(time.size, dtype=bool))
    equal = np.arange(0, turns, every) * n
    full = np.concatenate([angle + 360.0 * k for k in range(turns)])
    for start in (equal, np.delete(equal, 3)):
        for at in rng.uniform(-700, 700, 30):
            where = start // n * 360.0 + at
            want = np.interp(where, full, time, left=np.nan, right=np.nan)
            np.testing.assert_allclose(time_at(grid, start, float(at)), want)
