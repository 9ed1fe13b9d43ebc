"""The map of lost work: cells against a plain loop over the event rows, losses against the simulated truth."""

from __future__ import annotations

import dataclasses
import json
import statistics
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from misfire.evidence.maps import lost_work_map, tally
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import load_scenario, simulate

# misfires at high load; misfires of an eight; a load by the motion; companions not told apart
LOGS = (
    ("high_load_misfire_i4", {}),
    ("shared_coil_v8", {"until_s": 30.0}),
    ("misfire_i5_36-1", {}),
    ("random_misfire_i4", {"marks": False}),
)


def cell_of(cells: list[dict[str, Any]], name: object, rpm: float, load: float) -> list[dict[str, Any]]:
    """Cells whose classes hold a firing: the lower edge of a speed and the upper edge of a load belong to them."""
    return [
        c
        for c in cells
        if c["cylinder"] == name
        and c["speed_rpm"][0] <= rpm < c["speed_rpm"][1]
        and (c["load"][0] < load <= c["load"][1] or load <= 0 == c["load"][0])
    ]


@pytest.mark.parametrize(("name", "how"), LOGS)
def test_cells_hold_what_a_plain_loop_over_the_events_finds(judged: Callable, name: str, how: dict) -> None:
    done = judged(name, **how).done
    found = done.result["lost_work_map"]
    cells = found["cells"]
    rows = defaultdict(list)
    left = 0
    for event in done.events.itertuples():
        if event.state not in ("firing", "misfire"):
            continue
        load = event.load_pct
        if found["load_from"] == "motion":
            load = min(100.0, 100 * event.expected_rad2_s2 / found["load_full_rad2_s2"])
        if not np.isfinite([event.rpm, load, event.lost_work]).all():
            left += 1
            continue
        (own,) = cell_of(cells, event.cylinder, event.rpm, load)
        rows[cells.index(own)].append(event)
    assert left == found["left_out"]
    assert sorted(rows) == list(range(len(cells)))
    for k, cell in enumerate(cells):
        fired = [e.lost_work for e in rows[k] if e.state == "firing"]
        assert cell["firings"] == len(rows[k])
        assert cell["misfires"] == len(rows[k]) - len(fired)
        if not fired:
            assert cell["fired_lost_work"] is None
            continue
        assert cell["fired_lost_work"] == pytest.approx(statistics.fmean(fired), abs=1e-9)
        if len(fired) == 1:
            assert cell["fired_lost_work_se"] is None
            continue
        # four neighbours count as one firing
        error = statistics.stdev(fired) / max(len(fired) / 4, 1) ** 0.5
        assert cell["fired_lost_work_se"] == pytest.approx(error, abs=1e-9)


@pytest.mark.parametrize(("name", "how"), LOGS)
def test_cells_add_up_to_the_counts(judged: Callable, name: str, how: dict) -> None:
    result = judged(name, **how).done.result
    found = result["lost_work_map"]
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    for key in ("firings", "misfires"):
        total = {c["cylinder"]: c[key] for c in result["cylinders"]}
        mine = dict.fromkeys(total, 0)
        for c in found["cells"]:
            mine[c["cylinder"]] += c[key]
        assert found["left_out"] == 0
        assert mine == total


def true_mean(log: Any, cell: dict[str, Any]) -> tuple[float, int]:
    """Mean true lost work of the firings whose event rows lie in a cell, and their number."""
    truth, rows = log.matched()
    e = log.done.events.iloc[rows]
    rpm, load = e.rpm.to_numpy(), e.load_pct.to_numpy()
    mine = (e.cylinder == cell["cylinder"]).to_numpy() & (e.state == "firing").to_numpy()
    mine &= (rpm >= cell["speed_rpm"][0]) & (rpm < cell["speed_rpm"][1])
    mine &= (load > cell["load"][0]) & (load <= cell["load"][1])
    return float(np.mean(log.log.truth.lost_work[truth[mine]])), int(mine.sum())


def test_a_weak_cylinder_loses_in_its_own_panel_only_and_as_much_as_it_does(judged: Callable) -> None:
    log = judged("weak_cylinder_i4")
    cells = [c for c in log.done.result["lost_work_map"]["cells"] if c["firings"] >= 12]
    for cell in cells:
        weak = cell["cylinder"] == 3
        # the contract's limit of a weak cylinder, 0.15; the truth is 0.25
        assert (cell["fired_lost_work"] >= 0.15) == weak, cell
        true, n = true_mean(log, cell)
        assert n >= 0.9 * cell["firings"]
        # the contract's mark, 0.1 to either side
        assert cell["fired_lost_work"] == pytest.approx(true, abs=0.1), cell
    assert len([c for c in cells if c["cylinder"] == 3]) >= 5


