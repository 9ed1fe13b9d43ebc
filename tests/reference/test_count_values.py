"""Published values of count statistics; the source stands beside each. Digits as printed there."""

from __future__ import annotations

import pytest

from misfire.counts import (
    WaldPlan,
    binomial_test,
    firings_to_exclude,
    fisher_exact,
    poisson_interval,
    rate_ratio_interval,
    rate_upper_pct,
    stratified_test,
    two_rates_test,
)


def test_fay_rateratio_vignette() -> None:
    """(2, 9) events in (17877, 16660): Fay, vignette of the R package rateratio.test."""
    lo, hi = rate_ratio_interval(2, 17877, 9, 16660)
    assert two_rates_test(2, 17877, 9, 16660, convention="central") == pytest.approx(0.05011, abs=5e-6)
    assert lo == pytest.approx(0.02177406, abs=5e-9)
    assert hi == pytest.approx(1.00054910, abs=5e-9)
    assert stratified_test([2], [17877], [9], [16660]).ratio == pytest.approx(0.2070942, abs=5e-8)
    # the same table by the other convention (R's poisson.test form)
    assert two_rates_test(2, 17877, 9, 16660, convention="minlike") == pytest.approx(0.0330942, abs=5e-8)


def test_r_poisson_test_example() -> None:
    """(11, 21) in (800, 3011): example of R's poisson.test (stats package, help page)."""
    assert two_rates_test(11, 800, 21, 3011, convention="minlike") == pytest.approx(0.07967, abs=5e-6)
    assert two_rates_test(11, 800, 21, 3011, convention="central") == pytest.approx(0.11202, abs=5e-6)
    lo, hi = rate_ratio_interval(11, 800, 21, 3011)
    assert lo == pytest.approx(0.8584264, abs=5e-8)
    assert hi == pytest.approx(4.277266, abs=5e-7)
    assert stratified_test([11], [800], [21], [3011]).ratio == pytest.approx(1.971488, abs=5e-7)


def test_gu_2008_example() -> None:
    """(60, 30) in (51477.5, 54308.7): example of Gu et al. 2008, as in the tests of statsmodels."""
    p = two_rates_test(60, 51477.5, 30, 54308.7, alternative="greater")
    lo, hi = rate_ratio_interval(60, 51477.5, 30, 54308.7)
    assert p == pytest.approx(0.000428, abs=5e-7)
    assert (lo, hi) == (pytest.approx(1.339736, abs=5e-7), pytest.approx(3.388366, abs=5e-7))


def test_ratio_other_than_one() -> None:
    """(6, 1) in (51, 54) against ratio 1.2: exact conditional, tests of statsmodels."""
    p = two_rates_test(6, 51, 1, 54, ratio=1.2, convention="minlike")
    assert p == pytest.approx(0.1301269270, abs=5e-11)


def test_exact_interval_of_15_in_400() -> None:
    """15 in 400: exact interval of the Poisson rate, tests of statsmodels."""
    lo, hi = poisson_interval(15, 400)
    assert lo == pytest.approx(0.0209884653, abs=5e-11)
    assert hi == pytest.approx(0.0618505471, abs=1e-10)


def test_scipy_documentation_examples() -> None:
    """fisher_exact([[8, 2], [1, 5]]) and binomtest(3, 15, 0.1, 'greater'): documentation of scipy."""
    odds, p = fisher_exact([[8, 2], [1, 5]])
    assert odds == 20.0
    assert p == pytest.approx(0.034965, abs=5e-7)
    assert binomial_test(3, 15, 0.1, "greater") == pytest.approx(0.184061, abs=5e-7)


@pytest.mark.parametrize(("firings", "bound"), [(1500, 0.00199516), (300, 0.00993608), (3000, 0.000998079)])
def test_zero_count_upper_bound(firings: int, bound: float) -> None:
    """1 - 0.05^(1/n), arithmetic; just below 3/n (Eypasch et al., BMJ 311:619, 1995)."""
    upper = rate_upper_pct(0, firings) / 100.0
    assert upper == pytest.approx(bound, rel=3e-6)
    assert 0.99 * 3 / firings < upper < 3 / firings


@pytest.mark.parametrize("before", [1, 4, 5, 8])
def test_none_after_at_equal_exposure(before: int) -> None:
    """k before, 0 after, equal exposure: p = 0.5^k one-sided; fewer than 5 never prove it (arithmetic)."""
    p = two_rates_test(0, 1000, before, 1000, alternative="less")
    assert p == pytest.approx(0.5**before, rel=1e-12)
    assert (p < 0.05) == (before >= 5)


def test_none_after_at_four_times_the_exposure() -> None:
    """Two before suffice at four times the exposure: p = 0.2^2 = 0.04 (arithmetic)."""
    assert two_rates_test(0, 4000, 2, 1000, alternative="less") == pytest.approx(0.04, rel=1e-12)


@pytest.mark.parametrize(("rate", "firings"), [(0.05, 59), (0.01, 299), (0.005, 598), (0.001, 2995)])
def test_firings_to_exclude_a_rate(rate: float, firings: int) -> None:
    """Smallest n with (1 - rate)^n <= 5 % (arithmetic)."""
    assert firings_to_exclude(rate) == firings


def test_sequential_plan() -> None:
    """p1 .01, p2 .10, alpha .05, beta .10: constants of the NIST/SEMATECH handbook (from memory)."""
    plan = WaldPlan(0.01, 0.10, 0.05, 0.10)
    assert plan.h1 == pytest.approx(0.938862, abs=5e-7)
    assert plan.h2 == pytest.approx(1.205379, abs=5e-7)
    assert plan.s == pytest.approx(0.0397474, abs=5e-8)
    assert plan.firings_without_misfire == 24
    assert plan.decide(0, 23) == "go_on"
    assert plan.decide(0, 24) == "good"
    assert plan.decide(3, 24) == "bad"
