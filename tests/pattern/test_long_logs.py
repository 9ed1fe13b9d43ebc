"""Of a long log only some turns are used; the spacing comes out alike, and a lone coast-down is never passed over."""

from __future__ import annotations

import numpy as np
import pytest

import misfire.pattern as pattern
from misfire.crank import number_edges
from misfire.engine import Engine, Wheel
from tests.crank.motion import motion, passes, running

WHEEL = Wheel.regular(60, 2)
ENGINE = Engine.from_order([1, 3, 4, 2], wheel=WHEEL)


@pytest.fixture(scope="module")
def drive():
    """Edges of a wheel with known errors [deg]: steady running, one coast-down of 60 turns, steady running."""
    error = pattern.without_firing_orders(np.random.default_rng(4).normal(0, 0.05, 58), WHEEL, ENGINE)
    rpm = 1800.0
    down = [(2.6, lambda t: (rpm - (rpm - 900) * t / 2.6) / 60), (0.3, lambda t: (900 + 900 * t / 0.3) / 60)]
    time_s, turns = motion((8.0, running(rpm, 0.01)), *down, (8.0, running(rpm, 0.01)))
    plain = passes(WHEEL, time_s, turns)
    tooth = np.searchsorted(WHEEL.tooth_positions, plain.number % 60)
    late = np.interp(plain.number / 60 + error[tooth] / 360, turns, time_s)
    crank = number_edges(late, WHEEL)
    middle = crank.time_s[:, 29]
    cut = (middle > 8.1) & (middle < 10.5)
    return crank, cut, error


def test_some_turns_give_the_spacing_of_all(drive, monkeypatch):
    crank, cut, error = drive
    whole = pattern.learn_pattern(crank, ENGINE, cut)
    monkeypatch.setattr(pattern, "MOST_TURNS", 60)
    monkeypatch.setattr(pattern, "RUN_TURNS", 12)
    some = pattern.learn_pattern(crank, ENGINE, cut)
    assert whole.learned_from == some.learned_from == "fuel_cut"
    assert some.turns <= whole.turns
    for learned in (whole, some):
        assert (
            np.std((learned.error_deg - error)[1:57]) < 0.01
        )  # what the file beside this one asks of a coast-down


def test_rows_are_runs_and_hold_the_whole_of_a_lone_cut(drive, monkeypatch):
    _, cut, _ = drive
    monkeypatch.setattr(pattern, "MOST_TURNS", 60)
    monkeypatch.setattr(pattern, "RUN_TURNS", 12)
    rows = pattern._runs_of_turns(cut.size, cut)
    assert set(np.flatnonzero(cut)) <= set(rows)
    assert rows.size <= 60 + cut.sum() + 12
    # spread over the whole log: no stretch of more than the spacing of the runs is left out
    assert np.diff(rows).max() <= 12 * -(-cut.size // 60)
