"""Steady work of each cylinder from what differs between the two turns of a cycle: made-up logs with known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from misfire.crank import Crank
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.grid import Grid
from misfire.naming import _turn_from_work
from misfire.work import Events, Laid, mean_work, places
from misfire.work.alternate import CYCLES

SHAPE = GasShape()
FIRST = 100.0
ODD_V6 = Engine.from_order(
    [1, 2, 3, 4, 5, 6], wheel=Wheel.regular(36, 1), firing_tdc_deg=[0, 90, 240, 330, 480, 570]
)


def log_of(
    engine: Engine, work: np.ndarray, wheel_deg: np.ndarray, w: float, cycles: int
) -> tuple[Grid, Crank, Events, np.ndarray]:
    """Steady running: every firing adds its work by the generic shape, the load takes the mean; edges late by the wheel.

    An edge late by an angle d adds -w^2 d to the running integral [derived: action enters as -w^3 dt].
    """
    wheel = engine.wheel
    assert wheel is not None
    angle = wheel.tooth_angles_deg[1:]
    turns = 2 * cycles
    full = (np.arange(turns)[:, None] * 360.0 + angle).ravel()
    action = w**2 / 2 * np.radians(full)
    mean = work.sum() / 720.0
    action -= (
        mean * full**2 / 2 * np.pi / 180
    )  # the load's constant torque, as integral of the energy it takes
    at = places(engine, FIRST)
    for p in at:
        tdc = 360.0 * p.turn_offset + p.angle_deg
        for c in range(-2, cycles + 1):
            action += work[p.index] * np.radians(SHAPE.step_integral(full - tdc - 720.0 * c))
    action += np.tile(-(w**2) * np.radians(wheel_deg), turns)
    grid = Grid(angle, np.arange(full.size) * 1e-4, action, np.ones(full.size, dtype=bool))
    crank = Crank(
        wheel=wheel, time_s=np.zeros((turns, wheel.teeth)), block=np.zeros(turns, dtype=int),
        faulty=np.zeros(turns, dtype=bool), edges=0, extra_edges=0, lost_edges=0, resyncs=0, first_tooth_lost=0,
        faults=(), wheel_found=False,
    )  # fmt: skip
    n = engine.cylinders
    place = np.tile(np.arange(n), cycles)
    turn = np.repeat(2 * np.arange(cycles), n) + np.tile([p.turn_offset for p in at], cycles)
    flat = np.full(place.size, float(np.abs(work).max()))
    events = Events(
        time_s=np.arange(place.size) * 0.01, turn=turn, place=place, rpm=np.full(place.size, w * 30 / np.pi), energy=flat,
        level=flat, acceleration_rad_s2=flat, trusted=np.ones(place.size, dtype=bool), short=np.zeros(place.size, dtype=bool),
    )  # fmt: skip
    return grid, crank, events, np.arange(turns) % 2 == 1


@pytest.mark.parametrize("wheel_sd_deg", [0.0, 0.5])
@pytest.mark.parametrize(
    "engine",
    [
        Engine.from_order([1, 3, 2], wheel=Wheel.regular(36, 1)),
        Engine.from_order([1, 2, 4, 5, 3], wheel=Wheel.regular(36, 1)),
        Engine.from_order([1, 3, 5, 7, 2, 4, 6], wheel=Wheel.regular(60, 2)),
        ODD_V6,
    ],
    ids=["three", "five", "seven", "odd six"],
)
def test_what_a_cylinder_lacks_is_found_whatever_the_wheel(engine: Engine, wheel_sd_deg: float):
    """One dead and one weak cylinder behind a wheel whose error is worth many times a firing at this speed."""
    work = np.full(engine.cylinders, 800.0)
    work[0], work[2] = 0.0, 560.0
    wheel = np.random.default_rng(3).normal(0.0, wheel_sd_deg, engine.wheel.teeth - 1)  # type: ignore[union-attr]
    grid, crank, events, second = log_of(engine, work, wheel, w=480.0, cycles=60)
    got = mean_work(grid, crank, Laid(engine, FIRST, second, SHAPE), events)
    sorts = [[0, 2, 4], [1, 3, 5]] if engine is ODD_V6 else [list(range(engine.cylinders))]
    for same in sorts:
        for p in same:
            want = work[p] - work[same].mean()
            np.testing.assert_allclose(got[events.place == p], want, atol=12.0)


def test_too_short_a_log_and_a_twin_are_left_untold():
    three = Engine.from_order([1, 3, 2], wheel=Wheel.regular(36, 1))
    flat = np.zeros(35 - 1)
    grid, crank, events, second = log_of(three, np.full(3, 800.0), flat, w=300.0, cycles=CYCLES - 5)
    assert np.isnan(mean_work(grid, crank, Laid(three, FIRST, second, SHAPE), events)).all()
    twin = Engine.from_order([1, 2], wheel=Wheel.regular(36, 1), firing_tdc_deg=[0, 270])
    grid, crank, events, second = log_of(twin, np.full(2, 800.0), flat, w=300.0, cycles=80)
    assert np.isnan(mean_work(grid, crank, Laid(twin, FIRST, second, SHAPE), events)).all()


@pytest.mark.parametrize("shift", [0, 1])
@pytest.mark.parametrize("dead", [0, 3])
@pytest.mark.parametrize(
    "engine",
    [Engine.from_order([1, 3, 5, 7, 2, 4, 6], wheel=Wheel.regular(60, 2)), ODD_V6],
    ids=["seven", "odd six"],
)
def test_the_turn_of_the_cycle_shows_without_marks_though_a_cylinder_is_dead(
    engine: Engine, dead: int, shift: int
):
    """A poor wheel is the same in both turns, and a dead cylinder has half orders of its own [derived]."""
    work = np.full(engine.cylinders, 800.0)
    work[dead] = 0.0
    wheel = np.random.default_rng(3).normal(0.0, 0.3, engine.wheel.teeth - 1)  # type: ignore[union-attr]
    grid, crank, _, second = log_of(engine, work, wheel, w=150.0, cycles=60)
    n = grid.per_turn
    late = Grid(grid.angle_deg, grid.time_s[shift * n :], grid.action[shift * n :], grid.sound[shift * n :])
    later = replace(
        crank, time_s=crank.time_s[shift:], block=crank.block[shift:], faulty=crank.faulty[shift:]
    )
    told = _turn_from_work(later, late, engine, FIRST, SHAPE)
    assert told is not None
    np.testing.assert_array_equal(told, second[shift:])
