"""Running levels and runs of flags against numbers by hand."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.decide import FIRING
from misfire.decide.chance import shaken
from misfire.decide.runs import cycle_mean, mad, run_length, running_high, running_median, touching


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


@pytest.mark.parametrize("side", [-1, 0, 1])
def test_the_healthy_level_of_a_long_log_is_that_of_a_short_one(side: int):
    """Two neighbours in firing order dead on a four: the level stays that of those that fire, however long the log."""
    rng = np.random.default_rng(3)
    energy = np.tile([1.0, 1.0, 0.0, 0.0], 60_000) + rng.normal(0, 0.02, 240_000)
    long, short = running_high(energy, 9, side), running_high(energy[:4000], 9, side)
    assert np.abs(long[20:-20] - 1.0).max() < 0.12
    np.testing.assert_array_equal(long[20:3900], short[20:3900])


@pytest.mark.parametrize("size", [3001, 150_001])
def test_against_plain_percentiles(size: int):
    """Places inside, against numpy.percentile and numpy.median of the same windows."""
    x = np.random.default_rng(4).normal(size=size)
    at = np.random.default_rng(5).integers(100, size - 100, 60)
    median, high = running_median(x, 61), running_high(x, 17)
    for i in at.tolist():
        assert median[i] == np.median(x[i - 30 : i + 31])
        near = np.sort(x[i - 8 : i + 9])
        assert near[11] <= high[i] <= near[12]
