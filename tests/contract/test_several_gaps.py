"""Wheels with several gaps: numbered from the longest, found in the log when their gaps can be told apart.

Edge times are built here from angle and a speed wave, so the position of every edge is known.
"""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import find_wheel, number_edges
from misfire.engine import Wheel

WHEELS = {
    "one long, one short": (36, (17, 34, 35)),
    "three double gaps": (36, (13, 14, 31, 32, 34, 35)),
    "three double gaps, apart": (36, (10, 11, 16, 17, 34, 35)),
    "two single gaps": (36, (11, 35)),
    "three single gaps": (24, (4, 15, 23)),
}


def edges(wheel: Wheel, first: int, turns: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and angles [deg] of a log that begins at edge `first`; 600/min with a 2nd-order ripple."""
    angle = (np.arange(turns)[:, None] * 360.0 + wheel.tooth_angles_deg).ravel()[first:]
    turn = angle / 360.0
    return turn / 10 + 0.0008 * np.sin(2 * np.pi * 2 * turn), angle


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("first", [0, 5, 20])
def test_position_zero_follows_the_gap_of_the_engine_file(name: str, first: int) -> None:
    wheel = Wheel(*WHEELS[name])
    time_s, angle_deg = edges(wheel, first)
    crank = number_edges(time_s, wheel)
    row = crank.time_s[5]
    at = np.searchsorted(time_s, row - 1e-9)
    # a wheel may be turned in itself only where its row of teeth and gaps repeats: none of these does
    np.testing.assert_allclose((angle_deg[at] - angle_deg[at[0]]), wheel.tooth_angles_deg, atol=1e-9)
    assert angle_deg[at[0]] % 360.0 == pytest.approx(0.0, abs=1e-9)
    assert crank.turns >= 59
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (0, 0, 0)


@pytest.mark.parametrize("name", WHEELS)
def test_a_lost_edge_spoils_its_own_turns_only(name: str) -> None:
    wheel = Wheel(*WHEELS[name])
    time_s, angle_deg = edges(wheel, 5)
    kept = np.delete(np.arange(time_s.size), [300, 777])
    crank = number_edges(time_s[kept], wheel)
    whole = np.isfinite(crank.time_s).all(axis=1) & ~crank.faulty
    assert whole.sum() >= 50
    at = np.searchsorted(time_s, crank.time_s[whole, 0] - 1e-9)
    np.testing.assert_allclose((angle_deg[at] + 1.0) % 360.0, 1.0, atol=1e-9)


@pytest.mark.parametrize("name", [n for n in WHEELS if n != "one long, one short"])
def test_found_without_being_named(name: str) -> None:
    wheel = Wheel(*WHEELS[name])
    time_s, _ = edges(wheel, 7)
    found = find_wheel(time_s)
    assert (found.positions, found.teeth) == (wheel.positions, wheel.teeth)
    # the same wheel, begun at another of its like gaps perhaps
    steps = np.diff(np.append(wheel.tooth_angles_deg, 360.0))
    other = np.diff(np.append(found.tooth_angles_deg, 360.0))
    assert any(np.allclose(np.roll(steps, k), other) for k in range(steps.size))


def test_two_like_gaps_half_a_turn_apart_are_followed_through_lost_edges() -> None:
    wheel = Wheel(60, (28, 29, 58, 59))
    time_s, angle_deg = edges(wheel, 5)
    kept = np.delete(np.arange(time_s.size), [300, 777])
    crank = number_edges(time_s[kept], wheel)
    whole = np.isfinite(crank.time_s).all(axis=1) & ~crank.faulty
    assert whole.sum() >= 50
    begin = angle_deg[np.searchsorted(time_s, crank.time_s[whole, 0] - 1e-9)] % 360.0
    assert np.ptp((begin + 1.0) % 360.0) < 1e-6


def test_a_lost_last_tooth_does_not_renumber_its_turn() -> None:
    wheel = Wheel.regular(60, 2)
    time_s, angle_deg = edges(wheel, 0)
    gone = 10 * wheel.teeth + wheel.teeth - 1  # the tooth before the gap of turn 10
    kept = np.delete(np.arange(time_s.size), gone)
    crank = number_edges(time_s[kept], wheel)
    sound = np.flatnonzero(~crank.faulty)
    at = np.searchsorted(time_s, crank.time_s[sound][:, 1:] - 1e-9)
    right = np.broadcast_to(wheel.tooth_angles_deg[1:], at.shape)
    np.testing.assert_allclose(angle_deg[at] % 360.0, right, atol=1e-9)
    assert crank.first_tooth_lost == 0
