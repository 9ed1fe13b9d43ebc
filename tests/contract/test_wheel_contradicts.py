"""A wheel that the log contradicts, or that breaks the contract's zero, is an error and never a wrong answer."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.errors import InputError


def edges(wheel: Wheel, turns: int = 60) -> np.ndarray:
    turn = (np.arange(turns)[:, None] + wheel.tooth_angles_deg / 360.0).ravel()
    return turn / 10 + 0.0008 * np.sin(2 * np.pi * 2 * turn)


def test_position_zero_must_follow_the_longest_gap() -> None:
    with pytest.raises(InputError, match=r"\[58, 59\]"):
        number_edges(edges(Wheel.regular(60, 2)), Wheel(60, (57, 58)))
    with pytest.raises(InputError, match=r"\[17, 34, 35\]"):
        number_edges(edges(Wheel(36, (17, 34, 35))), Wheel(36, (16, 17, 35)))


@pytest.mark.parametrize("said", [58, 60, 36])
def test_an_even_wheel_against_a_log_with_a_gap(said: int) -> None:
    with pytest.raises(InputError, match="looks like a 60-2 wheel"):
        number_edges(edges(Wheel.regular(60, 2)), Wheel(said))


@pytest.mark.parametrize("positions", [4, 24, 60])
def test_an_even_wheel_is_taken_as_one(positions: int) -> None:
    assert number_edges(edges(Wheel(positions)), Wheel(positions)).turns == 60


def test_a_gap_wheel_against_an_even_log() -> None:
    with pytest.raises(InputError, match="does not fit the log"):
        number_edges(edges(Wheel(60)), Wheel.regular(60, 2))
