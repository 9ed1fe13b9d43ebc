"""Core relations, wheel angles and the service $06 line: values that need no engine.

Sources: segment-time form of the roughness, Klenk, Moser, Mueller, Wimmer, SAE 930399, 1993 (from memory);
intervals of the V6, segment shares and the off-centre wheel derived by arithmetic; SAE J1979 service $06 layout
(restated), the line derived from it.
"""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.intake import read_counts
from misfire.pattern import Pattern, segment_error_pct
from misfire.work import Laid, measure


def test_two_segments_give_the_printed_acceleration():
    """T1 = 20.000 ms, T2 = 20.200 ms, 180 deg: -77.375 rad/s^2, dE = J Dth alpha = -38.894 J with J = 0.16."""
    wheel = Wheel.regular(60, 2, first_tooth_after_tdc1_deg=90.0)
    engine = Engine.from_order([1, 3, 4, 2], wheel=wheel)
    turns = 20
    angle = (np.arange(turns)[:, None] * 360.0 + wheel.tooth_angles_deg).ravel()
    step = 10 * 360.0 + 270.0  # a TDC: position 0 lies 90 deg after one
    time = np.where(angle < step, angle / 180 * 0.0200, step / 180 * 0.0200 + (angle - step) / 180 * 0.0202)
    crank = number_edges(time, wheel)
    second = np.arange(crank.turns) % 2 == 1
    events = measure(crank, Laid(engine, 90.0, second, GasShape()))
    at = int(np.argmin(np.abs(events.time_s - step / 180 * 0.0200)))
    # ours is (w2^2 - w1^2) / (2 Dth), the printed one (w2 - w1) / mean T: they differ by 3e-5 of themselves
    assert events.acceleration_rad_s2[at] == pytest.approx(-77.375, rel=5e-5)
    assert 0.16 * np.pi * events.acceleration_rad_s2[at] == pytest.approx(-38.894, abs=0.0005)


@pytest.mark.parametrize(("offset", "intervals"), [(0, (90, 150)), (18, (108, 132)), (30, (120, 120))])
def test_v6_with_90_deg_bank_and_offset_pins(offset, intervals):
    """Intervals of 90 + d and 150 - d."""
    tdc = [0, 90 + offset, 240, 330 + offset, 480, 570 + offset]
    engine = Engine.from_order([1, 2, 3, 4, 5, 6], tdc)
    steps = np.diff(np.append(engine.event_deg, 720.0))
    np.testing.assert_allclose(steps, intervals * 3)
    assert engine.even_firing == (offset == 30)


@pytest.mark.parametrize(("span", "share"), [(180.0, 0.056), (120.0, 0.083), (90.0, 0.111)])
def test_a_tenth_of_a_degree_on_a_segment(span, share):
    """0.1 deg on a 180/120/90 deg segment = 0.056/0.083/0.111 %."""
    wheel = Wheel.regular(60)
    late = np.where((wheel.tooth_angles_deg > span / 2) & (wheel.tooth_angles_deg < 300.0), 0.1, 0.0)
    pattern = Pattern("given", late, np.full(60, 0.001), 100, None)
    value, _ = segment_error_pct(pattern, wheel, np.array([12.0]), span)
    assert value[0] == pytest.approx(share, abs=0.0006)


def test_service_06_line(tmp_path):
    """`46 A2 0C 24 00 05 00 00 FF FF` is cylinder 1 with 5 counts."""
    first, second = tmp_path / "first.txt", tmp_path / "second.txt"
    first.write_text("46 A2 0C 24 00 00 00 00 FF FF\n")
    second.write_text("46 A2 0C 24 00 05 00 00 FF FF\n")
    counts = read_counts(f"{first},{second}")
    assert counts.misfires == {1: 5}


def test_wheel_off_centre():
    """0.05 mm off centre at 50 mm radius: 0.0573 deg once per turn."""
    from misfire.simulate import Scenario, ToothErrors, simulate

    done = simulate(
        Scenario.steady(
            "inline4",
            rpm=2000,
            load_pct=40,
            duration_s=1,
            teeth=ToothErrors(runout_mm=0.05, radius_mm=50.0),
        )
    )
    a = np.radians(done.truth.positions * 6.0)
    x = np.column_stack([np.cos(a), np.sin(a), np.ones_like(a)])
    c = np.linalg.lstsq(x, done.truth.tooth_error_deg, rcond=None)[0]
    assert np.hypot(c[0], c[1]) == pytest.approx(0.0573, abs=0.0003)
