"""The engine's own arithmetic: cycle, companions, firing order (science of four-stroke engines, derived)."""

from __future__ import annotations

import pytest

from misfire.engine import Engine, Wheel


@pytest.mark.parametrize("order", [[1, 3, 4, 2], [3, 4, 2, 1], [4, 2, 1, 3]])
def test_a_firing_order_may_begin_with_any_cylinder(order: list[int]) -> None:
    """1-3-4-2 is a circle: the same engine wherever it is begun, cylinder 1 at 0 deg."""
    e = Engine.from_order(order)
    assert e.firing_order == (1, 3, 4, 2)
    assert e.firing_tdc_deg == (0.0, 540.0, 180.0, 360.0)
    assert e.event_deg.tolist() == [0.0, 180.0, 360.0, 540.0]
    assert e.companions == {1: 4, 4: 1, 2: 3, 3: 2}


def test_intervals_of_an_odd_fire_v6() -> None:
    """90 deg bank, common pins: 90 and 150 in turn; no two share a crank angle."""
    e = Engine.load("v6_oddfire")
    steps = [b - a for a, b in zip(e.event_deg, [*e.event_deg[1:], 720.0], strict=True)]
    assert sorted(set(steps)) == [90.0, 150.0]
    assert not e.even_firing
    assert e.companions == {}


@pytest.mark.parametrize(("label", "teeth", "pitch", "gap"), [("60-2", 58, 6.0, 18.0), ("36-1", 35, 10.0, 20.0), ("24", 24, 15.0, 15.0)])  # fmt: skip
def test_wheels_by_their_label(label: str, teeth: int, pitch: float, gap: float) -> None:
    """Positions of 6, 10 and 15 deg; the gap stands in front of position 0, at the end of the turn."""
    w = Wheel.from_label(label)
    assert (w.teeth, w.pitch_deg, w.label) == (teeth, pitch, label)
    assert w.tooth_angles_deg[:2].tolist() == [0.0, pitch]
    assert 360.0 - w.tooth_angles_deg[-1] == gap
