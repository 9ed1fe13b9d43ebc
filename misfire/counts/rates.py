"""Exact intervals and tests of one rate, two rates, and two rates over strata.

`level` is the confidence, 0..1; `exposure`, `exposure1`, `exposure2` [any unit] that both sides share, above 0. Arrays of counts have any
shape, the same for all or one that broadcasts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Convention = Literal["minlike", "central"]
Alternative = Literal["two-sided", "less", "greater"]

# Outcomes whose probability equals the observed one but for rounding count as equal (R uses the same).
_TIE = 1.0 + 1e-7


def check_counts(misfires: npt.ArrayLike, firings: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Both as floats. Raises ValueError for misfires above firings, negative or missing counts."""
    k = np.asarray(misfires, dtype=float)
    n = np.asarray(firings, dtype=float)
    if not (np.all(np.isfinite(k)) and np.all(np.isfinite(n))) or np.any(k < 0) or np.any(k > n):
        raise ValueError("counts: need 0 <= misfires <= firings, all finite")
    return k, n


def rate_interval_pct(
    misfires: npt.ArrayLike, firings: npt.ArrayLike, level: float = 0.95
) -> tuple[Any, Any]:
    """Exact (Clopper-Pearson) two-sided interval [%] of a misfire rate.

    Arrays broadcast; scalars give floats. No firing at all gives (0, 100): nothing is known.
    Raises ValueError for misfires above firings or negative counts.

    >>> low, high = rate_interval_pct(0, 299)
    >>> f"{low:.2f} to {high:.2f} %"
    '0.00 to 1.23 %'
    """
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(*check_counts(misfires, firings))
    tail = (1.0 - level) / 2.0
    # betaincinv does not accept a zero shape parameter: those ends are 0 and 1 by definition.
    lo = np.where(k > 0, betaincinv(np.where(k > 0, k, 1.0), n - k + 1.0, tail), 0.0)
    hi = np.where(k < n, betaincinv(k + 1.0, np.where(k < n, n - k, 1.0), 1.0 - tail), 1.0)
    if lo.ndim == 0:
        return float(lo) * 100.0, float(hi) * 100.0
    return lo * 100.0, hi * 100.0


def rate_upper_pct(misfires: npt.ArrayLike, firings: npt.ArrayLike, level: float = 0.95) -> Any:
    """Exact one-sided upper bound [%] of a misfire rate; with no misfire it is 100 (1 - (1-level)^(1/n))."""
    from scipy.special import betaincinv

    k, n = np.broadcast_arrays(*check_counts(misfires, firings))
    hi = np.where(k < n, betaincinv(k + 1.0, np.where(k < n, n - k, 1.0), level), 1.0)
    return float(hi) * 100.0 if hi.ndim == 0 else hi * 100.0


def poisson_interval(events: int, exposure: float, level: float = 0.95) -> tuple[float, float]:
    """Exact central interval of a Poisson rate, events per unit of exposure (Garwood, Biometrika 1936)."""
    from scipy.special import gammaincinv

    tail = (1.0 - level) / 2.0
    lo = float(gammaincinv(events, tail)) if events > 0 else 0.0
    return lo / exposure, float(gammaincinv(events + 1, 1.0 - tail)) / exposure


def firings_to_exclude(rate: float, level: float = 0.95) -> int:
    """Firings without any misfire after which a misfire rate of `rate` (0..1) is excluded at `level`."""
    if not 0.0 < rate < 1.0:
        raise ValueError("rate must lie between 0 and 1")
    return math.ceil(math.log1p(-level) / math.log1p(-rate) - 1e-9)


def binomial_pmf(k: npt.ArrayLike, n: float, p: float) -> FloatArray:
    """Probability of k events in n trials of probability p; shape of k."""
    return np.asarray(np.exp(_log_binomial(np.asarray(k, dtype=float), n, p)))


def _log_binomial(k: FloatArray, n: float, p: float) -> FloatArray:
    from scipy.special import gammaln, xlog1py, xlogy

    comb = gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)
    return np.asarray(comb + xlogy(k, p) + xlog1py(n - k, -p))


