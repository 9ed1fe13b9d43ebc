"""Exact intervals and tests against statsmodels and scipy on random tables, and against slow twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import test_poisson_2indep as reference_two_rates

from misfire.counts import (
    binomial_test,
    fisher_exact,
    holm,
    poisson_interval,
    rate_interval_pct,
    rate_ratio_interval,
    rate_upper_pct,
    stratified_test,
    two_rates_test,
)

RNG = np.random.default_rng(20)
# 240 drawn, so that 200 of them hold an event
TABLES = [
    (int(RNG.poisson(a)), int(RNG.integers(200, 9000)), int(RNG.poisson(b)), int(RNG.integers(200, 9000)))
    for a, b in RNG.choice([0.3, 2.0, 9.0, 60.0, 150.0], size=(240, 2))
]
WITH_EVENTS = [t for t in TABLES if t[0] + t[2] > 0][:200]


def test_there_are_200_tables() -> None:
    assert len(WITH_EVENTS) == 200


# statsmodels divides by a zero rate for its own ratio
@pytest.mark.filterwarnings("ignore:divide by zero:RuntimeWarning")
def test_two_rates_on_200_tables() -> None:
    for x1, n1, x2, n2 in WITH_EVENTS:
        want = reference_two_rates(x1, n1, x2, n2, method="exact-cond").pvalue
        assert two_rates_test(x1, n1, x2, n2, convention="minlike") == pytest.approx(want, rel=1e-8)
        both = [
            reference_two_rates(x1, n1, x2, n2, method="exact-cond", alternative=side).pvalue
            for side in ("smaller", "larger")
        ]
        assert two_rates_test(x1, n1, x2, n2) == pytest.approx(min(1.0, 2 * min(both)), rel=1e-8)


def test_rate_interval_on_200_tables() -> None:
    k = np.array([t[0] for t in TABLES])
    n = np.array([t[1] for t in TABLES])
    lo, hi = rate_interval_pct(k, n)
    for i in range(k.size):
        want = proportion_confint(k[i], n[i], method="beta")
        assert (lo[i] / 100, hi[i] / 100) == pytest.approx(want, rel=1e-9)


def test_ratio_interval_on_200_tables() -> None:
    """The ends are where scipy's one-sided binomial test reaches 2.5 %."""
    for x1, n1, x2, n2 in TABLES:
        lo, hi = rate_ratio_interval(x1, n1, x2, n2)
        for end, side in ((lo, "greater"), (hi, "less")):
            if 0 < end < math.inf:
                p = end * n1 / (end * n1 + n2)
                assert stats.binomtest(x1, x1 + x2, p, side).pvalue == pytest.approx(0.025, rel=1e-6)


def test_binomial_and_fisher_on_200_tables() -> None:
    for x1, n1, x2, n2 in TABLES:
        p = n1 / (n1 + n2)
        if x1 + x2 > 0:
            want = stats.binomtest(x1, x1 + x2, p).pvalue
            assert binomial_test(x1, x1 + x2, p) == pytest.approx(want, rel=1e-8)
        table = [[x1, n1 - x1], [x2, n2 - x2]]
        assert fisher_exact(table)[1] == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-6)


def test_poisson_interval_against_the_chi_square_form() -> None:
    for x1, n1, _, _ in TABLES[:50]:
        lo, hi = poisson_interval(x1, n1)
        assert lo == pytest.approx(stats.chi2.ppf(0.025, 2 * x1) / 2 / n1 if x1 else 0.0, rel=1e-9)
        assert hi == pytest.approx(stats.chi2.ppf(0.975, 2 * x1 + 2) / 2 / n1, rel=1e-9)


