"""The mean energy of a cycle where nothing burns: the reciprocating masses alone must not pass for combustion."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.grid import make_grid
from misfire.simulate import Clock, Phase, Scenario, prepared_engine, simulate
from misfire.simulate.gas import GasModel
from misfire.work import Apparent, Events, Laid, Teeth, measure_turns
from misfire.work.filters import inertia_share, level_filter
from misfire.work.windows import apply_filter, places
from tests.work.test_alternate import FIRST, log_of


@pytest.mark.parametrize("layout", ["inline4", "boxer4"])
@pytest.mark.parametrize("rpm", [2000, 4000])
def test_masses_alone_are_no_combustion(layout: str, rpm: int) -> None:
    """Valves that never shut, air everywhere, no friction: only J(theta) moves the speed (as in test_motion)."""
    gas = GasModel(inlet_closes_deg=-0.1, exhaust_opens_deg=0.1, exhaust_kpa=100.0, crankcase_kpa=100.0)
    step = Phase(duration_s=4.0, rpm=rpm, load_pct=100.0, mode="free", fuel_cut=True)
    done = simulate(
        Scenario(
            engine=prepared_engine(layout, Wheel.regular(60)), programme=(step,), gas=gas, friction=0.0,
            accessory_nm=0.0, clock=Clock(hz=1e10, jitter_us=0.0),
        )
    )  # fmt: skip
    e, shape = done.engine, GasShape()
    crank = number_edges(done.recording.crank_s, e.wheel, done.recording.cylinder1_s)
    # the first tooth behind the mark, which is 10 deg before TDC, stands at TDC
    second = np.arange(crank.turns) % 2 == 1
    level = measure_turns(crank, Laid(e, 0.0, second, shape)).level
    grid = make_grid(crank)
    _, mass = level_filter(grid, e, places(e, 0.0)[0], shape)
    ripple = mass * inertia_share(e) * (rpm * np.pi / 30.0) ** 2
    assert abs(np.nanmedian(level)) < 0.1 * abs(ripple), (np.nanmedian(level), ripple)


@pytest.mark.parametrize("dead", [(), (2,), (1, 5)])
@pytest.mark.parametrize("positions", [36, 60])
def test_dead_cylinders_do_not_leak_into_the_level_past_the_gap(positions: int, dead: tuple[int, ...]):
    """The mean work of an eight is seven or six eighths of a firing's, read at whichever place [derived]."""
    eight = Engine.from_order(
        [1, 8, 4, 3, 6, 5, 7, 2], wheel=Wheel.regular(positions, 1 if positions == 36 else 2)
    )
    work = np.full(8, 800.0)
    work[list(dead)] = 0.0
    perfect = np.zeros(eight.wheel.teeth - 1)  # type: ignore[union-attr]
    some, _, _, _ = log_of(eight, work, perfect, w=150.0, cycles=12)
    all_, _, _, _ = log_of(eight, np.full(8, 800.0), perfect, w=150.0, cycles=12)
    for p in places(eight, FIRST):
        f, _ = level_filter(some, eight, p, GasShape())
        start = np.array([(10 + p.turn_offset) * some.per_turn])
        share = apply_filter(some, f, start)[0] / apply_filter(all_, f, start)[0]
        assert share == pytest.approx(1 - len(dead) / 8, abs=0.05)


def test_the_error_of_the_level_is_what_the_spacing_is_unsure_of() -> None:
    """One standard error of the apparent spacing moves the level by its own standard error, at every speed."""
    four = prepared_engine("inline4", Wheel.regular(60))
    steps = tuple(Phase(duration_s=3.0, rpm=rpm, load_pct=50.0) for rpm in (1500, 4000))
    done = simulate(Scenario(engine=four, programme=steps))
    crank = number_edges(done.recording.crank_s, done.engine.wheel, done.recording.cylinder1_s)
    second = np.arange(crank.turns) % 2 == 1
    none, first = np.zeros(crank.wheel.teeth), 2.5  # no tooth at the very end of a window, to fall out of it
    unsure = 0.02 * np.sin(2 * np.radians(crank.wheel.tooth_angles_deg))

    def events(error: np.ndarray) -> Events:
        laid = Laid(done.engine, first, second, GasShape())
        return measure_turns(crank, laid, Teeth(none, apparent=Apparent(error, unsure)))

    plain, moved = events(none), events(unsure)
    ok = np.isfinite(plain.level) & np.isfinite(moved.level)
    assert plain.level_sd is not None
    np.testing.assert_allclose(np.abs(moved.level - plain.level)[ok], plain.level_sd[ok], rtol=0.15)
    fast = plain.rpm > 3500
    assert np.median(plain.level_sd[ok & fast]) / np.median(plain.level_sd[ok & ~fast]) == pytest.approx(
        (4000 / 1500) ** 2, rel=0.1
    )
