"""What can be compared at all, what never depends on order, and the pattern between the logs."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from misfire.comparison import CompareOptions, Side, compare, compare_patterns
from misfire.comparison.judge import change, standardised
from misfire.errors import InputError

from .conftest import finding, make_log


@pytest.mark.parametrize(
    "kw",
    [
        {"misfire": {3: 0.05}},
        {"misfire": {3: 0.0004}},
        {"misfire": {3: 1.0}, "findings": [finding("misfire", 3)]},
        {"reported": {2: 300, 3: 5}, "monitor_ran": None},
        {"misfire": {3: 0.05}, "reported": {}, "findings": [finding("misfire", 3)]},
        {"accused": {1: 0.4, 4: 0.4}, "stable": False, "findings": [finding("sensor_signal")]},
        {"misfire": {1: 0.05}, "phase": "unknown", "findings": [finding("misfire", 1, 4)]},
        {"misfire": {2: 0.05}, "load": None, "turns": 120},
        {"turns": 10},
    ],
)
def test_a_log_against_itself_is_unchanged(kw: dict[str, Any]) -> None:
    log = make_log(5, **kw)
    out = compare([log], [log])
    assert out["verdict"]["answer"] == "unchanged"
    assert {row["answer"] for row in out["cylinders"]} == {"unchanged"}
    assert out["pattern"]["changed"] is False


def test_a_log_without_events_is_open() -> None:
    before, empty = make_log(1, misfire={3: 0.05}), make_log(2, turns=50)
    empty = Side(empty.result, empty.events.iloc[:0], empty.engine)
    assert compare([before], [empty])["verdict"]["answer"] == "not_proven"
    assert compare([empty], [empty])["verdict"]["answer"] == "unchanged"


@settings(max_examples=8, deadline=None)
@given(st.permutations([0, 1, 2]), st.permutations([3, 4, 5]))
def test_order_of_logs_does_not_matter(first: list[int], second: list[int]) -> None:
    logs = [
        make_log(s, turns=500, misfire={3: 0.05 if s < 3 else 0.01}, burst_turns=25, reported={3: 9})
        for s in range(6)
    ]
    want = compare(logs[:3], logs[3:])
    got = compare([logs[i] for i in first], [logs[i] for i in second])
    assert json.dumps(got) == json.dumps(want)


def test_the_result_has_the_contracts_fields_and_is_plain_json() -> None:
    out = compare([make_log(1, misfire={3: 0.05})], [make_log(2)])
    back = json.loads(json.dumps(out, allow_nan=False))
    assert (back["format"], back["version"]) == ("misfire-comparison", 1)
    assert [r["cylinder"] for r in back["cylinders"]] == [1, 2, 3, 4]
    row = back["cylinders"][2]
    assert {"before", "after", "ratio", "ratio_ci95", "p_value", "answer"} <= set(row)
    assert row["before"]["firings"] == 2000
    assert row["ratio"] == 0.0
    assert {"answer", "headline", "reasons", "needed_firings", "missing"} <= set(back["verdict"])


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ({"order": (1, 5, 3, 6, 2, 4)}, "4 cylinders in one log and 6"),
        ({"order": (1, 2, 4, 3)}, "firing order 1-3-4-2 .* 1-2-4-3"),
        ({"wheel": "36-1"}, "crank wheel 60-2 .* 36-1"),
    ],
)
def test_other_engines_are_refused(other: dict[str, Any], match: str) -> None:
    with pytest.raises(InputError, match=match):
        compare([make_log(1, turns=50)], [make_log(2, turns=50, **other)])


def test_wrong_options_are_refused() -> None:
    log = make_log(1, turns=50)
    with pytest.raises(InputError, match="two different cylinders from 1 to 4"):
        compare([log], [log], CompareOptions(swapped=(2, 9)))
    with pytest.raises(InputError, match="at least one log"):
        compare([], [log])


def test_pattern_that_changes_from_start_to_start_is_not_stable(ripple: np.ndarray) -> None:
    logs = [make_log(s, turns=20, tooth_error=ripple * (s - 1)) for s in (1, 2, 3)]
    out = compare_patterns([logs[0].result], [x.result for x in logs])
    assert out["stable_before"] is True
    assert out["stable_after"] is False
    assert (out["starts_before"], out["starts_after"]) == (1, 3)


def test_patterns_that_only_scatter_are_the_same() -> None:
    changed = [
        compare_patterns([make_log(s, turns=20).result], [make_log(s + 500, turns=20).result])["changed"]
        for s in range(40)
    ]
    assert not any(changed)


def test_one_moved_tooth_is_named(ripple: np.ndarray) -> None:
    other = ripple.copy()
    other[40] += 0.08
    out = compare_patterns(
        [make_log(1, turns=20, tooth_error=ripple).result], [make_log(2, turns=20, tooth_error=other).result]
    )
    assert out["teeth"] == [40]
    assert out["difference_deg"][40] == pytest.approx(0.08, abs=0.02)
    assert out["difference_deg"][58] is None


def test_a_side_without_pattern_is_not_compared() -> None:
    bare = make_log(1, turns=20)
    bare.result["pattern"]["learned_from"] = "none"
    out = compare_patterns([bare.result], [make_log(2, turns=20).result])
    assert out["changed"] is None
    assert out["difference_deg"] is None


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 60), st.integers(200, 4000), st.integers(0, 60), st.integers(200, 4000))
def test_totals_of_one_stratum_equal_the_plain_comparison(kb: int, nb: int, ka: int, na: int) -> None:
    plain = change([kb], [nb], [ka], [na])
    total = standardised(kb, ka, np.array([nb]), np.array([na]), np.array([kb]))
    assert total.p_value == pytest.approx(plain.p_value)
    assert total.ratio_ci == pytest.approx(plain.ratio_ci)


def renamed(side: Side, names: dict[int, Any], phase: str) -> Side:
    """The same log as an analysis writes it that knows fewer names."""
    events = side.events.assign(cylinder=side.events["cylinder"].map(names).astype(object))
    rows: dict[Any, dict[str, Any]] = {}
    for r in side.result["cylinders"]:
        row = rows.setdefault(
            names[r["cylinder"]], {"cylinder": names[r["cylinder"]], "misfires_uncorrected": 0}
        )
        row["misfires_uncorrected"] += r["misfires_uncorrected"]
        row["reported"] = r["reported"]
    result = {**side.result, "phase": phase, "cylinders": list(rows.values())}
    return Side(result, events, side.engine)


PAIRS = {1: 1, 4: 1, 2: 2, 3: 2}
PLACES = {1: "A", 3: "B", 4: "C", 2: "D"}


@pytest.mark.parametrize(
    ("before", "after", "labels"),
    [
        (PAIRS, PAIRS, [1, 2]),
        (PAIRS, None, [1, 2]),
        (PLACES, PLACES, ["A", "B", "C", "D"]),
        (PLACES, None, ["all"]),
    ],
)
def test_logs_that_know_fewer_names(before: Any, after: Any, labels: list[Any]) -> None:
    bad, good = make_log(1, misfire={3: 0.06}), make_log(2, turns=8000)
    first = renamed(bad, before, "unknown")
    second = good if after is None else renamed(good, after, "unknown")
    out = compare([first], [second])
    json.dumps(out, allow_nan=False)
    assert [r["cylinder"] for r in out["cylinders"]] == labels
    assert sum(r["before"]["misfires"] for r in out["cylinders"]) == int(
        (bad.events["state"] == "misfire").sum()
    )
    assert out["verdict"]["answer"] == "cleared"
    assert compare([first], [first])["verdict"]["answer"] == "unchanged"
    swap = compare([first], [second], CompareOptions(swapped=(2, 4)))
    assert swap["verdict"]["answer"] == "not_proven"
    short = compare([first], [renamed(make_log(3, turns=40), before, "unknown")])["verdict"]
    assert short["answer"] == "not_proven"
    assert short["needed_firings"] == short["needed_firings_per_cylinder"] * len(set(before.values()))


def test_misfires_that_came_up_and_may_be_one_cluster_are_open_not_unchanged():
    """None of 689 before, every one of 67 after, all in one stretch: as little as one event (quasi-likelihood)."""
    one = change([0], [689], [67], [67], dispersion=67.0)
    assert not one.material_before
    assert one.material_after
    assert one.answer(p_adjusted=1.0, alpha=0.01) == "not_proven"
    many = change([60], [689], [6], [67])
    assert many.answer(p_adjusted=1.0, alpha=0.01) == "unchanged"


def test_the_turn_of_the_cycle_unknown_names_both_companions() -> None:
    """Numbers and places that stand for two are told as two, and stay numbers and places in the result."""
    from misfire.comparison.names import either, names

    two, a = either(2, 3), either("A", "C")
    assert names([two]) == "cylinder 2 or 3"
    assert names([two, either(1, 4)]) == "cylinders 1 or 4 and 2 or 3"
    assert names([a]) == "place A or C"
    assert names(["B"]) == "place B"
    assert json.dumps({"cylinder": [two, a]}) == '{"cylinder": [2, "A"]}'
    assert {two: 1}[2] == {a: 1}["A"] == 1