def _slow_stratified_tails(x: list[int], total: list[int], p: list[float]) -> tuple[float, float]:
    """P(sum <= seen), P(sum >= seen) by going through every outcome, as the definition reads."""
    less = greater = 0.0
    seen = sum(x)
    for outcome in np.ndindex(*[n + 1 for n in total]):
        chance = math.prod(
            math.comb(n, k) * q**k * (1 - q) ** (n - k) for n, k, q in zip(total, outcome, p, strict=True)
        )
        less += chance * (sum(outcome) <= seen)
        greater += chance * (sum(outcome) >= seen)
    return less, greater


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5), st.integers(10, 500), st.integers(0, 5), st.integers(10, 500)),
        min_size=1,
        max_size=3,
    )
)
def test_stratified_equals_its_slow_twin(strata: list[tuple[int, int, int, int]]) -> None:
    x1, n1, x2, n2 = ([s[i] for s in strata] for i in range(4))
    got = stratified_test(x1, n1, x2, n2)
    total = [a + b for a, b in zip(x1, x2, strict=True)]
    if sum(total) == 0:
        assert got.p_value == 1.0
        return
    less, greater = _slow_stratified_tails(x1, total, [a / (a + b) for a, b in zip(n1, n2, strict=True)])
    assert got.p_value == pytest.approx(min(1.0, 2 * min(less, greater)), rel=1e-9)
    lo, hi = got.ratio_ci
    for end, which in ((lo, 1), (hi, 0)):
        if 0 < end < math.inf:
            p = [end * a / (end * a + b) for a, b in zip(n1, n2, strict=True)]
            assert _slow_stratified_tails(x1, total, p)[which] == pytest.approx(0.025, rel=1e-6)


def test_one_stratum_is_the_plain_test() -> None:
    for x1, n1, x2, n2 in TABLES:
        got = stratified_test([x1], [n1], [x2], [n2])
        if x1 + x2:
            assert got.p_value == pytest.approx(two_rates_test(x1, n1, x2, n2), rel=1e-9)
            assert got.ratio_ci == pytest.approx(rate_ratio_interval(x1, n1, x2, n2), rel=1e-8)


def test_strata_prevent_a_false_difference() -> None:
    """The rate depends on the load only, the driving differs: pooled it falls, like for like not."""
    x1, n1, x2, n2 = [90, 10], [900, 1000], [10, 90], [100, 9000]
    assert two_rates_test(sum(x1), sum(n1), sum(x2), sum(n2)) < 1e-6
    assert stratified_test(x1, n1, x2, n2).p_value > 0.5


def test_strata_of_one_side_only_say_nothing() -> None:
    got = stratified_test([5, 0], [100, 0], [0, 50], [0, 100])
    assert (got.p_value, got.strata_used) == (1.0, 0)


def test_large_counts_do_not_underflow() -> None:
    got = stratified_test([4000, 500], [4000, 4000], [3, 0], [5000, 4000])
    assert got.p_value == 0.0
    lo, hi = got.ratio_ci
    assert 0 < lo < got.ratio < hi < math.inf


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 400), st.integers(1, 400))
def test_interval_holds_the_rate(k: int, n: int) -> None:
    k = min(k, n)
    lo, hi = rate_interval_pct(k, n)
    assert 0 <= lo <= 100 * k / n <= hi <= 100
    assert rate_upper_pct(k, n) <= hi


def test_no_firings_say_nothing() -> None:
    assert rate_interval_pct(0, 0) == (0.0, 100.0)
    assert rate_upper_pct(0, 0) == 100.0


def test_more_misfires_than_firings_is_refused() -> None:
    with pytest.raises(ValueError, match="misfires <= firings"):
        rate_interval_pct(3, 2)


def test_holm_against_a_reference() -> None:
    from statsmodels.stats.multitest import multipletests

    for _ in range(30):
        p = RNG.uniform(size=int(RNG.integers(1, 9))) ** 3
        np.testing.assert_allclose(holm(list(p)), multipletests(p, method="holm")[1], rtol=1e-12)


def test_interval_covers_at_its_level() -> None:
    """Exact interval: at least 95 % of 4,000 simulated counts hold the true rate."""
    k = RNG.binomial(700, 0.013, 4000)
    lo, hi = rate_interval_pct(k, np.full(4000, 700))
    assert np.mean((lo <= 1.3) & (hi >= 1.3)) > 0.94


def test_very_large_counts_stay_fast_and_right() -> None:
    """200,000 counts over three strata; the normal form of the interval is good to a per cent there."""
    k1, k2 = np.array([40_000, 30_000, 20_000]), np.array([50_000, 36_000, 24_000])
    n = np.array([400_000, 300_000, 200_000])
    got = stratified_test(k1, n, k2, n)
    log_ratio, sd = math.log(got.ratio), math.sqrt(1 / k1.sum() + 1 / k2.sum())
    assert got.ratio == pytest.approx(90 / 110, rel=1e-3)
    assert math.log(got.ratio_ci[0]) == pytest.approx(log_ratio - 1.96 * sd, rel=0.01)
    assert math.log(got.ratio_ci[1]) == pytest.approx(log_ratio + 1.96 * sd, rel=0.01)
