"""Stories of a repair with known truth, several seeds each; the right answer is part of the story.

A dozen seeds by default, any number with MISFIRE_SEEDS=100 in the environment; 98 % must be right.
"""

from __future__ import annotations

import os
from collections import Counter
from typing import Any

import numpy as np
import pytest

from misfire.comparison import CompareOptions, Side, compare

from .conftest import finding, make_log

SEEDS = range(int(os.environ.get("MISFIRE_SEEDS", "12")))


def answer(before: Side | list[Side], after: Side | list[Side], **options: Any) -> str:
    sides = [s if isinstance(s, list) else [s] for s in (before, after)]
    return str(compare(*sides, CompareOptions(**options))["verdict"]["answer"])


def tally(story: Any) -> Counter[str]:
    return Counter(story(seed) for seed in SEEDS)


def right(story: Any, want: str) -> None:
    got = tally(story)
    assert got[want] >= 0.98 * len(SEEDS), got


def reported_of(side: Side, extra: dict[int, int] | None = None) -> dict[int, int]:
    return {
        r["cylinder"]: r["misfires"] + (extra or {}).get(r["cylinder"], 0) for r in side.result["cylinders"]
    }


def test_stale_pattern_then_learned() -> None:
    def story(seed: int) -> str:
        before = make_log(seed, reported={2: 400, 3: 380})
        after = make_log(seed + 10_000, reported={})
        return answer(before, after)

    right(story, "cleared")


def test_wheel_error_that_the_controller_learned(ripple: np.ndarray) -> None:
    wheel = [finding("crank_pattern", 2, 3, where="wheel")]

    def story(seed: int) -> str:
        before = make_log(
            seed, reported={2: 400, 3: 380}, tooth_error=ripple, accused={2: 0.2, 3: 0.2}, findings=wheel
        )
        after = make_log(
            seed + 10_000, reported={}, tooth_error=ripple, accused={2: 0.2, 3: 0.2}, findings=wheel
        )
        out = compare([before], [after])
        assert out["pattern"]["changed"] is False
        assert any("learned" in r for r in out["verdict"]["reasons"])
        return str(out["verdict"]["answer"])

    right(story, "cleared")


@pytest.mark.parametrize("how", ["unstable", "signal"])
def test_learned_with_the_disturbance_still_there(how: str) -> None:
    def story(seed: int) -> str:
        kw: dict[str, Any] = (
            {"stable": False} if how == "unstable" else {"findings": [finding("sensor_signal")]}
        )
        before = make_log(seed, reported={2: 400, 3: 380}, **kw)
        after = make_log(seed + 10_000, reported={}, **kw)
        return answer(before, after)

    right(story, "cleared_cause_present")


@pytest.mark.parametrize("controller_counts_it", [True, False])
@pytest.mark.parametrize("monitor", [True, None])
def test_true_misfire_and_a_learn(controller_counts_it: bool, monitor: bool | None) -> None:
    def story(seed: int) -> str:
        miss = {3: 0.05}
        before = make_log(seed, misfire=miss)
        after = make_log(seed + 10_000, misfire=miss)
        found = [finding("misfire", 3, kind="one", steady=False)]
        before = make_log(seed, misfire=miss, reported=reported_of(before, {2: 500, 3: 500}), findings=found)
        counts = reported_of(after) if controller_counts_it else {}
        after = make_log(seed + 10_000, misfire=miss, reported=counts, findings=found, monitor_ran=monitor)
        out = compare([before], [after])
        assert "cylinder 3" in out["verdict"]["headline"]
        assert out["cylinders"][2]["answer"] == "unchanged"
        return str(out["verdict"]["answer"])

    right(story, "misfire_remains")


