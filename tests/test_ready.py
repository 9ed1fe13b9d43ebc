"""Conditions for a pattern learn. Default limits: common practice, no source."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.intake.recording import Channels
from misfire.ready import ReadyLimits, find_coast_downs, log_coast_downs, ready


def record(**values: Any) -> Channels:
    time = np.arange(0.0, 300.0, 0.5)
    full = {k: np.broadcast_to(np.asarray(v, dtype=float), time.shape).copy() for k, v in values.items()}
    return Channels(time, full)


def coasting() -> Channels:
    """Fuel cut from 100 to 106 s while the speed falls evenly from 3000 to 1800 rpm; then it climbs again."""
    c = record(coolant_c=85.0, transmission_c=60.0, speed_rpm=2500.0, fuel_cut=0.0)
    t, speed, cut = c.time_s, c.values["speed_rpm"], c.values["fuel_cut"]
    speed[t <= 100] = 3000.0
    falling = (t >= 100) & (t <= 106)
    speed[falling] = 3000.0 - 200.0 * (t[falling] - 100.0)
    speed[t > 106] = 2500.0
    cut[(t >= 100) & (t < 106)] = 1.0
    return c


def by_name(result: dict[str, Any]) -> dict[str, Any]:
    return {c["name"]: c for c in result["conditions"]}


@pytest.mark.parametrize(
    ("coolant", "transmission", "is_ready"),
    [(75.0, 45.0, True), (74.0, 60.0, False), (90.0, 44.0, False), (130.0, 60.0, False)],
)
def test_default_limits(coolant: float, transmission: float, is_ready: bool) -> None:
    got = ready(record(coolant_c=coolant, transmission_c=transmission))
    assert got["ready"] is is_ready
    assert (got["format"], got["version"]) == ("misfire-ready", 1)
    assert all({"name", "value", "limit", "met"} <= set(c) for c in got["conditions"])
    json.dumps(got, allow_nan=False)


def test_minutes_left_at_the_present_rise() -> None:
    time = np.arange(0.0, 300.0, 0.5)
    got = ready(record(coolant_c=40.0 + 4.0 * time / 60.0, transmission_c=50.0))
    coolant = by_name(got)["coolant_c"]
    assert coolant["rise_c_per_min"] == pytest.approx(4.0, abs=0.01)
    # 40 + 4 * 299.5 / 60 = 59.97; (75 - 59.97) / 4 = 3.76 minutes
    assert coolant["minutes_left"] == pytest.approx(3.76, abs=0.06)
    assert any("minutes at the present rise" in m for m in got["missing"])


def test_what_is_not_logged_is_not_known_and_not_met() -> None:
    got = ready(record(coolant_c=85.0))
    assert by_name(got)["transmission_c"]["met"] is None
    assert got["ready"] is False
    assert "not known" in got["headline"]
    assert ready(record(coolant_c=85.0), limits=ReadyLimits(transmission_min_c=None))["ready"] is True


def test_the_last_value_counts_and_blanks_are_skipped() -> None:
    c = record(coolant_c=85.0, transmission_c=60.0)
    c.values["coolant_c"][300:] = 70.0
    c.values["coolant_c"][-5:] = np.nan
    assert by_name(ready(c))["coolant_c"]["value"] == 70.0


def test_coast_down_is_found_with_its_turns() -> None:
    (coast,) = find_coast_downs(coasting())
    assert (coast["from_s"], coast["to_s"]) == (100.0, 106.0)
    assert (coast["from_rpm"], coast["to_rpm"]) == (3000.0, 1800.0)
    assert coast["turns"] == pytest.approx(6.0 * 2400.0 / 60.0)  # mean speed times time
    got = ready(coasting())
    assert got["coast_down_usable"] is True
    # 0.0034 deg after 40 turns, 0.0018 after 100 (simulated): 240 turns lie below the latter
    assert 0 < got["coast_downs"][0]["accuracy_deg"] < 0.0018


def test_flag_without_falling_speed_and_falling_speed_without_flag_are_none() -> None:
    c = coasting()
    c.values["fuel_cut"][:] = 0.0
    assert find_coast_downs(c) == []
    c = coasting()
    c.values["speed_rpm"][:] = 2000.0
    assert find_coast_downs(c) == []
    del c.values["fuel_cut"]
    assert any("fuel_cut" in m for m in ready(c)["missing"])


def test_short_coast_down_is_shown_but_not_usable() -> None:
    c = coasting()
    c.values["fuel_cut"][(c.time_s >= 101)] = 0.0
    got = ready(c)
    assert len(got["coast_downs"]) == 1
    assert got["coast_down_usable"] is False
    assert any("long enough" in m for m in got["missing"])


def test_coast_down_of_a_tooth_timing_log() -> None:
    """A log of one tooth in eight positions at the same speeds; the channels hold only the flag."""
    c = coasting()
    fine = np.arange(90.0, 110.0, 1e-3)
    angle = np.concatenate([[0], np.cumsum(np.interp(fine, c.time_s, c.values["speed_rpm"]) * 6e-3)[:-1]])
    turns = int(angle[-1] // 360)
    edges = np.interp(np.arange(turns * 8) * 45.0, angle, fine).reshape(turns, 8)
    flag = Channels(c.time_s, {"fuel_cut": c.values["fuel_cut"]})
    (coast,) = log_coast_downs(edges, np.zeros(turns, dtype=np.int64), flag)
    assert coast["from_rpm"] == pytest.approx(3000, rel=0.01)
    assert coast["to_rpm"] == pytest.approx(1800, rel=0.01)
    assert coast["turns"] == pytest.approx(240, abs=2.5)


def test_wrong_limits_are_refused() -> None:
    with pytest.raises(InputError, match="warm-up speed"):
        ReadyLimits(warm_rpm=(3000.0, 2000.0))
    with pytest.raises(InputError, match="coolant"):
        ReadyLimits(coolant_min_c=130.0)


def test_the_coast_down_of_the_demonstration_is_usable_here_too() -> None:
    """An analysis learns the pattern from it (24 turns), so it cannot be too short to learn from."""
    from misfire.cli.demo import demo_folder
    from misfire.intake.channels import read_channels

    assert ready(read_channels(demo_folder() / "before_channels.csv"))["coast_down_usable"] is True
