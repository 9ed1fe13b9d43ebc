"""One cylinder's counts before and after: exact test at like speed and load, and what it proves.

`reported_before` and `reported_after` are numbers of misfires, each share 0..1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from misfire.counts import rate_interval_pct, rate_upper_pct, stratified_test

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Answer = Literal["cleared", "improved", "unchanged", "worse", "not_proven"]

# "Cleared" needs the after-rate's upper 95 % bound below this part of the before-rate (the contract's rule).
CLEARED_FRACTION = 0.1
# Part of the before-misfires whose speed and load must have been driven again. Our own choice.
_COVERED = 0.8
# Part of them that is enough to see that the fault is still there. Our own choice.
_PARTLY = 0.5
# 200 turns: with fewer a log without a misfire says nothing.
ENOUGH_FIRINGS = 100
# A rate proven above this is a misfire and not a stray one; common practice, no source.
ISOLATED_PCT = 0.1


@dataclass(frozen=True)
class Change:
    """What one kind of count did in one cylinder; rates are events per judged firing.

    Attributes
    ----------
    before, after : tuple (events, firings)
        Over everything recorded.
    ratio, ratio_ci, p_value
        After-rate / before-rate at like speed and load; central convention, widened for clustering.
    covered : float
        Part of the before-events whose speed and load were driven again (1 without any).
    expected_rate : float
        Rate that the before-log predicts for the speeds and loads of the after-log (0..1).
    upper_pct, lower_pct : float
        One-sided 95 % bounds of the after-rate at like speed and load [%].
    dispersion : float
        Variance over the binomial one, at least 1.
    shared_before, shared_after : tuple (events, firings)
        Over the speeds and loads driven on both sides.
    """

    before: tuple[int, int]
    after: tuple[int, int]
    ratio: float
    ratio_ci: tuple[float, float]
    p_value: float
    covered: float
    expected_rate: float
    upper_pct: float
    lower_pct: float
    dispersion: float
    shared_before: tuple[int, int]
    shared_after: tuple[int, int]

    @property
    def material_before(self) -> bool:
        """More than isolated events before."""
        return not isolated(*self.before)

    @property
    def material_after(self) -> bool:
        """More than isolated events after."""
        return not isolated(*self.after)

    @property
    def like_pct(self) -> tuple[float, float] | None:
        """Rates [%] before and after at the speeds and loads driven on both sides, in the shares driven after.

        None when the sides have no speed and load in common.
        """
        k, n = self.shared_after
        return (100.0 * self.expected_rate, 100.0 * k / n) if n else None

    def answer(self, p_adjusted: float, alpha: float) -> Answer:
        """The answer for this count, with the p-value adjusted for the number of cylinders."""
        firm = p_adjusted <= alpha and not math.isnan(self.ratio)
        if firm and self.ratio > 1.0:
            return "worse"
        if not firm and not self.material_before and not self.material_after:
            # Nothing to clear, nothing come up; that takes a log in which something could have been seen.
            return "unchanged" if min(self.before[1], self.after[1]) >= ENOUGH_FIRINGS else "not_proven"
        bound_pct = 100.0 * CLEARED_FRACTION * self.expected_rate
        # "Not cleared" is itself proven where the after-rate is surely above a tenth of the one before.
        remains = self.lower_pct > bound_pct and self.covered >= _PARTLY
        if remains and not firm:
            came_up = self.material_after and not self.material_before
            return "unchanged" if self.ratio >= 0.5 and not came_up else "not_proven"
        if self.covered < _COVERED:
            return "not_proven"
        if firm and self.upper_pct < bound_pct:
            return "cleared"
        return "improved" if remains else "not_proven"


def isolated(events: int, firings: int) -> bool:
    """True when a rate above 0.1 % is not proven (95 %, two-sided)."""
    return firings == 0 or rate_interval_pct(min(events, firings), firings)[0] <= ISOLATED_PCT


def driven(firings_before: npt.NDArray[Any], firings_after: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Strata that were driven again; shape (strata,)."""
    return np.asarray(firings_after >= np.minimum(30, 0.2 * firings_before))