@pytest.mark.parametrize(("left", "want"), [(0, "misfire_remains"), (12, "improved")])
def test_few_false_counts_do_not_hide_a_true_misfire(left: int, want: str) -> None:
    """False counts of 36 on 4 and 19 on 3 gone: the latter too few to be proven gone (0 of 775: up to 0.39 %)."""
    found = [finding("misfire", 1, kind="one", steady=False)]

    def side(seed: int, false: dict[int, int]) -> Side:
        bare = make_log(seed, turns=1550, misfire={1: 0.036})
        counts = reported_of(bare, false)
        return make_log(seed, turns=1550, misfire={1: 0.036}, reported=counts, findings=found)

    verdict = compare([side(1, {3: 19, 4: 36})], [side(2, {3: left})])["verdict"]
    assert verdict["answer"] == want
    if not left:
        assert "remains on cylinder 1; the false counts are gone on cylinder 4" in verdict["headline"]
        assert any("cylinder 3" in m for m in verdict["missing"])


def test_coil_swapped_and_the_misfire_moved() -> None:
    def story(seed: int) -> str:
        return answer(
            make_log(seed, misfire={2: 0.06}), make_log(seed + 10_000, misfire={4: 0.06}), swapped=(2, 4)
        )

    right(story, "moved")


def test_coil_swapped_but_the_injector_at_fault() -> None:
    def story(seed: int) -> str:
        return answer(
            make_log(seed, misfire={2: 0.06}), make_log(seed + 10_000, misfire={2: 0.06}), swapped=(2, 4)
        )

    right(story, "stayed")


