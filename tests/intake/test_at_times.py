"""Slow channels at the moments of firings: flags hold until the next row, other channels are interpolated (contract)."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.intake.channels import at_times
from misfire.intake.recording import Channels

NAN = float("nan")
ROWS = np.array([1.0, 2.0, 3.0])


def channels(**values: list[float]) -> Channels:
    return Channels(ROWS, {k: np.array(v, dtype=float) for k, v in values.items()})


@pytest.mark.parametrize("name", ["load_pct", "map_kpa"])
def test_the_load_is_interpolated_and_says_which_channel_it_is(name: str) -> None:
    slow = at_times(channels(**{name: [20, 40, 80]}), np.array([0.5, 1.0, 1.25, 2.5, 3.5]))
    assert slow.load_from == name
    np.testing.assert_allclose(slow.load, [NAN, 20, 25, 60, NAN])
    assert np.isnan(slow.fuel_cut).all()


def test_a_load_goes_before_a_pressure() -> None:
    both = at_times(channels(map_kpa=[30, 30, 30], load_pct=[5, 5, 5]), ROWS)
    assert (both.load_from, both.load[0]) == ("load_pct", 5.0)


def test_a_flag_holds_until_the_next_row_and_is_open_where_it_changes() -> None:
    slow = at_times(channels(fuel_cut=[0, 0, 1]), np.array([0.5, 1.5, 2.5, 3.5, 8.5]))
    np.testing.assert_array_equal(slow.fuel_cut, [NAN, 0, NAN, 1, NAN])
    assert slow.load_from == ""
    assert np.isnan(slow.load).all()


@pytest.mark.parametrize("none", [None, Channels(np.zeros(0), {"load_pct": np.zeros(0)})])
def test_without_channels_nothing_is_known(none: Channels | None) -> None:
    slow = at_times(none, ROWS)
    assert slow.load_from == ""
    assert np.isnan([slow.load, slow.fuel_cut]).all()
