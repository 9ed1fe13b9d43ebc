"""Firings of two kinds on one cylinder, whatever the scale of the work: bare numbers, and a log whose wheel hides the scale."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from misfire.decide import FIRING
from misfire.evidence import Kinds, two_kinds
from misfire.verdict.judge import judge
from tests.verdict.test_weak import FOUR, evidence


def said(lost: np.ndarray) -> Kinds:
    n = lost.size
    log = SimpleNamespace(
        decision=SimpleNamespace(state=np.full(n, FIRING), lost_work=lost),
        events=SimpleNamespace(place=np.zeros(n, dtype=int)),
        label=np.full(n, 1),
    )
    return two_kinds([log], 1)


@pytest.mark.parametrize("scale", [0.02, 0.1, 1.0])
def test_a_second_kind_is_seen_at_any_scale(scale: float):
    rng = np.random.default_rng(1)
    x = rng.normal(0.0, 0.1 * scale, 900)
    x[:60] += scale
    found = said(x)
    assert found.number == 60
    assert found.depth == pytest.approx(scale, rel=0.1)


@pytest.mark.parametrize(
    "x",
    [
        np.random.default_rng(2).normal(0.0, 0.02, 900),
        np.random.default_rng(3).standard_t(3, 900) * 0.02,  # heavy tails: single ones far off, at any depth
        np.abs(np.random.default_rng(4).exponential(0.05, 900)),  # skewed
        np.concatenate(
            [np.random.default_rng(5).normal(0, 0.02, 860), np.linspace(0.06, 0.6, 40)]
        ),  # anything between
        np.concatenate(
            [np.random.default_rng(6).normal(0, 0.02, 860), np.linspace(0.4, 1.4, 40)]
        ),  # deep, not alike
        np.concatenate([np.zeros(880), np.full(4, 1.0)]),  # too few
    ],
    ids=["normal", "heavy tails", "skewed", "any depth", "not alike", "four"],
)
def test_one_kind_is_one_kind(x: np.ndarray):
    assert said(x) == Kinds()


@pytest.mark.parametrize(("pattern_from", "status"), [("none", "undetermined"), ("fuel_cut", "clear")])
def test_shallow_firings_of_a_second_kind_leave_a_log_open_where_the_wheel_is_not_known(
    pattern_from: str, status: str
):
    ev = evidence(FOUR, {}, pattern_from)
    rows = [replace(c, kinds=Kinds(165, 900, 0.11)) if c.cylinder == 1 else c for c in ev.cylinders]
    assert judge(ev)["status"] == "clear"
    verdict = judge(replace(ev, cylinders=rows))
    assert verdict["status"] == status
    if status == "undetermined":
        assert [c["cylinders"] for c in verdict["candidates"]] == [[1]]
        assert any("coast-down" in m for m in verdict["missing"])