def test_swap_without_enough_misfires_says_how_many() -> None:
    before = make_log(1, misfire={2: 0.06})
    out = compare([before], [make_log(2, turns=60, misfire={4: 0.06})], CompareOptions(swapped=(2, 4)))
    assert out["verdict"]["answer"] == "not_proven"
    need = out["verdict"]["needed_firings"]
    assert need is not None
    answers = Counter(
        answer(before, make_log(50 + s, turns=need // 2, misfire={4: 0.06}), swapped=(2, 4))
        for s in range(20)
    )
    assert answers["moved"] >= 17  # 95 % power, less two standard deviations of twenty drives


def test_neither_cylinder_misfires_after_the_swap_and_more_of_the_same_drive_would_not_tell() -> None:
    """0.94^n of seeing none in n firings of a cylinder that misses 6 % [derived]: 10^-53 in 2000, 0.16 in 30."""
    before = make_log(1, misfire={2: 0.06})
    long = compare([before], [make_log(2)], CompareOptions(swapped=(2, 4)))["verdict"]
    assert long["answer"] == "not_proven"
    assert long["needed_firings"] is None
    assert any("neither 2 nor 4 misfires" in line for line in long["missing"])
    short = compare([before], [make_log(2, turns=60)], CompareOptions(swapped=(2, 4)))["verdict"]
    assert short["needed_firings"] > 60
    assert not any("neither" in line for line in short["missing"])


def test_swap_between_companions_of_unknown_phase_is_open() -> None:
    before, after = (make_log(s, misfire={2: 0.06}, phase="unknown") for s in (1, 2))
    out = compare([before], [after], CompareOptions(swapped=(2, 3)))
    assert out["verdict"]["answer"] == "not_proven"
    assert "cylinder-1 mark" in " ".join(out["verdict"]["missing"])


def test_repaired_but_too_short_and_then_driven_long_enough() -> None:
    def story(seed: int) -> str:
        before = make_log(seed, misfire={3: 0.05})
        short = compare([before], [make_log(seed + 10_000, turns=300)])
        assert short["verdict"]["answer"] == "not_proven"
        need = short["verdict"]["needed_firings"]
        assert need is not None
        assert short["verdict"]["needed_minutes"] > 0
        # the engine's firings: two per turn on a four
        driven = make_log(seed + 20_000, turns=need // 2 + 1)
        return answer(before, [make_log(seed + 10_000, turns=300), driven])

    right(story, "cleared")


def test_isolated_misfires_may_stay() -> None:
    def story(seed: int) -> str:
        return answer(
            make_log(seed, misfire={3: 0.1}), make_log(seed + 10_000, turns=8000, misfire={3: 0.0005})
        )

    assert tally(story)["cleared"] >= 0.9 * len(SEEDS)


def test_fewer_but_not_gone() -> None:
    def story(seed: int) -> str:
        return answer(make_log(seed, misfire={3: 0.1}), make_log(seed + 10_000, misfire={3: 0.04}))

    right(story, "improved")


def test_worse() -> None:
    def story(seed: int) -> str:
        return answer(make_log(seed, misfire={3: 0.02}), make_log(seed + 10_000, misfire={3: 0.08}))

    right(story, "worse")


@pytest.mark.parametrize("kind", ["random", "clustered", "dead", "reported", "healthy", "accused"])
def test_nothing_changed(kind: str) -> None:
    kw: dict[str, dict[str, Any]] = {
        "random": {"misfire": {3: 0.05}},
        "clustered": {"misfire": {3: 0.05}, "burst_turns": 40},
        "dead": {"misfire": {3: 1.0}, "findings": [finding("misfire", 3, kind="one", steady=True)]},
        "reported": {"reported": {2: 300, 3: 310}},
        "healthy": {},
        "accused": {"accused": {2: 0.3, 3: 0.3}},
    }

    def story(seed: int) -> str:
        return answer(make_log(seed, **kw[kind]), make_log(seed + 10_000, **kw[kind]))

    got = tally(story)
    # With bursts a fall to less than half may come by chance; it must then be open, never a success.
    wrong = sum(n for a, n in got.items() if a not in ("unchanged", "not_proven"))
    assert wrong <= 0.02 * len(SEEDS), got
    assert got["unchanged"] >= (0.75 if kind == "clustered" else 0.98) * len(SEEDS)


def test_clustering_is_needed_for_that() -> None:
    """Bursts: without widening, equal rates would often look different (the check can fail)."""
    out = [
        compare(
            [make_log(s, misfire={3: 0.05}, burst_turns=40)],
            [make_log(s + 10_000, misfire={3: 0.05}, burst_turns=40)],
        )["cylinders"][2]
        for s in SEEDS
    ]
    assert all(row["dispersion"] > 2 for row in out)
    assert out[0]["before"]["interval"] == "block bootstrap"


def test_different_driving_is_no_success() -> None:
    """Misfires only above 50 % load; afterwards only light load is driven."""

    def story(seed: int) -> str:
        def rate(_: np.ndarray, load: np.ndarray) -> np.ndarray:
            return np.where(load > 50, 0.2, 0.0)

        before = make_log(seed, misfire={2: rate})
        after = make_log(seed + 10_000, misfire={2: rate}, load=(10.0, 35.0))
        out = compare([before], [after])
        assert any("speeds and loads" in m for m in out["verdict"]["missing"])
        return str(out["verdict"]["answer"])

    right(story, "not_proven")


@pytest.mark.parametrize("monitor", [False, None])
def test_zero_counts_with_the_monitor_off(monitor: bool | None) -> None:
    def story(seed: int) -> str:
        before = make_log(seed, reported={2: 400, 3: 380})
        out = compare([before], [make_log(seed + 10_000, reported={}, monitor_ran=monitor)])
        assert "monitor" in " ".join(out["verdict"]["missing"])
        return str(out["verdict"]["answer"])

    right(story, "not_proven")


def test_controller_read_only_before() -> None:
    out = compare([make_log(1, reported={2: 400, 3: 380})], [make_log(2)])
    assert out["verdict"]["answer"] == "not_proven"
    assert "--counts-after" in " ".join(out["verdict"]["missing"])


def test_wheel_replaced(ripple: np.ndarray) -> None:
    out = compare([make_log(1, accused={2: 0.3, 3: 0.3}, tooth_error=ripple)], [make_log(2)])
    assert out["verdict"]["answer"] == "cleared"
    assert out["pattern"]["changed"] is True
    assert 17 in out["pattern"]["teeth"]
    assert out["pattern"]["largest_difference_deg"] == pytest.approx(np.abs(ripple[:58]).max(), abs=0.02)


def test_freeze_frame_must_be_driven_again() -> None:
    before, after = make_log(1, misfire={3: 0.05}), make_log(2)
    assert answer(before, after, freeze_frame=(2000.0, 40.0)) == "cleared"
    assert answer(before, after, freeze_frame=(5000.0, 95.0)) == "not_proven"
