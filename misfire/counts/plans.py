"""How much driving proves a repair: power of the exact test, and the sequential plan."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from misfire.counts.rates import rate_upper_pct


@dataclass(frozen=True)
class WaldPlan:
    """Sequential test of a misfire rate: `good_rate` against `bad_rate` (0..1).

    Accept (rate is good) when misfires <= -h1 + s n, reject when misfires >= h2 + s n
    (form and constants of the NIST/SEMATECH handbook, from memory).
    """

    good_rate: float
    bad_rate: float
    alpha: float = 0.05
    beta: float = 0.10

    def __post_init__(self) -> None:
        if not 0.0 < self.good_rate < self.bad_rate < 1.0:
            raise ValueError("need 0 < good_rate < bad_rate < 1")

    @property
    def _k(self) -> float:
        p1, p2 = self.good_rate, self.bad_rate
        return math.log(p2 * (1 - p1) / (p1 * (1 - p2)))

    @property
    def h1(self) -> float:
        """Distance of the accepting line below s n [misfires]."""
        return math.log((1 - self.alpha) / self.beta) / self._k

    @property
    def h2(self) -> float:
        """Distance of the rejecting line above s n [misfires]."""
        return math.log((1 - self.beta) / self.alpha) / self._k

    @property
    def s(self) -> float:
        """Slope of both lines [misfires per firing]."""
        return math.log((1 - self.good_rate) / (1 - self.bad_rate)) / self._k

    @property
    def firings_without_misfire(self) -> int:
        """Firings after which a drive without any misfire is accepted."""
        return math.ceil(self.h1 / self.s - 1e-9)

    def decide(self, misfires: int, firings: int) -> Literal["good", "bad", "go_on"]:
        """Where the drive stands after `firings` firings."""
        if misfires <= self.s * firings - self.h1:
            return "good"
        return "bad" if misfires >= self.s * firings + self.h2 else "go_on"


def proves_cleared(
    before_misfires: int,
    before_firings: int,
    after_misfires: int,
    after_firings: int,
    alpha: float,
    fraction: float = 0.1,
) -> bool:
    """Whether unstratified counts prove a rate gone.

    Central exact p-value at most alpha with a fallen rate, and the one-sided upper 95 % bound of the
    after-rate below `fraction` of the before-rate.
    """
    if before_misfires == 0 or after_firings == 0 or before_firings == 0:
        return False
    before = before_misfires / before_firings
    if rate_upper_pct(after_misfires, after_firings) >= 100.0 * fraction * before:
        return False
    from scipy.special import bdtr

    share = after_firings / (before_firings + after_firings)
    return bool(2.0 * bdtr(after_misfires, before_misfires + after_misfires, share) <= alpha)


def needed_firings(
    before_misfires: int,
    before_firings: int,
    *,
    after_rate: float | None = None,
    alpha: float = 0.01,
    power: float = 0.95,
    fraction: float = 0.1,
    seen_misfires: int = 0,
    seen_firings: int = 0,
    at_most: int = 50_000_000,
) -> int | None:
    """Further firings of the cylinder after which a repair is proven with probability `power`.

    A repaired cylinder is taken to misfire at `after_rate` (0..1; default: a hundredth of the rate before).
    `seen_*` is what the after-drive already holds. The answer also holds for a fresh drive of that length.
    None when no drive up to `at_most` firings would do, or nothing was counted before.
    """
    from scipy.special import bdtr

    if before_misfires == 0 or before_firings == 0:
        return None
    rate = before_misfires / before_firings / 100.0 if after_rate is None else after_rate

    def chance(n: int, k0: int, n0: int) -> float:
        low, high = -1, n + 1  # the largest number of further misfires that still proves it, by halving
        while high - low > 1:
            mid = (low + high) // 2
            ok = mid + k0 <= n + n0 and proves_cleared(
                before_misfires, before_firings, k0 + mid, n0 + n, alpha, fraction
            )
            low, high = (mid, high) if ok else (low, mid)
        return 0.0 if low < 0 else float(bdtr(low, n, rate))

    def first(k0: int, n0: int) -> int | None:
        # The power saws as single misfires become allowed: every longer drive up to 30 % must do as well.
        run_start: int | None = None
        n = max(1.0, math.log(1.0 - power) / math.log1p(-min(0.999, before_misfires / before_firings)) / 4)
        while n <= at_most:
            whole = math.ceil(n)
            if chance(whole, k0, n0) >= power:
                run_start = whole if run_start is None else run_start
                if whole >= 1.3 * run_start:
                    return run_start
            else:
                run_start = None
            n = max(n * 1.02, n + 1)
        return None

    fresh = first(0, 0)
    if seen_firings == 0 or fresh is None:
        return fresh
    more = first(seen_misfires, seen_firings)
    return None if more is None else max(fresh, more)
