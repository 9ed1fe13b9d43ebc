"""The vectorised work measures held to plain slow twins that read like the equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from misfire.crank import Crank, number_edges
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.simulate import Scenario, prepared_engine, simulate
from misfire.work import (
    AFTER_DEG,
    BEFORE_DEG,
    Grid,
    Laid,
    Span,
    apply_filter,
    event_filters,
    inertia_share,
    make_grid,
    masses_unsure,
    measure,
    places,
)

SHAPE = GasShape()


@pytest.fixture(scope="module")
def log() -> tuple[Crank, Engine]:
    engine = prepared_engine(Engine.load("inline4"))
    done = simulate(Scenario.steady("inline4", rpm=1800, load_pct=35, duration_s=2.5))
    wheel = done.engine.wheel
    assert wheel is not None
    return number_edges(done.recording.crank_s, wheel), engine.with_wheel(wheel)


def second_turns(crank: Crank) -> np.ndarray:
    return np.arange(crank.turns) % 2 == 1


def test_segment_acceleration_like_the_equation(log: tuple[Crank, Engine]):
    """alpha = (w2^2 - w1^2) / (2 Dth), w = Dth / T: the energy form of the rigid crank [derived]."""
    crank, engine = log
    grid = make_grid(crank)
    first = 100.0
    events = measure(crank, Laid(engine, first, second_turns(crank), SHAPE))
    assert events.time_s.size > 50
    n = grid.per_turn
    angle, time = [], []
    for k in range(crank.turns):
        for j in range(n):
            if np.isfinite(grid.time_s[k * n + j]):
                angle.append(360.0 * k + grid.angle_deg[j])
                time.append(grid.time_s[k * n + j])
    segment = 720.0 / engine.cylinders
    at = places(engine, first)
    for i in range(events.time_s.size):
        tdc = 360.0 * events.turn[i] + at[events.place[i]].angle_deg
        t0, t1, t2 = (float(np.interp(tdc + d, angle, time)) for d in (-segment, 0.0, segment))
        dth = np.radians(segment)
        w1, w2 = dth / (t1 - t0), dth / (t2 - t1)
        assert events.time_s[i] == pytest.approx(t1, abs=1e-9)
        assert events.acceleration_rad_s2[i] == pytest.approx((w2**2 - w1**2) / (2 * dth), abs=1e-4)
        assert events.rpm[i] == pytest.approx(2 * dth / (t2 - t0) * 30 / np.pi, rel=1e-9)


def test_a_printed_check_value():
    """T1 = 20.000 ms, T2 = 20.200 ms, Dth = pi, J = 0.16: dE = -38.894 J [derived]; dE = J Dth alpha."""
    dth, t1, t2 = np.pi, 0.020, 0.0202
    alpha = ((dth / t2) ** 2 - (dth / t1) ** 2) / (2 * dth)
    assert 0.16 * dth * alpha == pytest.approx(-38.894, abs=5e-4)


def slow_energy(grid: Grid, engine: Engine, first: float, place: int, turn: int, span: Span, ridge: float):
    """One event by ordinary least squares with priors, row by row.

    A(th) = polynomial + x_here R(th - tdc) + sum of x_k R(th - tdc_k); the neighbours x_k carry the prior
    ridge * x_k^2 beside the sum of squares, which are extra rows sqrt(ridge) x_k = 0.
    """
    n = grid.per_turn
    at = places(engine, first)[place]
    tdc = 360.0 * turn + at.angle_deg
    rows, values = [], []
    action = 0.0
    running = [0.0]
    for k in range(1, grid.time_s.size):
        a0 = 360.0 * ((k - 1) // n) + grid.angle_deg[(k - 1) % n]
        a1 = 360.0 * (k // n) + grid.angle_deg[k % n]
        dth, dt = np.radians(a1 - a0), grid.time_s[k] - grid.time_s[k - 1]
        action += 0.5 * dth**3 / dt**2 if np.isfinite(dt) else 0.0
        running.append(action)
    here = engine.event_deg[place]
    others = []
    for cycle in (-720.0, 0.0, 720.0):
        for j in range(engine.cylinders):
            off = engine.event_deg[j] - here + cycle
            if abs(off) > 1e-6 and -span.before - 100 < off < span.after + 5:
                others.append(off)
    for k in range(grid.time_s.size):
        x = 360.0 * (k // n) + grid.angle_deg[k % n] - tdc
        if -span.before <= x <= span.after:
            row = [(x / 180.0) ** q for q in range(span.degree + 1)]
            if engine.cylinders <= 2:
                row.append(np.radians(float(SHAPE.dip_integral(np.array(x)))))
            row.append(np.radians(float(SHAPE.step_integral(np.array(x)))))
            mine = len(row) - 1
            row += [np.radians(float(SHAPE.step_integral(np.array(x - o)))) for o in others]
            rows.append(row)
            values.append(running[k])
    for i in range(len(others)):
        row = [0.0] * len(rows[0])
        row[mine + 1 + i] = np.sqrt(ridge)
        rows.append(row)
        values.append(0.0)
    y = np.array(values)
    y[: len(y) - len(others)] -= y[0]
    return np.linalg.lstsq(np.array(rows), y, rcond=None)[0][mine]


@pytest.mark.parametrize("ridge", [1e-3, 0.3, 30.0])
@pytest.mark.parametrize("order", [[1], [1, 2]])
def test_the_joint_filter_is_least_squares_with_priors(log: tuple[Crank, Engine], order, ridge):
    crank, _ = log
    engine = Engine.from_order(order, wheel=crank.wheel)
    grid = make_grid(crank)
    first = 75.0
    span = Span(BEFORE_DEG, AFTER_DEG, 1)
    at = places(engine, first)
    filters = event_filters(grid, engine, at, SHAPE, span, ridge)
    turn = np.array([4, 7, 11])
    for place in range(len(order)):
        fast = apply_filter(grid, filters[place], turn * grid.per_turn)
        slow = [slow_energy(grid, engine, first, place, int(k), span, ridge) for k in turn]
        np.testing.assert_allclose(fast, slow, rtol=2e-5)


def exact_grid(crank: Crank, engine: Engine, first: float, work: dict[tuple[int, int], float]) -> Grid:
    """A grid whose running integral is made of a smooth trend and known steps of work at known events."""
    plain = make_grid(crank)
    n = plain.per_turn
    full = (np.arange(crank.turns)[:, None] * 360.0 + plain.angle_deg).ravel()
    x = full / 180.0
    action = 2.0e4 * x + 3.0 * x**2
    at = places(engine, first)
    for (place, turn), value in work.items():
        action += value * np.radians(SHAPE.step_integral(full - 360.0 * turn - at[place].angle_deg))
    return Grid(plain.angle_deg, np.arange(crank.turns * n) * 1e-4, action, np.ones(crank.turns * n, bool))


@pytest.mark.parametrize("order", [(1, 3, 2), (1, 3, 4, 2), (1, 5, 3, 6, 2, 4)])
def test_known_work_comes_back_and_neighbours_do_not_leak(log: tuple[Crank, Engine], order):
    """Also with two consecutive misfires: overlapping events are unknowns of one fit."""
    crank, _ = log
    engine = Engine.from_order(order, wheel=crank.wheel)
    first = 100.0
    at = places(engine, first)
    rng = np.random.default_rng(5)
    work = {}
    for turn in range(crank.turns):
        for p in at:
            if turn % 2 == p.turn_offset:
                work[p.index, turn] = float(rng.uniform(700, 1000))
    lost = [k for k in sorted(work, key=lambda k: 360 * k[1] + at[k[0]].angle_deg) if 20 <= k[1] <= 21]
    for key in lost[1:3]:
        work[key] = 0.0
    grid = exact_grid(crank, engine, first, work)
    interval = engine.interval_deg
    span = Span(max(BEFORE_DEG, 2.2 * interval), max(AFTER_DEG, 2.7 * interval), 2)
    filters = event_filters(grid, engine, at, SHAPE, span, 1e-7)
    for (place, turn), value in work.items():
        if 4 <= turn <= crank.turns - 5:
            got = apply_filter(grid, filters[place], np.array([turn * grid.per_turn]))[0]
            assert got == pytest.approx(value, abs=45.0), (place, turn)  # 5 % of a firing's work


def test_every_tdc_with_enough_edges_has_an_event(log: tuple[Crank, Engine]):
    """The contract: at least 180 deg of edges before a TDC and 300 deg after it."""
    crank, engine = log
    grid = make_grid(crank)
    first = 100.0
    events = measure(crank, Laid(engine, first, second_turns(crank), SHAPE))
    known = np.flatnonzero(np.isfinite(grid.time_s))
    n = grid.per_turn
    begin = 360.0 * (known[0] // n) + grid.angle_deg[known[0] % n]
    end = 360.0 * (known[-1] // n) + grid.angle_deg[known[-1] % n]
    want = set()
    for p in places(engine, first):
        for turn in range(crank.turns):
            tdc = 360.0 * turn + p.angle_deg
            # a pitch of slack: the window ends on the last tooth inside it
            if turn % 2 == p.turn_offset and tdc - begin >= 180.0 + 6.0 and end - tdc >= 300.0 + 6.0:
                want.add((p.index, turn))
    have = set(zip(events.place.tolist(), events.turn.tolist(), strict=True))
    assert want <= have
    assert (np.diff(events.time_s) > 0).all()


def test_the_first_tooth_behind_the_gap_carries_no_weight(log: tuple[Crank, Engine]):
    """Moving it by a quarter pitch changes no event: real pickups shift it with speed."""
    crank, engine = log
    moved = crank.time_s.copy()
    moved[:, 0] += 0.25 * np.nanmedian(np.diff(crank.time_s, axis=1))
    other = Crank(**{**crank.__dict__, "time_s": moved})
    a = measure(crank, Laid(engine, 100.0, second_turns(crank), SHAPE))
    b = measure(other, Laid(engine, 100.0, second_turns(crank), SHAPE))
    np.testing.assert_array_equal(a.energy, b.energy)


def test_a_faulty_turn_is_not_trusted(log: tuple[Crank, Engine]):
    crank, engine = log
    faulty = crank.faulty.copy()
    faulty[20] = True
    other = Crank(**{**crank.__dict__, "faulty": faulty})
    events = measure(other, Laid(engine, 100.0, second_turns(crank), SHAPE))
    assert not events.trusted[events.turn == 20].any()
    assert events.trusted[np.abs(events.turn - 20) > 3].all()


def test_wheel_without_a_gap_uses_every_tooth():
    wheel = Wheel.regular(24)
    t = np.arange(24 * 10) * 1e-3
    crank = number_edges(t, wheel)
    assert make_grid(crank).per_turn == 24


@pytest.mark.parametrize(("first", "last"), [(40, 20), (0, 2)], ids=["half a turn", "a turn and two teeth"])
def test_an_event_among_lost_edges_is_there_and_not_trusted(log: tuple[Crank, Engine], first: int, last: int):
    """Edges lost at a break: the TDC has its row, a guessed time, no energy and no trust."""
    crank, engine = log
    sound = measure(crank, Laid(engine, 100.0, second_turns(crank), SHAPE))
    time, block, faulty = crank.time_s.copy(), crank.block.copy(), crank.faulty.copy()
    time[20, first:] = time[21, :last] = np.nan
    block[21:] += 1
    faulty[20:22] = True
    hurt = Crank(**{**crank.__dict__, "time_s": time, "block": block, "faulty": faulty})
    events = measure(hurt, Laid(engine, 100.0, second_turns(crank), SHAPE))
    blind = ~np.isfinite(events.energy)
    assert blind.any()
    assert not events.trusted[blind].any()
    assert set(zip(sound.turn, sound.place, strict=True)) == set(zip(events.turn, events.place, strict=True))
    name = {(p, t): x for p, t, x in zip(sound.place, sound.turn, sound.time_s, strict=True)}
    true = [name[k] for k in zip(events.place[blind], events.turn[blind], strict=True)]
    turn_s = np.nanmedian(np.diff(crank.time_s[:, 30]))
    np.testing.assert_allclose(events.time_s[blind], true, atol=0.02 * turn_s)


def test_the_masses_are_sure_only_where_the_file_says_all_of_them() -> None:
    """Without the stroke the share is the generic one, and no surer than that."""
    bare = Engine.from_order((1, 3, 4, 2))
    part = replace(bare, reciprocating_mass_kg=0.5, rotating_inertia_kg_m2=0.15)
    whole = replace(part, stroke_mm=86.0)
    assert (inertia_share(part), masses_unsure(part)) == (inertia_share(bare), masses_unsure(bare))
    assert inertia_share(whole) != inertia_share(bare)
    assert masses_unsure(whole) < masses_unsure(bare)
