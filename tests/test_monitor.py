"""What a monitor sees that takes the wheel as perfect, against the same by hand."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.decide import Decision
from misfire.engine import Engine, Wheel
from misfire.monitor import as_uncorrected
from misfire.pattern import Pattern
from misfire.phase import Phase
from misfire.work import Events

WHEEL = Wheel.regular(60, 2)
FOUR = Engine.from_order([1, 3, 4, 2], wheel=WHEEL)
FIRST = 90.0


def seen(error_deg: np.ndarray, rpm: float, expected: float, engine: Engine = FOUR) -> np.ndarray:
    """Bias of a healthy event of each place."""
    n = engine.cylinders
    nothing, ones = np.zeros(n), np.ones(n)
    flag = np.ones(n, dtype=bool)
    events = Events(
        time_s=np.arange(n) * 0.01, turn=np.arange(n) // 2, place=np.arange(n), rpm=rpm * ones, energy=ones,
        level=ones, acceleration_rad_s2=nothing, trusted=flag, short=~flag,
    )  # fmt: skip
    state = np.zeros(n, dtype=np.int64)
    decision = Decision(
        nothing, state, state, expected * ones, nothing, nothing, nothing, nothing, (), nothing
    )
    pattern = Pattern("given", error_deg, np.full(58, 0.001), 100, True)
    phase = Phase(FIRST, np.arange(2) == 1, "measured", True, True)
    return as_uncorrected(events, decision, pattern, engine, phase)


def test_run_out_accuses_one_pair_of_companions_and_clears_the_other():
    """d = r sin(angle): a half turn from its lowest to its highest point is 2 r longer, the next as much shorter."""
    r, rpm, expected = 0.2, 4000.0, 1500.0
    angle = WHEEL.tooth_angles_deg
    # largest between the middle beginnings: segments begin 30 deg after TDC, position 0 lies FIRST after TDC 1
    error = r * np.sin(np.radians(angle - (30.0 - FIRST) - 90.0))
    got = seen(error, rpm, expected)
    step = 4.0 * r / 180.0
    by_hand = (rpm * np.pi / 30) ** 2 * step / expected
    # places 0 and 2 are cylinders 1 and 4, 1 and 3 cylinders 3 and 2
    np.testing.assert_allclose(got, [by_hand, -by_hand, by_hand, -by_hand], rtol=0.05)
    # four times the bias at twice the speed [derived: acceleration error goes with w^2]
    np.testing.assert_allclose(seen(error, 2 * rpm, expected), 4 * got, rtol=1e-9)


def test_one_bent_tooth_is_seen_by_few_beginnings_and_accuses_nobody():
    error = np.zeros(58)
    error[int(np.argmin(np.abs(WHEEL.tooth_angles_deg - (360.0 + 30.0 - FIRST))))] = -1.0
    assert np.abs(seen(error, 4000.0, 1500.0)).max() == pytest.approx(0.0)


def test_a_long_segment_accuses_its_own_cylinder_and_not_the_one_before():
    """Three segments a turn: the first too long, the second right, the third as much too short."""
    six = Engine.from_order([1, 5, 3, 6, 2, 4], wheel=WHEEL)
    angle = (WHEEL.tooth_angles_deg + FIRST - 30.0) % 360.0
    # edges late from the end of the first segment to the beginning of the third
    error = np.where((angle > 60.0) & (angle < 300.0), 0.3, 0.0)
    got = seen(error, 4000.0, 1500.0, six)
    by_hand = (4000.0 * np.pi / 30) ** 2 * 0.3 / 120.0 / 1500.0
    # e = (1, 0, -1) of the three segments, step e[n] - e[n-1] = (2, -1, -1)
    np.testing.assert_allclose(got, by_hand * np.array([2, -1, -1, 2, -1, -1]), rtol=1e-6)