def change(
    events_before: npt.ArrayLike,
    firings_before: npt.ArrayLike,
    events_after: npt.ArrayLike,
    firings_after: npt.ArrayLike,
    dispersion: float = 1.0,
) -> Change:
    """Compare one cylinder's events; every argument has shape (strata,)."""
    kb, nb, ka, na = (
        np.asarray(v, dtype=np.int64) for v in (events_before, firings_before, events_after, firings_after)
    )
    shared = (nb > 0) & (na > 0)
    test = stratified_test(ka[shared], na[shared], kb[shared], nb[shared])
    covered = float(kb[shared & driven(nb, na)].sum() / kb.sum()) if kb.sum() else 1.0
    n_after = int(na[shared].sum())
    k_after = int(ka[shared].sum())
    expected = float(np.sum(na[shared] * kb[shared] / nb[shared]) / n_after) if n_after else 0.0
    phi = max(1.0, dispersion)
    # Quasi-likelihood: clustered events carry the information of 1/phi as many independent ones.
    upper = rate_upper_pct(k_after / phi, n_after / phi)
    lower = rate_interval_pct(k_after / phi, n_after / phi, 0.90)[0]
    return Change(
        (int(kb.sum()), int(nb.sum())),
        (int(ka.sum()), int(na.sum())),
        test.ratio,
        _widen(test.ratio, test.ratio_ci, phi),
        _scaled_p(test.p_value, phi),
        covered,
        expected,
        upper,
        lower,
        phi,
        (int(kb[shared].sum()), int(nb[shared].sum())),
        (k_after, n_after),
    )


def standardised(
    reported_before: float,
    reported_after: float,
    firings_before: IntArray,
    firings_after: IntArray,
    flagged_before: IntArray,
    dispersion: float = 1.0,
) -> Change:
    """Compare totals without times, as a controller reports them; firings and flagged have shape (strata,).

    Indirect standardisation: the after-firings are weighted with the before-rates of the events that the
    log itself shows as countable; with few of those, only strata driven on both sides are counted.
    """
    n_before = int(firings_before.sum())
    part = 1.0
    if flagged_before.sum() >= 10:
        rate = flagged_before / np.maximum(firings_before, 1)
        expected = float(np.sum(firings_after * rate))
        n_after = round(expected * n_before / float(flagged_before.sum()))
        # Few events in the strata that weigh most make that expectation less sure than the total suggests.
        spread = float(np.sum(firings_after**2 * rate / np.maximum(firings_before, 1)))
        part = min(1.0, expected**2 / spread / float(flagged_before.sum())) if spread > 0 else 1.0
    else:
        n_after = int(firings_after[firings_before > 0].sum())
    n_after = min(n_after, int(firings_after.sum()))
    kb, ka = int(min(reported_before, n_before)), int(reported_after)
    if n_after == 0 or n_before == 0:
        seen = (int(min(ka, firings_after.sum())), int(firings_after.sum()))
        nothing = (0, 0)
        return Change(
            (kb, n_before), seen, math.nan, (0.0, math.inf), 1.0, 0.0, 0.0, 100.0, 0.0, 1.0, nothing, nothing
        )
    ka = min(ka, n_after)
    got = change([round(kb * part)], [round(n_before * part)], [ka], [n_after], dispersion)
    weight_of = flagged_before if flagged_before.sum() >= 10 else firings_before
    covered = float(weight_of[driven(firings_before, firings_after)].sum() / weight_of.sum())
    everything = (int(min(reported_after, firings_after.sum())), int(firings_after.sum()))
    return Change(**{**got.__dict__, "covered": covered, "before": (kb, n_before), "after": everything})


def clustering(blocks: FloatArray) -> float:
    """Dispersion from blocks of shape (4, blocks): events, expected, variance, firings; 1 when not firm.

    Pearson's chi-square of the block counts around what their strata predict, over its degrees of freedom.
    """
    from scipy.special import chdtrc

    seen, expected, variance = blocks[0], blocks[1], blocks[2]
    use = variance > 1e-9
    if use.sum() < 5:
        return 1.0
    # Blocks that hardly expect an event make the chi-square lumpy: join neighbours until each expects one.
    group = np.floor(np.cumsum(expected[use])).astype(np.int64)
    k, e, v = (np.bincount(group, weights=x[use]) for x in (seen, expected, variance))
    good = v > 0
    free = int(good.sum()) - 1
    if free < 4:
        return 1.0
    chi2 = float(np.sum((k[good] - e[good]) ** 2 / v[good]))
    return max(1.0, chi2 / free) if chdtrc(free, chi2) < 1e-3 else 1.0


def _scaled_p(p: float, phi: float) -> float:
    from scipy.special import ndtr, ndtri

    if phi <= 1.0 or p >= 1.0:
        return p
    z = -ndtri(max(p, 1e-300) / 2.0)
    return float(2.0 * ndtr(-z / math.sqrt(phi)))


def _widen(ratio: float, ci: tuple[float, float], phi: float) -> tuple[float, float]:
    if phi <= 1.0 or math.isnan(ratio):
        return ci
    if ratio == 0.0:
        return 0.0, ci[1] * phi
    if math.isinf(ratio):
        return ci[0] / phi, math.inf
    f = math.sqrt(phi)
    return ratio * (ci[0] / ratio) ** f, ratio * (ci[1] / ratio) ** f
