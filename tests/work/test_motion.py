"""The model of how the crank moves between firings, held to plain slow twins and to made-up logs with known truth."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.grid import Grid
from misfire.work import Laid, apply_filter, places
from misfire.work.motion import (
    TRIM,
    Layout,
    Motion,
    Moves,
    disturbance,
    draft,
    find_motion,
    inertia_sums,
    inertia_wave,
    layout,
    log_likelihood,
    motion_filters,
    without_inertia,
)
from misfire.work.sharpen import Rough, _laid_on, sharpen
from misfire.work.windows import Place

SHAPE = GasShape()
ENGINE = Engine.from_order([1, 3, 4, 2], wheel=Wheel.regular(36, 1))
FIRST = 100.0
LAID = Laid(ENGINE, FIRST, np.zeros(0, dtype=bool), SHAPE)
MOTION = Motion(noise=4.0, spread=150.0, torque=60.0, memory_deg=300.0, timing=30.0)


def flat_grid(turns: int, action: np.ndarray | None = None) -> Grid:
    angle = ENGINE.wheel.tooth_angles_deg[1:]  # type: ignore[union-attr]
    size = turns * angle.size
    a = np.zeros(size) if action is None else action
    return Grid(angle, np.arange(size) * 1e-4, a, np.ones(size, dtype=bool))


def angles(grid: Grid, turns: int) -> np.ndarray:
    return (np.arange(turns)[:, None] * 360.0 + grid.angle_deg).ravel()


@pytest.fixture(scope="module")
def lay() -> Layout:
    return layout(flat_grid(4), ENGINE, places(ENGINE, FIRST)[1], SHAPE)


def slow_disturbance(lay: Layout, m: Motion, place: Place) -> np.ndarray:
    """Every cause point by point: a unit of it moves the running integral by so much."""
    p = lay.angle_deg.size
    cov = np.zeros((p, p))
    others = [o for o in np.arange(-1800.0, 1801.0, 180.0) if -820 < o < 905]
    for o in others:
        step = np.array([np.radians(float(SHAPE.step_integral(np.array(a - o)))) for a in lay.angle_deg])
        late = np.array([float(SHAPE.step(np.array(a - o))) for a in lay.angle_deg])
        if o:
            cov += m.spread**2 * np.outer(step, step)
        cov += m.timing**2 * np.outer(late, late)
    cells = np.arange(lay.angle_deg[0], lay.angle_deg[-1], 30.0)
    bend = []
    for c in cells:
        # torque 1 in this cell: the energy rises through it, the integral of the energy follows
        fine = np.arange(lay.angle_deg[0], lay.angle_deg[-1] + 0.05, 0.05)
        energy = np.clip(fine - c, 0, 30.0) * np.pi / 180
        total = np.concatenate(([0.0], np.cumsum((energy[1:] + energy[:-1]) / 2 * np.radians(0.05))))
        bend.append(np.interp(lay.angle_deg, fine, total))
    for i, c in enumerate(cells):
        for j, d in enumerate(cells):
            cov += m.torque**2 * np.exp(-abs(c - d) / m.memory_deg) * np.outer(bend[i], bend[j])
    return cov + m.noise**2 * np.eye(p)


def test_the_covariance_is_the_sum_of_its_causes(lay: Layout):
    want = slow_disturbance(lay, MOTION, places(ENGINE, FIRST)[1])
    np.testing.assert_allclose(disturbance(lay, MOTION), want, rtol=2e-3, atol=2e-3 * MOTION.noise**2)


def test_the_weights_are_generalised_least_squares(lay: Layout):
    """By whitening and ordinary least squares, from numpy; and no other unbiased weights err less."""
    cov = disturbance(lay, MOTION)
    fixed = np.column_stack([lay.trend, lay.own])
    white = np.linalg.inv(np.linalg.cholesky(cov))
    d = draft(lay, MOTION)
    rng = np.random.default_rng(4)
    own = d.weights @ cov @ d.weights
    for _ in range(5):
        y = rng.normal(size=lay.angle_deg.size)
        slow = np.linalg.lstsq(white @ fixed, white @ y, rcond=None)[0][-1]
        assert d.weights @ y == pytest.approx(slow, rel=1e-6, abs=1e-9)
        away = null_space(fixed.T) @ rng.normal(size=lay.angle_deg.size - 3) * 1e-3
        assert (d.weights + away) @ cov @ (d.weights + away) > own


def draws(cov: np.ndarray, count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(count, cov.shape[0])) @ np.linalg.cholesky(cov).T


def test_the_likelihood_is_that_of_the_contrasts(lay: Layout):
    """Differences between two models equal those of the normal density (scipy) of trend-free contrasts."""
    other = dataclasses.replace(MOTION, torque=20.0, spread=90.0)
    keep = null_space(lay.trend.T)
    rows = draws(disturbance(lay, MOTION), 20, 7)
    got, slow = [], []
    for m in (MOTION, other):
        cov = disturbance(lay, m) + m.spread**2 * np.outer(lay.own, lay.own)
        one = multivariate_normal(np.zeros(keep.shape[1]), keep.T @ cov @ keep, allow_singular=True).logpdf(
            rows @ keep
        )
        misfit = np.array([r @ keep @ np.linalg.solve(keep.T @ cov @ keep, keep.T @ r) for r in rows])
        best = np.argsort(misfit)[: int((1 - TRIM) * 20)]
        constant = one[0] + 0.5 * misfit[0]
        slow.append(constant - 0.5 * misfit[best].mean())
        got.append(log_likelihood(rows, lay, m))
    assert got[0] - got[1] == pytest.approx(slow[0] - slow[1], rel=1e-6)


def test_sizes_are_found_from_windows_made_with_them(lay: Layout):
    true = Motion(noise=4.0, spread=150.0, torque=57.3, memory_deg=1000.0, timing=0.0)
    cov = disturbance(lay, true) + true.spread**2 * np.outer(lay.own, lay.own)
    rows = draws(cov, 80, 1)
    got = find_motion([(rows, lay)], 4.0, 300.0, np.pi, 0.0)
    assert 100.0 <= got.spread <= 220.0
    assert 15.0 <= got.torque <= 200.0


def test_the_share_of_the_masses_is_found(lay: Layout):
    """Energies that ripple by a known share and vary in mean: the share comes back within a few per cent."""
    grid = flat_grid(4)
    wave = inertia_wave(grid, ENGINE, FIRST, SHAPE)
    assert np.ptp(wave) > 1.0  # an inline four ripples at the second order
    rng = np.random.default_rng(2)
    n = grid.per_turn
    k = lay.offsets
    step = np.radians(np.diff((k // n) * 360.0 + grid.angle_deg[k % n]))
    level = rng.normal(0.0, 4000.0, 40)
    ripple = np.array([np.concatenate(([0.0], np.cumsum(e * wave[k[:-1] % n] * step))) for e in level])
    noise = rng.normal(0.0, 4.0, ripple.shape)
    top, below = inertia_sums(0.003 * ripple + noise, ripple, lay, MOTION)
    assert top / below == pytest.approx(0.003, rel=0.1)


def test_taking_the_masses_out_and_putting_them_in_is_nothing():
    rng = np.random.default_rng(3)
    grid = flat_grid(6, np.cumsum(rng.uniform(900.0, 1100.0, 6 * 34)))
    wave = inertia_wave(grid, ENGINE, FIRST, SHAPE)
    out = without_inertia(grid, wave, 0.003)
    tooth = np.arange(grid.action.size - 1) % grid.per_turn
    back = np.diff(out.action) / (1 - 0.003 * wave[tooth])
    np.testing.assert_allclose(back, np.diff(grid.action), rtol=1e-12)
    # mean of the ripple over a turn is nothing
    step = np.diff(np.append(grid.angle_deg, grid.angle_deg[0] + 360.0))
    assert abs((wave * step).sum()) < 1e-2 * np.abs(wave * step).sum()


def test_filters_of_all_places_answer_one_to_their_own_work_and_err_as_they_say():
    """Made-up log with scatter, misfires and noise: errors within the predicted standard deviation."""
    turns = 500
    grid = flat_grid(turns)
    at = places(ENGINE, FIRST)
    rng = np.random.default_rng(11)
    full = angles(grid, turns)
    action = np.zeros(full.size)
    work: dict[tuple[int, int], float] = {}
    for turn in range(turns):
        for p in at:
            if turn % 2 == p.turn_offset:
                x = -800.0 if rng.random() < 0.03 else rng.normal(0.0, 30.0)
                work[p.index, turn] = x
                action += x * np.radians(SHAPE.step_integral(full - 360.0 * turn - p.angle_deg))
    grid = dataclasses.replace(grid, action=action + rng.normal(0.0, 20.0, full.size))
    m = Motion(noise=20.0, spread=150.0, torque=5.0, memory_deg=1000.0)
    filters, sd = motion_filters(grid, ENGINE, at, [layout(grid, ENGINE, p, SHAPE) for p in at], m)
    for p, f, s in zip(at, filters, sd, strict=True):
        turn = np.array([t for (i, t) in work if i == p.index and 6 < t < turns - 6])
        got = apply_filter(grid, f, turn * grid.per_turn)
        error = got - np.array([work[p.index, int(t)] for t in turn])
        assert np.sqrt(np.mean(error**2)) < 1.3 * s
        assert s < 60.0


def test_a_short_log_keeps_the_rough_energies():
    grid = flat_grid(4)
    n = 6
    rough = Rough(np.arange(n) % 4, np.arange(n) % 4, np.full(n, 1000.0), np.ones(n), np.ones(n))
    energy, sd = sharpen(grid, LAID, rough, 1e-6, Moves())
    np.testing.assert_array_equal(energy, rough.energy)
    assert np.isnan(sd).all()


def test_a_place_without_one_sound_window_hinders_no_other():
    """Edges lost always at the same place of the wheel leave it without windows, the place beside it not."""
    turns = 400
    rng = np.random.default_rng(5)
    grid = flat_grid(turns)
    at = places(ENGINE, FIRST)
    action = np.cumsum(rng.normal(0.0, 20.0, grid.action.size))
    grid = dataclasses.replace(grid, action=action)
    rows = [(p.index, t, rng.normal(0.0, 30.0)) for p in at for t in range(turns) if t % 2 == p.turn_offset]
    rows = [(p, t, e if p != 1 or t < 2 else np.nan) for p, t, e in rows]
    place, turn, energy = (np.array(c) for c in zip(*rows, strict=True))
    rough = Rough(place, turn, np.full(place.size, 1000.0), energy, np.full(place.size, 800.0))
    sharp, sd = sharpen(grid, LAID, rough, 1e-6, Moves())
    assert np.isfinite(sharp[place != 1]).all()
    assert np.isfinite(sd[place == 0]).any()


def test_sharp_values_follow_the_level_of_the_rough_ones_alike_at_all_places():
    """Two steady drives in one stretch, of which one place has lost more of the first: no place may be set apart."""
    rng = np.random.default_rng(8)
    at = places(ENGINE, FIRST)
    rows = [(p.index, t) for t in range(1200) for p in at if t % 2 == p.turn_offset]
    rows = [(p, t) for p, t in rows if p != 2 or t > 180 or t % 9 == 0]
    place, turn = (np.array(c) for c in zip(*rows, strict=True))
    first = turn < 640
    true = np.where(first, 700.0, 400.0) + np.array([0.0, -30.0, 0.0, 0.0])[place]
    sharp = true - np.where(first, 90.0, 600.0) + np.array([5.0, -20.0, 0.0, 9.0])[place]
    rough = Rough(place, turn, np.full(place.size, 2000.0), true + rng.normal(0.0, 60.0, place.size), true)
    mine = np.argsort(place, kind="stable")  # as the filters give them, place by place
    row, value = _laid_on(rough, mine, sharp[mine] + rng.normal(0.0, 3.0, place.size), at)
    assert row.size == place.size
    away = np.abs(turn[row] - 640) > 40
    for p in range(4):
        for here in (first[row], ~first[row]):
            mean = np.mean((value - true[row])[away & here & (place[row] == p)])
            assert (
                abs(mean) < 12.0
            )  # a fifth of the rough scatter; one constant a place would be off by hundreds