def binomial_test(
    k: int, n: int, p: float, alternative: Alternative = "two-sided", convention: Convention = "minlike"
) -> float:
    """Exact p-value of k events in n trials against probability p."""
    if n <= 0:
        return 1.0
    return _p_from(binomial_pmf(np.arange(n + 1), n, p), k, alternative, convention)


def _p_from(pmf: FloatArray, k: int, alternative: Alternative, convention: Convention) -> float:
    """p-value of outcome index k under the probabilities `pmf` of outcomes 0..len-1."""
    less, greater = float(pmf[: k + 1].sum()), float(pmf[k:].sum())
    if alternative == "less":
        return min(1.0, less)
    if alternative == "greater":
        return min(1.0, greater)
    if convention == "central":
        return min(1.0, 2.0 * min(less, greater))
    return min(1.0, float(pmf[pmf <= pmf[k] * _TIE].sum()))


def two_rates_test(
    events1: int,
    exposure1: float,
    events2: int,
    exposure2: float,
    *,
    ratio: float = 1.0,
    convention: Convention = "central",
    alternative: Alternative = "two-sided",
) -> float:
    """Exact conditional p-value of rate1 / rate2 == `ratio` for two Poisson counts.

    Given their sum N, events1 is binomial with p = ratio * exposure1 / (ratio * exposure1 + exposure2).
    `alternative` "less" means rate1 below ratio * rate2. Nothing counted on both sides gives 1.
    """
    if exposure1 <= 0 or exposure2 <= 0:
        raise ValueError("both exposures must be above 0")
    p = ratio * exposure1 / (ratio * exposure1 + exposure2)
    return binomial_test(events1, events1 + events2, p, alternative, convention)


def rate_ratio_interval(
    events1: int, exposure1: float, events2: int, exposure2: float, level: float = 0.95
) -> tuple[float, float]:
    """Exact central interval of rate1 / rate2; upper end infinite when events2 is 0."""
    n = events1 + events2
    if n == 0:
        return 0.0, math.inf
    lo, hi = (x / 100.0 for x in rate_interval_pct(events1, n, level))
    scale = exposure2 / exposure1
    return lo / (1.0 - lo) * scale, math.inf if hi >= 1.0 else hi / (1.0 - hi) * scale


def fisher_exact(
    table: Sequence[Sequence[int]], alternative: Alternative = "two-sided"
) -> tuple[float, float]:
    """Odds ratio and exact p-value of a 2x2 table [[a, b], [c, d]]; two-sided is "minlike"."""
    from scipy.special import gammaln

    (a, b), (c, d) = table
    row, col, total = a + b, a + c, a + b + c + d
    low, high = max(0, col - (c + d)), min(row, col)
    x = np.arange(low, high + 1, dtype=float)

    def comb(m: float, j: FloatArray) -> FloatArray:
        return np.asarray(gammaln(m + 1.0) - gammaln(j + 1.0) - gammaln(m - j + 1.0))

    pmf = np.exp(comb(row, x) + comb(total - row, col - x) - comb(total, np.array(float(col))))
    odds = math.nan if a * d == 0 and b * c == 0 else (math.inf if b * c == 0 else a * d / (b * c))
    return odds, _p_from(pmf, a - low, alternative, "minlike")


@dataclass(frozen=True)
class StratifiedTest:
    """Result of `stratified_test`: rate1 / rate2, common to all strata.

    `ratio` is the conditional maximum-likelihood estimate (0 or inf at the ends, NaN for no events).
    """

    ratio: float
    ratio_ci: tuple[float, float]
    p_value: float
    convention: Convention
    strata_used: int
    events1: int
    events2: int


