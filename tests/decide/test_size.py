"""A whole combustion lost or a part of one, where a learned pattern leaves the normal work unsure."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.decide import FIRING, MISFIRE, UNUSABLE, Spacing, decide
from misfire.engine import Engine
from misfire.work import Events

FOUR = Engine.from_order((1, 3, 4, 2))
WORK = 700.0


def log(depth: float, level: float, level_sd: float, slow: int = 0) -> tuple[Events, np.ndarray, np.ndarray]:
    """300 cycles at 4200/min whose ripple reads `level`, 30 events `depth` x normal work down; `slow` known ones before.

    The slow part (1200/min) reads its level rightly; shape of the masks (events,).
    """
    rng = np.random.default_rng(21)
    n_slow, n = 4 * 300, 4 * 600
    place = np.arange(n) % 4
    fast = np.arange(n) >= n_slow
    energy = WORK * rng.normal(1.0, 0.03, n)
    here = np.flatnonzero((place == 2) & fast)[20:-20]
    down = np.zeros(n, dtype=bool)
    down[rng.choice(here, 30, replace=False)] = True
    before = np.zeros(n, dtype=bool)
    before[rng.choice(np.flatnonzero((place == 2) & ~fast)[20:-20], slow, replace=False)] = True
    energy -= WORK * (depth * down + before)
    ones = np.ones(n, dtype=bool)
    rpm = np.where(fast, 4200.0, 1200.0)
    events = Events(
        time_s=np.cumsum(30.0 / rpm), turn=np.arange(n) // 2, place=place, rpm=rpm, energy=energy,
        level=np.where(fast, level, WORK), acceleration_rad_s2=energy, trusted=ones, short=~ones,
        level_sd=np.where(fast, level_sd, 0.02 * WORK),
    )  # fmt: skip
    return events, down, before


def states(events: Events) -> np.ndarray:
    return decide(events, FOUR, np.full(events.energy.size, np.nan), Spacing(known=True)).state


@pytest.mark.parametrize(("level_sd", "state"), [(30.0, MISFIRE), (250.0, UNUSABLE)])
def test_a_half_burn_is_no_misfire_where_the_ripple_may_read_too_low(level_sd: float, state: int):
    """Half the work lost, and a ripple that reads 350 for 700: as deep as a misfire, unless 350 is known to be unsure."""
    events, down, _ = log(0.5, 350.0, level_sd)
    got = states(events)
    assert (got[down] == state).mean() > 0.9
    assert (got[~down] == FIRING).mean() > 0.98


@pytest.mark.parametrize(("level_sd", "state"), [(30.0, FIRING), (450.0, UNUSABLE)])
def test_a_misfire_does_not_pass_for_firing_where_the_ripple_may_read_too_high(level_sd: float, state: int):
    """All the work lost, and a ripple that reads 1300 for 700: as shallow as a half burn, unless 1300 is unsure."""
    events, down, _ = log(1.0, 1300.0, level_sd)
    got = states(events)
    assert (got[down] == state).mean() > 0.9
    assert (got[~down] == FIRING).mean() > 0.98


def test_a_cylinder_that_surely_misfires_elsewhere_does_so_here():
    events, down, before = log(1.0, 650.0, 450.0, slow=12)
    got = states(events)
    assert (got[before] == MISFIRE).all()
    assert (got[down] == MISFIRE).mean() > 0.9


def test_with_nothing_seen_elsewhere_the_same_events_stay_open():
    events, down, _ = log(1.0, 650.0, 450.0)
    assert (states(events)[down] == UNUSABLE).mean() > 0.9


def test_as_deep_as_a_full_one_and_the_work_known_to_a_third_is_a_misfire():
    """For a burn in part the work would have to be half as much again: 1.7 errors, 4 times less likely [derived]."""
    events, down, _ = log(1.0, 700.0, 210.0)
    assert (states(events)[down] == MISFIRE).mean() > 0.9
