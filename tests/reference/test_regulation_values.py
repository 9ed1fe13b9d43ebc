"""Values of the counting regulation, SAE J1979 averages and the arithmetic of engine layouts."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from misfire.comparison.strata import stratum_keys
from misfire.counts import code_rule, ewma, windows
from misfire.counts.pending import pending_code
from misfire.engine import Engine, Wheel


def _drive(cylinders: int, turns: int) -> tuple[np.ndarray, np.ndarray]:
    event = np.arange(turns * cylinders // 2)
    return event * 2 // cylinders, event % cylinders


@pytest.mark.parametrize(("cylinders", "share"), [(4, 25.0), (6, 16.67), (8, 12.5)])
def test_one_dead_cylinder(cylinders: int, share: float) -> None:
    """One dead cylinder = 25 / 16.67 / 12.5 % of all firings (arithmetic); 100 N events in 200 turns."""
    turn, cyl = _drive(cylinders, 200)
    (window,) = windows(turn, cyl, cyl == 2, 200, cylinders)
    assert window["firings"] == 100 * cylinders
    assert window["rate_pct"] == pytest.approx(share, abs=0.005)
    assert window["cylinder_rate_pct"][2] == pytest.approx(100.0)
    assert window["cylinder_misfires"][2] == 100
    assert window["exceeds"] is True


@pytest.mark.parametrize("turns", [200, 1000])
@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
def test_floor_is_strict(turns: int, cylinders: int) -> None:
    """Both floors (5 % of 200 turns, 1 % of 1000) equal 5 N misfires; only more exceeds (13 CCR 1968.2)."""
    turn, cyl = _drive(cylinders, turns)
    for misfires, exceeds in ((5 * cylinders, False), (5 * cylinders + 1, True)):
        flags = np.zeros(turn.size, dtype=bool)
        flags[:misfires] = True
        (window,) = windows(turn, cyl, flags, turns, cylinders)
        assert window["misfires"] == misfires
        assert window["exceeds"] is exceeds


@pytest.mark.parametrize(
    ("counts", "kind"),
    [
        ([91, 9, 0, 0], "single"),
        ([90, 10, 0, 0], "multiple"),
        ([88, 6, 6, 0], "multiple"),
        ([0, 50, 50, 0], "multiple"),
        ([0, 0, 7, 0], "single"),
        ([0, 0, 0, 0], "none"),
    ],
)
def test_code_rule(counts: list[int], kind: str) -> None:
    """Above 90 % in one cylinder: single; 88/6/6 multiple by the base rule (13 CCR 1968.2 (e)(3.1.3))."""
    assert code_rule(counts) == kind


def test_moving_average() -> None:
    """SAE J1979 TID $0B, 0.1 * current + 0.9 * previous from 0 (restated); numbers by arithmetic."""
    np.testing.assert_allclose(ewma([100, 0, 0, 50, 0]), [10, 9, 8.1, 12.29, 11.061], rtol=1e-12)
    assert ewma([100] * 10)[-1] == pytest.approx(65.132, abs=5e-4)


@pytest.mark.parametrize(
    ("order", "pairs"),
    [
        ("1-3-4-2", {(1, 4), (2, 3)}),
        ("1-5-3-6-2-4", {(1, 6), (2, 5), (3, 4)}),
        ("1-8-4-3-6-5-7-2", {(1, 6), (5, 8), (4, 7), (2, 3)}),
        ("1-2-3-4-5-6", {(1, 4), (2, 5), (3, 6)}),
        ("1-2-3", set()),
        ("1-2-4-5-3", set()),
    ],
)
def test_companions(order: str, pairs: set[tuple[int, int]]) -> None:
    """Half the order later, for even firing and an even number; none for three and five (arithmetic)."""
    engine = Engine.from_order([int(c) for c in order.split("-")])
    assert {tuple(sorted(p)) for p in engine.companions.items()} == pairs
    assert math.radians(engine.interval_deg) == pytest.approx(4 * math.pi / engine.cylinders)


def test_odd_fire_v6() -> None:
    """V6, 90 deg bank, common pins: intervals 90 and 150 deg, no companions (arithmetic)."""
    engine = Engine.load("v6_oddfire")
    steps = np.diff(np.append(engine.event_deg, 720.0))
    assert sorted(steps) == [90.0] * 3 + [150.0] * 3
    assert engine.companions == {}


@pytest.mark.parametrize(("positions", "pitch"), [(60, 6.0), (36, 10.0), (24, 15.0), (12, 30.0)])
def test_tooth_pitch(positions: int, pitch: float) -> None:
    """60/36/24/12 positions = 6/10/15/30 deg (arithmetic)."""
    assert Wheel.regular(positions).pitch_deg == pitch


@pytest.mark.parametrize(("label", "edges"), [("60-2", 116), ("36-1", 70), ("24", 48)])
def test_edges_per_camshaft_turn(label: str, edges: int) -> None:
    """116 / 70 / 48 crank edges in a cycle (arithmetic)."""
    assert 2 * Wheel.from_label(label).teeth == edges


@pytest.mark.parametrize(("positions", "rpm", "period_us"), [(60, 6000, 166.667), (36, 3000, 555.556)])
def test_tooth_period(positions: int, rpm: float, period_us: float) -> None:
    """Time of one pitch (arithmetic)."""
    assert Wheel.regular(positions).pitch_deg / (6.0 * rpm) * 1e6 == pytest.approx(period_us, abs=5e-4)


@pytest.mark.parametrize(("label", "inside", "at_end"), [("60-2", 9.0, 1 / 3), ("36-1", 4.0, 1 / 2)])
def test_gap_ratio(label: str, inside: float, at_end: float) -> None:
    """T1^2 / (T0 T2) over the gap and beside it at constant speed: 9 and 1/3; 4 and 1/2 (arithmetic)."""
    angle = Wheel.from_label(label).tooth_angles_deg
    step = np.diff(np.concatenate([angle, angle + 360.0]))
    ratio = step[1:-1] ** 2 / (step[:-2] * step[2:])
    assert ratio.max() == pytest.approx(inside)
    assert ratio.min() == pytest.approx(at_end)


def _windows_with(exceeding: set[int], count: int, turns: int) -> list[dict]:
    turn, cyl = _drive(4, count * turns)
    flags = np.isin(turn // turns, list(exceeding)) & (cyl == 0) & (turn % turns < 25 * 2)
    return windows(turn, cyl, flags, turns, 4)


@pytest.mark.parametrize(
    ("exceeding", "from_start", "turn"),
    [
        ({0}, True, 0),
        ({0}, False, None),
        ({1}, True, None),
        ({1, 2, 3}, True, None),
        ({1, 2, 4, 6}, True, 6000),
        ({0, 2, 4, 6}, False, 6000),
    ],
)
def test_pending_code_of_the_emission_windows(
    exceeding: set[int], from_start: bool, turn: int | None
) -> None:
    """In the first 1000 turns after start the first exceedance, later the fourth (13 CCR 1968.2, restated)."""
    assert pending_code(_windows_with(exceeding, 8, 1000), from_start=from_start) == turn


@pytest.mark.parametrize(("exceeding", "turn"), [({0}, None), ({0, 3}, None), ({0, 3, 5}, 1000)])
def test_pending_code_of_the_catalyst_windows(exceeding: set[int], turn: int | None) -> None:
    """Three exceedances of 200 turns (from memory)."""
    assert pending_code(_windows_with(exceeding, 8, 200), from_start=True) == turn


def test_similar_conditions() -> None:
    """Within 375 rpm and 20 % load (from memory): firings compared with one another are never further apart."""
    rng = np.random.default_rng(5)
    rpm, load = rng.uniform(500, 7000, 4000), rng.uniform(0, 100, 4000)
    events = pd.DataFrame({"rpm": rpm, "load_pct": load, "state": "firing"})
    keys = stratum_keys([events[:1500]], [events[1500:]], True)
    _, cell = np.unique(np.concatenate(keys), axis=0, return_inverse=True)
    spans = [(np.ptp(rpm[cell == k]), np.ptp(load[cell == k])) for k in range(cell.max() + 1)]
    widest = np.max(spans, axis=0)
    assert 350.0 < widest[0] <= 375.0
    assert 18.0 < widest[1] <= 20.0