def test_half_burns_lose_half_in_every_cell() -> None:
    scenario = load_scenario("weak_cylinder_i4")
    half = dataclasses.replace(scenario.combustion, cylinder_factors={"3": 0.5})
    done = simulate(dataclasses.replace(scenario, combustion=half))
    result = analyse(done.recording, AnalyseOptions(engine=done.engine), channels=[done.channels]).result
    own = [c for c in result["lost_work_map"]["cells"] if c["cylinder"] == 3 and c["firings"] >= 12]
    assert len(own) >= 5
    # the contract's mark for a burn of 50 %
    assert all(0.4 <= c["fired_lost_work"] <= 0.6 for c in own), own


def test_load_by_the_motion_orders_the_drive_as_the_channel_does() -> None:
    """At like speed more charge is more work (contract: rises with torque, not in proportion)."""
    done = simulate(load_scenario("high_load_misfire_i4"))
    options = AnalyseOptions(engine=done.engine)
    by_motion = analyse(done.recording, options)
    by_channel = analyse(done.recording, options, channels=[done.channels])
    assert by_channel.result["lost_work_map"]["load_from"] == "load_pct"
    found = by_motion.result["lost_work_map"]
    assert found["load_from"] == "motion"
    assert "motion" in found["load_says"]
    # cylinder 1 misfires above 60 % load only; the drive holds 2500 rpm at 80 % and at 35 %
    own = [c for c in found["cells"] if c["cylinder"] == 1 and c["speed_rpm"] == [2250.0, 2750.0]]
    firings = {c["load"][0]: c["firings"] for c in own if c["firings"] >= 12}
    missed = {c["load"][0] for c in own if c["misfires"]}
    assert len(firings) >= 2
    assert missed
    assert min(missed) > min(firings)


def arrays(n: int = 400) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(11)
    return {
        "which": rng.integers(0, 2, n),
        "rpm": rng.uniform(0, 7200, n),
        "load": rng.uniform(0, 130, n),
        "lost": rng.normal(0, 0.1, n),
        "missed": rng.random(n) < 0.1,
    }


@pytest.mark.parametrize(
    ("rpm", "load", "speed_class", "load_class"),
    [
        (750.0, 20.0, [750, 1250], [0, 20]),
        (2000.0, 100.0, [1750, 2250], [80, 100]),
        (3499.9, 100.1, [2750, 3500], [100, 120]),
        (4500.0, 0.0, [4500, 5500], [0, 20]),
        (9000.0, 45.0, [8500, 9500], [40, 60]),
    ],
)
def test_a_firing_on_an_edge_has_one_class(
    rpm: float, load: float, speed_class: list, load_class: list
) -> None:
    one = tally(
        [1], np.array([0]), np.array([rpm]), np.array([load]), np.array([0.2]), np.array([False])
    ).to_dict()["cells"]
    assert [(c["speed_rpm"], c["load"]) for c in one] == [(speed_class, load_class)]
    assert one[0]["fired_lost_work_se"] is None


def test_firings_that_lack_a_number_are_left_out_and_said() -> None:
    a = arrays()
    for k, name in enumerate(("rpm", "load", "lost")):
        a[name][10 * k : 10 * k + 5] = np.nan
    found = tally(["A", "B"], **a).to_dict()
    assert found["left_out"] == 15
    assert sum(c["firings"] for c in found["cells"]) == 385


def test_no_firing_gives_no_cell() -> None:
    nothing = {k: v[:0] for k, v in arrays().items()}
    assert tally([1, 2], **nothing).to_dict()["cells"] == []


def test_a_load_that_one_log_lacks_or_holds_in_other_units_is_told_by_the_motion(judged: Callable) -> None:
    done = judged("high_load_misfire_i4").done
    (log,) = done.logs
    names = [1, 2, 3, 4]
    without = dataclasses.replace(log, load_pct=np.full(log.load_pct.size, np.nan), load_from="")
    half = dataclasses.replace(log, load_pct=np.where(np.arange(log.load_pct.size) % 2, np.nan, 50.0))
    pressure = dataclasses.replace(log, load_from="map_kpa")
    assert lost_work_map([log, log], names).load_from == "load_pct"
    assert lost_work_map([pressure], names).to_dict()["load_unit"] == "kPa"
    for logs in ([log, without], [half], [log, pressure]):
        assert lost_work_map(logs, names).load_from == "motion"


def test_full_load_by_the_motion_is_no_single_firing(judged: Callable) -> None:
    """One firing with a normal work out of all bounds must not push the rest into the lowest class."""
    log = judged("high_load_misfire_i4").done.logs[0]
    log = dataclasses.replace(log, load_pct=np.full(log.load_pct.size, np.nan), load_from="")
    expected = log.decision.expected.copy()
    expected[int(np.argmax(log.decision.state == 0))] *= 50
    wild = dataclasses.replace(log, decision=dataclasses.replace(log.decision, expected=expected))
    calm, odd = (lost_work_map([x], [1, 2, 3, 4]) for x in (log, wild))
    assert odd.full_rad2_s2 == pytest.approx(calm.full_rad2_s2, rel=0.01)
    assert odd.load.max() <= 100.0
    assert calm.load.max() == 100.0
