"""The weighing of explanations: against textbook values and a general library, and how much hangs on the priors."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from scipy import integrate, stats

from misfire.evidence import Lines
from misfire.evidence.followed import Followed
from misfire.verdict import odds
from misfire.verdict.judge import judge
from misfire.verdict.odds import (
    BACKGROUND,
    FALSE_ALARM,
    ISOLATED,
    LEAST_RATE,
    PRIOR,
    Account,
    beyond,
    faulty,
    isolated,
    normal,
    smeared,
    student,
    weigh,
)
from tests.verdict.test_weak import FOUR, evidence


def test_shares_follow_bayes():
    """Two explanations, one a thousand times likelier by what was seen: posterior odds = prior odds x likelihood ratio."""
    p = weigh([Account("misfire", 0.0), Account("healthy", -np.log(1000.0))])
    assert p["misfire"] / p["healthy"] == pytest.approx(1000 * PRIOR["misfire"] / PRIOR["healthy"])
    assert sum(p.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("score", [-5000.0, 0.0, 5000.0])
def test_shares_stand_any_size_of_likelihood(score: float):
    p = weigh([Account("misfire", score), Account("healthy", score)])
    assert p["misfire"] == pytest.approx(PRIOR["misfire"] / (PRIOR["misfire"] + PRIOR["healthy"]))


def test_an_explanation_without_a_prior_is_refused():
    with pytest.raises(KeyError):
        weigh([Account("gremlins", 0.0)])


@pytest.mark.parametrize(("k", "n"), [(0, 100), (3, 900), (9, 4000), (400, 900)])
def test_isolated_misfires_follow_the_geometric_distribution(k: int, n: int):
    """A Poisson count whose mean is exponential is geometric: scipy's negative binomial with one success."""
    mean = (ISOLATED + FALSE_ALARM) * n + BACKGROUND
    assert isolated(k, n) == pytest.approx(stats.nbinom.logpmf(k, 1, 1 / (1 + mean)), rel=1e-9)


@pytest.mark.parametrize("least", [LEAST_RATE, 0.01])
@pytest.mark.parametrize(("k", "n"), [(0, 300), (0, 40), (1, 300), (4, 900), (8, 4000), (300, 900)])
def test_a_fault_of_unknown_rate_is_the_integral_over_its_rates(k: int, n: int, least: float):
    """Numerical integral of Poisson(k; r n) over the logarithm of the rate r."""

    def density(log_rate: float) -> float:
        return float(stats.poisson.pmf(k, np.exp(log_rate) * n)) / np.log(1 / least)

    peak = float(np.clip(np.log(max(k, 1) / n), np.log(least), 0.0))
    whole, _ = integrate.quad(density, np.log(least), 0.0, points=[peak], limit=200)
    assert np.exp(faulty(k, n, least)) == pytest.approx(whole, rel=1e-6)


def test_densities_are_those_of_a_general_library():
    assert normal(0.3, 0.1, 0.05) == pytest.approx(stats.norm.logpdf(0.3, 0.1, 0.05))
    assert student(0.3, 0.99, 0.1, 9) == pytest.approx(stats.t.logpdf(0.3, 9, 0.99, 0.1))
    grid = np.linspace(-1.0, 2.0, 3001)
    area = np.trapezoid([np.exp(smeared(float(x), 0.1, 0.6, 0.05)) for x in grid], grid)
    assert area == pytest.approx(1.0, abs=1e-6)
    assert beyond(12, 900, 0.01) == pytest.approx(stats.beta.sf(0.01, 12.5, 888.5))


def _judged(misfires: dict[int, int], follow: Followed | None = None):
    ev = evidence(FOUR, {}, "fuel_cut")
    rows = [replace(c, misfires=misfires.get(c.cylinder, 0)) for c in ev.cylinders]
    lines = Lines(followed={3: follow}) if follow is not None else Lines()
    return judge(replace(ev, cylinders=rows, lines=lines))


@pytest.mark.parametrize(
    ("count", "status"), [(0, "clear"), (1, "clear"), (3, "undetermined"), (12, "found"), (880, "found")]
)
def test_few_misfires_are_no_fault_some_are_open_many_are_one(count: int, status: str):
    """Of 900 firings of a cylinder."""
    assert _judged({3: count})["status"] == status


def test_a_handful_beside_many_is_an_echo_first():
    """Beside 400 misfires of a cylinder, five on another are no firm second fault; without it they are one."""
    assert [f["cylinders"] for f in _judged({3: 400, 2: 5})["findings"]] == [[3]]
    assert [f["cylinders"] for f in _judged({2: 5})["findings"]] == [[2]]


@pytest.mark.parametrize("name", sorted(PRIOR))
@pytest.mark.parametrize("factor", [1 / 3, 3.0])
def test_clear_cases_do_not_hang_on_the_priors(name: str, factor: float):
    """Any prior three times larger or smaller: many misfires stay firm, none stays clear, edges alone stay edges alone."""
    alone = Followed(share=0.3, sd=0.05, size_deg=0.2, events=25)
    with mock.patch.object(odds, "PRIOR", {**PRIOR, name: PRIOR[name] * factor}):
        assert [f["cause"] for f in _judged({3: 40})["findings"]] == ["misfire"]
        assert _judged({})["status"] == "clear"
        assert [f["cause"] for f in _judged({3: 40}, alone)["findings"]] == ["sensor_signal"]


@pytest.mark.parametrize(
    ("shared", "coil", "wheel"),
    [
        (0.35, (0.0, 0.15), (0.0, 0.2)),  # little for a dead pair, too little for a monitor to count
        (1.1, (0.2, 0.8), (0.2, 0.8)),  # either
        (6.0, (0.0, 0.5), (0.3, 0.9)),  # more than there is to lose: the wheel, or no scale at all
    ],
)
def test_what_companions_share_stays_open_by_its_size(shared: float, coil: tuple, wheel: tuple):
    ev = replace(evidence(FOUR, {}, "none"), ambiguous=(2, 3), ambiguous_lost=shared, speed_ratio=1.02)
    said = judge(ev)
    assert said["status"] == "undetermined"
    of = {c["cause"]: c["confidence"] for c in said["candidates"]}
    assert coil[0] <= of["misfire"] <= coil[1]
    assert wheel[0] <= of["crank_pattern"] <= wheel[1]
