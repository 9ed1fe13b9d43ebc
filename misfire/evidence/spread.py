"""How lost work is spread: two peaks or one, and with load."""

from __future__ import annotations

import numpy as np

from misfire.decide import MISFIRE
from misfire.engine import FloatArray
from misfire.evidence.pooled import Pooled, mean_sd
from misfire.evidence.shown import Shown

LEAST = 60
TWO_PEAKS = (
    2.0  # Ashman, Bird and Zepf, Astron. J. 108, 1994 (memory): two normal peaks are parted from here on
)
LOAD_SPAN = 10.0  # [%] between quartiles, below which load is one and the same
_MOST = 800


def worst_place(p: Pooled) -> int | None:
    """The place with the most misfires, else the highest mean lost work."""
    number, mean = [], []
    for k in range(p.engine.cylinders):
        mine = p.judged & (p.place == k)
        number.append(int((p.state[mine] == MISFIRE).sum()))
        mean.append(float(np.mean(p.lost[mine])) if mine.sum() >= LEAST else -np.inf)
    if not np.isfinite(mean).any():
        return None
    return int(np.argmax(number)) if max(number) >= 4 else int(np.argmax(mean))


def two_peaks(p: Pooled, place: int) -> list[Shown]:
    """Distance of two normal peaks fitted to the lost work of a place, in their mean widths."""
    x = np.clip(p.lost[p.judged & (p.place == place)], -1.0, 2.5)
    if x.size < LEAST:
        return []
    x = x[:: -(-x.size // _MOST)]
    apart, share, gain = _parted(x)
    left = np.array([_parted(np.delete(x, np.s_[g::5]))[0] for g in range(5)])
    two = gain > 10 and apart >= TWO_PEAKS
    said = f"{100 * share:.1f} % stand in the peak of more lost work; " if two else "one peak fits as well; "
    return [
        Shown(
            f"two peaks of lost work, {p.name(place)}",
            said + "a misfire that comes and goes has two, a wheel error or a weak cylinder one",
            apart if two else 0.0,
            "widths",
            sd=float(np.sqrt(0.8 * np.sum((left - left.mean()) ** 2))),
            limit=f"{TWO_PEAKS:g}",
        )
    ]


def _parted(x: FloatArray) -> tuple[float, float, float]:
    """Distance D of two normal peaks, share of the higher one, and how much better than one (Bayes' criterion)."""
    lo, hi = float(np.median(x)), 1.0
    s = np.array([np.std(x), 0.2]) + 1e-3
    m, f = np.array([lo, max(hi, lo + 0.3)]), np.array([0.9, 0.1])
    density = np.zeros((2, x.size))
    for _ in range(15):
        density = f[:, None] / s[:, None] * np.exp(-0.5 * ((x - m[:, None]) / s[:, None]) ** 2)
        r = density / np.maximum(density.sum(axis=0), 1e-300)
        n = np.maximum(r.sum(axis=1), 1e-9)
        f, m = n / x.size, (r @ x) / n
        s = np.sqrt(np.maximum([float(r[k] @ (x - m[k]) ** 2) / n[k] for k in (0, 1)], 0.03**2))
    two = float(np.sum(np.log(np.maximum(density.sum(axis=0), 1e-300))))
    one = -x.size * (np.log(max(float(np.std(x)), 0.03)) + 0.5)
    gain = 2 * (two - one) - 3 * float(np.log(x.size))
    return float(np.sqrt(2) * abs(m[1] - m[0]) / np.sqrt(np.sum(s**2))), float(f[np.argmax(m)]), gain


def load_dependence(p: Pooled, place: int) -> list[Shown]:
    """Mean lost work of a place in the upper half of the load less that in the lower half."""
    mine = p.judged & (p.place == place) & np.isfinite(p.load_pct)
    if mine.sum() < 2 * LEAST or np.subtract(*np.percentile(p.load_pct[mine], [75, 25])) < LOAD_SPAN:
        return []
    middle = float(np.median(p.load_pct[mine]))
    high = mine & (p.load_pct > middle)
    low = mine & ~high
    if min(high.sum(), low.sum()) < 20:
        return []
    (a, sa), (b, sb) = mean_sd(p.lost[high]), mean_sd(p.lost[low])
    missed = [int((p.state[part] == MISFIRE).sum()) for part in (high, low)]
    return [
        Shown(
            f"lost work at high load less that at low load, {p.name(place)}",
            f"above and below {middle:.0f} %; misfires {missed[0]} of {int(high.sum())} and {missed[1]} of {int(low.sum())}",
            a - b,
            sd=float(np.hypot(sa, sb)),
        )
    ]
