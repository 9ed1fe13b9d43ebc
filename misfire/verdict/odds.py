"""Explanations of one observation weighed against each other: prior weight times likelihood, normalised (Bayes).

Every question that a log raises has a short list of explanations: misfires counted on a cylinder, work that it lacks in
every firing, a loss that companions share, false counts, faulty edges, counts of the controller. The share of an
explanation among its rivals is the confidence of its finding. Priors are for a cylinder of a car that is looked at for
misfire; they are our choice, no published frequencies of faults were found (`tests/verdict/test_odds.py` holds that firm findings
do not hang on them). Rates are per firing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

FIRM = 0.95  # a finding from here on (contract)
WORTH_SAYING = 0.5  # of misfires: below, the likelier answer is that there is none
UNTHOUGHT = 0.005  # what none of the explanations on the list accounts for

# prior weight of each explanation where it can apply; only ratios within one question matter
PRIOR: Mapping[str, float] = {
    "healthy": 0.9,
    "misfire": 0.1,
    "weak": 0.05,
    "dead": 0.03,
    "in part": 0.4,
    "coil": 0.02,
    "wheel": 0.1,
    "stored": 0.05,
    "echo": 0.05,
    "edges": 0.005,
    "noise": 0.02,
}

ISOLATED = (
    1e-4  # mean rate of single misfires of a healthy cylinder; the rate itself is unknown (exponential)
)
FALSE_ALARM = 2e-5  # rate of healthy firings called misfires, the budget of the decision
BACKGROUND = 0.05  # misfires a log that come in with a start, an edge fault or a bad moment
ECHO = 0.02  # misfires on a neighbour per misfire of the worst cylinder
LEAST_RATE = 1e-3  # least rate of a fault; its logarithm is taken as even up to 1


@dataclass(frozen=True)
class Account:
    """One explanation: its name in `PRIOR`, `log_likelihood` (the logarithm of its likelihood, up to a constant of the
    question) and `factor`, a number by which its prior is multiplied where it applies in part only."""

    name: str
    log_likelihood: float
    factor: float = 1.0


def weigh(accounts: Sequence[Account]) -> dict[str, float]:
    """Share of each explanation among all of the list, 0..1, by name.

    Raises
    ------
    KeyError
        A name without a prior.
    """
    score = np.array([np.log(PRIOR[a.name] * max(a.factor, 1e-12)) + a.log_likelihood for a in accounts])
    share = np.exp(score - score.max())
    share /= share.sum()
    return {a.name: float(p) for a, p in zip(accounts, share, strict=True)}


def said(shares: Mapping[str, float], mine: str, words: Mapping[str, str]) -> str:
    """The rivals of an explanation in words, the likeliest first, from `shares` (0..1) by name; those below one in a million are left out."""
    rest = sorted(((p, k) for k, p in shares.items() if k != mine), reverse=True)
    told = [f"{words[k]} {_share(p)}" for p, k in rest if p >= 1e-6]
    return "weighed against: " + (
        ", ".join(told) if told else "every other explanation below one in a million"
    )


def _share(p: float) -> str:
    return f"{100 * p:.0f} %" if p >= 0.01 else f"1 in {float(f'{1 / p:.1g}'):,.0f}"


def isolated(k: int, n: int) -> float:
    """Log-likelihood (a number) of `k` misfires in `n` firings of a healthy cylinder: Poisson, its mean exponential about ISOLATED n.

    So k follows a geometric distribution (Greenwood and Yule, J. R. Stat. Soc. 83, 1920, memory).
    """
    mean = (ISOLATED + FALSE_ALARM) * n + BACKGROUND
    return float(k * np.log(mean / (1 + mean)) - np.log1p(mean))


def faulty(k: int, n: int, least: float = LEAST_RATE) -> float:
    """Log-likelihood of `k` misfires in `n` firings at a rate whose logarithm is even from `least`, a share of them, to 1 (Poisson)."""
    from scipy.special import exp1, gammainc

    if n == 0:
        return 0.0 if k == 0 else -np.inf
    inside = (
        float(exp1(least * n) - exp1(n)) if k == 0 else float(gammainc(k, n) - gammainc(k, least * n)) / k
    )
    return float(np.log(max(inside, 1e-300)) - np.log(np.log(1 / least)))


def echoed(k: int, most: int) -> float:
    """Log-likelihood of `k` misfires beside a cylinder with `most`, as answers of the crank to those."""
    mean = ECHO * most + BACKGROUND
    return float(k * np.log(mean / (1 + mean)) - np.log1p(mean))


def normal(x: float, mean: float, sd: float) -> float:
    """Log-density at `x` of a normal distribution; `x`, `mean` and `sd` are shares of normal work (dimensionless)."""
    return float(-0.5 * ((x - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))


def student(x: float, mean: float, sd: float, freedom: int) -> float:
    """Log-density at `x` of a value about `mean` whose error `sd` is an estimate with `freedom` degrees of freedom.

    `x`, `mean` and `sd` are shares (dimensionless). Student's t (Biometrika 6, 1908, from memory).
    """
    from scipy.special import gammaln

    n = max(freedom, 1)
    scale = gammaln((n + 1) / 2) - gammaln(n / 2) - 0.5 * np.log(n * np.pi) - np.log(sd)
    return float(scale - (n + 1) / 2 * np.log1p(((x - mean) / sd) ** 2 / n))


def smeared(x: float, low: float, high: float, sd: float) -> float:
    """Log-density at `x` of a value even between `low` and `high`, read with an error of `sd`; all shares of normal work."""
    from scipy.special import ndtr

    inside = float(ndtr((high - x) / sd) - ndtr((low - x) / sd))
    return float(np.log(max(inside, 1e-300) / (high - low)))


def beyond(k: int, n: int, limit: float) -> float:
    """Probability that a rate is above `limit` (a share of 1), after `k` of `n` (Jeffreys' prior, memory)."""
    from scipy.special import betainc

    return float(1 - betainc(k + 0.5, max(n - k, 0) + 0.5, limit))
