"""Clustering, windows over turns, and how much driving proves a repair."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from misfire.counts import (
    WaldPlan,
    bootstrap_rate_pct,
    dispersion,
    needed_firings,
    proves_cleared,
    rate_interval_pct,
    windows,
)

RNG = np.random.default_rng(21)


def test_dispersion_is_the_homogeneity_chi_square() -> None:
    k, n = RNG.binomial(50, 0.1, 40), np.full(40, 50)
    index, p = dispersion(k, n)
    want = stats.chi2_contingency(np.array([k, n - k]), correction=False)
    assert index == pytest.approx(want.statistic / 39, rel=1e-10)
    assert p == pytest.approx(want.pvalue, rel=1e-8)


def test_dispersion_tells_clusters() -> None:
    spread = RNG.binomial(50, 0.1, 60)
    clustered = np.where(RNG.uniform(size=60) < 0.2, RNG.binomial(50, 0.5, 60), 0)
    assert dispersion(spread, np.full(60, 50))[1] > 1e-3
    assert dispersion(clustered, np.full(60, 50))[1] < 1e-6


def test_dispersion_of_nothing() -> None:
    index, p = dispersion([0, 0], [10, 10])
    assert np.isnan(index)
    assert p == 1.0


def test_bootstrap_covers_clustered_rates_where_the_exact_interval_does_not() -> None:
    """Bursts of ten misfires; 200 simulated drives of 200 blocks."""
    held, exact = 0, 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        k = 10 * rng.binomial(1, 0.1, 200)
        n = np.full(200, 50)
        lo, hi = bootstrap_rate_pct(k, n, draws=400, seed=seed)
        held += lo <= 2.0 <= hi
        lo, hi = rate_interval_pct(int(k.sum()), 10000)
        exact += lo <= 2.0 <= hi
    assert held >= 180
    assert exact < 160


def test_windows_conserve_misfires_and_leave_unusable_out() -> None:
    turns = 730
    event = np.arange(turns * 3)
    turn, cyl = event // 3, event % 6
    flags = RNG.uniform(size=event.size) < 0.1
    usable = RNG.uniform(size=event.size) < 0.8
    out = windows(turn, cyl, flags, 200, 6, usable)
    assert [w["first_turn"] for w in out] == [0, 200, 400, 600]
    assert [w["complete"] for w in out] == [True, True, True, False]
    assert sum(w["misfires"] for w in out) == int((flags & usable).sum())
    assert sum(w["judged"] for w in out) == int(usable.sum())
    assert sum(w["turns"] for w in out) == turns
    assert out[1]["cylinder_misfires"] == [
        int((flags & usable & (turn // 200 == 1) & (cyl == c)).sum()) for c in range(6)
    ]


def test_windows_of_an_empty_log() -> None:
    assert windows([], [], [], 200, 4) == []


@pytest.mark.parametrize(("k", "n"), [(100, 100), (50, 1000), (12, 1000)])
def test_needed_firings_keep_their_power(k: int, n: int) -> None:
    """300 seeds: a repaired cylinder (a hundredth of the rate) is proven in 92 % (95 % less 2 s.d.)."""
    need = needed_firings(k, n, alpha=0.0025)
    assert need is not None
    after = RNG.binomial(need, k / n / 100, 300)
    assert np.mean([proves_cleared(k, n, int(a), need, 0.0025) for a in after]) > 0.92
    # and it is not a lavish number: a fifth of it does not do
    short = RNG.binomial(need // 5, k / n / 100, 300)
    assert np.mean([proves_cleared(k, n, int(a), need // 5, 0.0025) for a in short]) < 0.92


def test_unchanged_rate_is_never_called_cleared() -> None:
    after = RNG.binomial(2000, 0.05, 2000)
    assert not any(proves_cleared(100, 2000, int(a), 2000, 0.01) for a in after)


def test_seen_firings_only_add() -> None:
    fresh = needed_firings(50, 1000, alpha=0.01)
    bad = needed_firings(50, 1000, alpha=0.01, seen_misfires=5, seen_firings=100)
    assert fresh is not None
    assert bad is not None
    assert bad > fresh
    assert needed_firings(0, 1000) is None


def test_sequential_errors_hold() -> None:
    """Wald's bounds on 500 simulated drives each: wrong answers near alpha and beta at most."""
    plan = WaldPlan(0.01, 0.10, 0.05, 0.10)
    for rate, wrong, allowed in ((0.01, "bad", 0.05), (0.10, "good", 0.10)):
        ends = []
        for _ in range(500):
            k = np.cumsum(RNG.uniform(size=2000) < rate)
            answers = [plan.decide(int(k[i]), i + 1) for i in range(400)]
            ends.append(next((a for a in answers if a != "go_on"), "go_on"))
        assert np.mean([e == wrong for e in ends]) < allowed + 0.03
