"""Running levels and runs of flags against numbers by hand."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.decide import FIRING
from misfire.decide.chance import shaken
from misfire.decide.runs import cycle_mean, mad, run_length, touching


def test_the_scatter_of_a_normal_sample() -> None:
    """Half of a normal population lies within 0.6745 standard deviations of its median (tables of the normal law)."""
    x = np.random.default_rng(3).normal(5.0, 2.0, 200_000)
    assert mad(x) == pytest.approx(2.0, rel=0.01)
    # one value in ten far away moves it little
    x[::10] = 1e6
    assert mad(x) == pytest.approx(2.0, rel=0.2)
    assert mad(np.array([1.0, 2.0, 4.0])) == pytest.approx(1.4826)
    assert np.isnan(mad(np.empty(0)))


def test_runs() -> None:
    flag = np.array([0, 1, 1, 0, 1, 0, 1, 1, 1], dtype=bool)
    assert run_length(flag).tolist() == [0, 2, 2, 0, 1, 0, 3, 3, 3]
    core = np.array([0, 0, 1, 0, 0, 0, 0, 0, 0], dtype=bool)
    assert touching(flag, core).tolist() == [False, True, True, *[False] * 6]


def test_mean_of_a_cycle() -> None:
    x = np.array([1.0, 2.0, 3.0, np.nan, 5.0, 6.0, 7.0])
    np.testing.assert_allclose(cycle_mean(x, 3)[1:-1], [2.0, 3.0, 4.0, 5.0, 6.0])


def test_more_than_a_whole_combustion_between_two_gains_is_a_swing():
    """No firing can lack more than all of its work; a misfire of a poor scale stands beside normal ones."""
    state = np.full(60, FIRING)
    lost = np.random.default_rng(2).normal(0.0, 0.05, 60)
    lost[30], lost[[29, 31]] = 1.5, -0.4
    assert np.flatnonzero(shaken(lost, state, 3)).tolist() == [30]
    lost[[29, 31]] = 0.0
    assert not shaken(lost, state, 3).any()
    lost[30], lost[[29, 31]] = 1.0, -0.4
    assert not shaken(lost, state, 3).any()