def stratified_test(
    events1: npt.ArrayLike,
    exposure1: npt.ArrayLike,
    events2: npt.ArrayLike,
    exposure2: npt.ArrayLike,
    *,
    level: float = 0.95,
    convention: Convention = "central",
    alternative: Alternative = "two-sided",
) -> StratifiedTest:
    """Exact conditional test of one rate ratio over strata; every argument has shape (strata,).

    Given the sum N_s of each stratum, the events of side 1 are binomial (N_s, r e1/(r e1 + e2)); their sum is
    the convolution over the strata, and for another r it is tilted by r^t, so one convolution serves both
    the test and the interval. Strata without exposure on one side say nothing and are left out.
    """
    k1, k2 = (np.asarray(v, dtype=np.int64).ravel() for v in (events1, events2))
    e1, e2 = (np.asarray(v, dtype=float).ravel() for v in (exposure1, exposure2))
    use = (e1 > 0) & (e2 > 0)
    k1, k2, e1, e2 = k1[use], k2[use], e1[use], e2[use]
    t, total = int(k1.sum()), int(k1.sum() + k2.sum())
    strata = int(use.sum())
    if total == 0:
        return StratifiedTest(math.nan, (0.0, math.inf), 1.0, convention, strata, 0, 0)
    n, share = k1 + k2, e1 / e2

    def expected(r: float) -> float:
        return float(np.sum(n * (r * share) / (1.0 + r * share)))

    ratio = 0.0 if t == 0 else math.inf if t == total else _log_bisect(lambda r: expected(r) - t)
    # Centre the convolution at the data: far in a tail the probabilities would underflow.
    centre = _log_bisect(lambda r: expected(r) - min(max(t, 0.5), total - 0.5))
    pmf = _total_pmf(n, centre * share / (1.0 + centre * share))
    steps = np.flatnonzero(pmf)
    log_pmf = np.log(pmf[steps])
    at = int(np.searchsorted(steps, t))

    def tilted(r: float) -> FloatArray:
        z = log_pmf + steps * math.log(r / centre)
        w = np.exp(z - z.max())
        return np.asarray(w / w.sum())

    p_value = _p_from(_total_pmf(n, share / (1.0 + share)), t, alternative, convention)
    tail = (1.0 - level) / 2.0
    lo = 0.0 if t == 0 else _log_bisect(lambda r: float(tilted(r)[at:].sum()) - tail)
    hi = math.inf if t == total else _log_bisect(lambda r: tail - float(tilted(r)[: at + 1].sum()))
    return StratifiedTest(ratio, (lo, hi), p_value, convention, strata, t, total - t)


def _total_pmf(n: npt.NDArray[np.int64], p: FloatArray) -> FloatArray:
    """Probabilities of the sum of independent binomials (n_s, p_s); shape (sum n + 1,)."""
    out, offset = np.ones(1), 0
    for size, chance in zip(n, p, strict=True):
        pmf = binomial_pmf(np.arange(size + 1), float(size), float(chance))
        # Outcomes below 1e-80 change no answer, and without them large counts convolve fast.
        seen = np.flatnonzero(pmf > 1e-80)
        out = np.convolve(out, pmf[seen[0] : seen[-1] + 1])
        offset += int(seen[0])
    full = np.zeros(int(n.sum()) + 1)
    full[offset : offset + out.size] = out
    return full


def _log_bisect(rising: Any, low: float = 1e-12, high: float = 1e12) -> float:
    """Zero of a growing function of a positive argument, to 12 digits."""
    a, b = math.log(low), math.log(high)
    for _ in range(64):
        mid = 0.5 * (a + b)
        if rising(math.exp(mid)) < 0.0:
            a = mid
        else:
            b = mid
        if b - a < 1e-13 * max(1.0, abs(a)):
            break
    return math.exp(0.5 * (a + b))


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's adjusted p-values, in the order given: below alpha they hold with overall error alpha."""
    p = np.asarray(p_values, dtype=float)
    m = p.size
    order = np.argsort(p, kind="stable")
    stepped = np.minimum(1.0, np.maximum.accumulate(p[order] * (m - np.arange(m))))
    out = np.empty(m)
    out[order] = stepped
    return [float(v) for v in out]
