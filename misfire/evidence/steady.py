"""What is steady: between companions, over speed, in fuel cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.decide.runs import mad
from misfire.engine import FloatArray
from misfire.evidence.pooled import Pooled, mean_sd
from misfire.evidence.shown import Shown

LEAST = 60  # events of a place
LEAST_MOTORED = 6
SPEED_RATIO = 1.25  # below, no law of speed is fitted
CRANKING_RPM = 400.0  # engines that fire idle faster (common practice, no source)
NO_DEVIATION = 0.01  # chance by noise above which there is nothing to fit
_BINS = 8
NEIGHBOUR = 0.005  # of a combustion: what a leak next to it leaves on a cylinder (three layouts simulated)
LEAK_CHANCE = 0.01
LEAST_LEAK = (
    0.015  # of a combustion: 775 simulated logs without a leak show so much by p < 0.01 in 2 % (our choice)
)


@dataclass(frozen=True)
class Motored:
    """What a cylinder (`name`) gives back less than its companion (`mate`) when none fires, `how` it was turned
    ("motoring" or "cranking"): `less` with its `sd`, both as a share of a normal combustion, over `turns` of each,
    and `p` the chance of so much by noise."""

    name: str
    mate: str
    how: str
    less: float
    sd: float
    turns: int
    p: float

    @property
    def leaks(self) -> bool:
        """More than chance, and more than the pattern leaves over."""
        return self.p < LEAK_CHANCE and self.less >= LEAST_LEAK

    def shown(self) -> Shown:
        """The row of evidence."""
        return Shown(
            f"work that stays away while {self.how}, {self.name}",
            f"against {self.mate} on the same teeth, {self.turns} turns of each; in parts of a combustion; "
            "a misfire vanishes here, a compression leak stays",
            self.less,
            sd=self.sd,
            p=self.p,
        )


def companion_splits(p: Pooled) -> list[Shown]:
    """Of each pair of companions half the difference of their lost work, beside its mean.

    Against the healthy level: a single cylinder has a difference as large as the mean; a wheel error and a
    shared coil have none (*derived*).
    """
    order = p.engine.firing_order
    out = []
    for i, c in enumerate(order):
        mate = p.engine.companions.get(c)
        j = order.index(mate) if mate is not None else -1
        if j <= i:
            continue
        a, b = (p.lost[p.judged & (p.place == k)] for k in (i, j))
        if min(a.size, b.size) < LEAST:
            continue
        (ma, sa), (mb, sb) = mean_sd(a), mean_sd(b)
        out.append(
            Shown(
                f"companions {p.name(i)} and {p.name(j)}, half difference of lost work",
                f"the mean of both is {round((ma + mb) / 2, 3) + 0.0:+.3f}; one cylinder alone: as large as the mean; wheel or shared coil: none",
                abs(ma - mb) / 2,
                sd=float(np.hypot(sa, sb) / 2),
            )
        )
    return out


def speed_law(p: Pooled) -> list[Shown]:
    """How the deviation of the worst place goes with speed: relative segment time error = a + b / w^2 + c w.

    In energy per event that is a w^2 + b + c w^3, so a is the wheel, b lost work (in proportion to the normal work,
    which changes with speed) and c a fixed error in time. Nothing where the deviation
    is within its noise. The place is the one that lacks most as a monitor sees it that takes the wheel as perfect.
    """
    from scipy.special import gammaincc

    use = p.judged & np.isfinite(p.plain) & np.isfinite(p.normal)
    if use.sum() < LEAST * p.engine.cylinders:
        return []
    lo, hi = np.percentile(p.rpm[use], [5, 95])
    if hi < SPEED_RATIO * lo:
        return []
    size = [
        np.mean(x) if (x := p.plain[use & (p.place == k)]).size >= LEAST else 0.0
        for k in range(p.engine.cylinders)
    ]
    worst = int(np.argmax(size))
    mine = use & (p.place == worst)
    if mine.sum() < LEAST:
        return []
    w, d, sd, normal_of = _by_speed(p.rpm[mine] * np.pi / 30, (p.plain * p.normal)[mine], p.normal[mine])
    if w.size < 4 or gammaincc(w.size / 2, float(np.sum((d / sd) ** 2)) / 2) > NO_DEVIATION:
        return []
    middle, normal = float(np.median(w)), float(np.median(p.normal[mine]))
    u = w / middle
    laws = {"lost work (1/w^2)": normal_of / normal, "wheel (constant)": u**2, "time (w)": u**3}
    full = np.column_stack(list(laws.values())) / sd[:, None]
    cov = np.linalg.pinv(full.T @ full)
    beta = cov @ (full.T @ (d / sd))
    each = ", ".join(
        f"{name} {b / normal:+.2f}±{s / normal:.2f}"
        for name, b, s in zip(laws, beta, np.sqrt(np.diag(cov)), strict=True)
    )
    misfit = {
        name: float(np.sum(((d - x * (x @ (d / sd**2)) / (x @ (x / sd**2))) / sd) ** 2))
        for name, x in laws.items()
    }
    best = sorted(misfit, key=lambda k: misfit[k])
    less = float(np.exp(min((misfit[best[1]] - misfit[best[0]]) / 2, 13.8)))
    n, n_sd = _exponent(u, d, sd)
    return [
        Shown(
            f"speed exponent, {p.name(worst)}",
            f"of its relative time error; in lost work: {each}; best alone {best[0].split(' (')[0]}, "
            f"the next {'more than 1000' if less > 1000 else f'{less:.1f}'} times less likely",
            n,
            sd=n_sd,
            limit="-2 to -1.4 lost work, 0 wheel, +1 time",
        )
    ]


def _by_speed(
    w: FloatArray, d: FloatArray, normal: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean speed, mean deviation, its error and normal work in classes of speed with equally many events."""
    order = np.argsort(w)
    parts = [k for k in np.array_split(order, _BINS) if k.size >= 8]
    rows = [(float(np.mean(w[k])), *mean_sd(d[k]), float(np.mean(normal[k]))) for k in parts]
    x, y, sd, e = np.array(rows).reshape(-1, 4).T
    return (
        x,
        y,
        np.maximum(sd, 0.02 * np.abs(y).max(initial=0.0) + 1e-9),
        e,
    )  # no class is known better than the normal work is


def _exponent(u: FloatArray, d: FloatArray, sd: FloatArray) -> tuple[float, float]:
    """Exponent n of d ~ u^(n + 2), from -4 to 3, its error where the misfit is larger by its own least mean."""
    n = np.linspace(-4.0, 3.0, 141)
    x = u ** (n[:, None] + 2.0) / sd
    y = d / sd
    best = np.sum(x * y, axis=1) / np.sum(x * x, axis=1)
    misfit = np.sum((y - best[:, None] * x) ** 2, axis=1)
    k = int(np.argmin(misfit))
    worse = max(1.0, misfit[k] / max(u.size - 2, 1))
    inside = n[misfit <= misfit[k] + worse]
    return float(n[k]), float(max(np.ptp(inside) / 2, n[1] - n[0]))


def stays_in_fuel_cut(p: Pooled) -> list[Motored]:
    """Work that one of two companions gives back less than the other when none fires, in parts of a normal combustion.

    A misfire vanishes there; a compression leak stays, motoring and cranking, once a cycle. Companions pass the same
    teeth, so a wheel error is in both and drops out (*derived*); engines without companions get no line, since
    the wheel would pass for a leak. The pair that stands out most is told; `p` allows for the number of pairs.
    """
    from scipy.special import stdtr  # scipy.stats would cost half a second

    normal = float(np.nanmedian(p.normal[p.judged])) if p.judged.any() else np.nan
    off = p.energy - _cycle_mean(p)
    order = p.engine.firing_order
    mates = [
        (i, order.index(m)) for i, c in enumerate(order) if (m := p.engine.companions.get(c)) is not None
    ]
    pairs = [(i, j) for i, j in mates if i < j]
    out = []
    for what, some in (("motoring", p.rpm >= CRANKING_RPM), ("cranking", p.rpm < CRANKING_RPM)):
        use = p.motored & some & np.isfinite(off)
        parts = [off[use & (p.place == k)] for k in range(p.engine.cylinders)]
        if not np.isfinite(normal) or not pairs or min(x.size for x in parts) < LEAST_MOTORED:
            continue
        got = np.array([mean_sd(_calm(x)) for x in parts]) / normal
        less = np.array([got[j, 0] - got[i, 0] for i, j in pairs])
        sd = np.array([np.sqrt(got[i, 1] ** 2 + got[j, 1] ** 2 + NEIGHBOUR**2) for i, j in pairs])
        k = int(np.argmax(np.abs(less) / np.maximum(sd, 1e-12)))
        low, high = pairs[k] if less[k] >= 0.0 else pairs[k][::-1]
        turns = min(x.size for x in parts)
        chance = 2.0 * float(stdtr(max(turns / 2 - 2, 1), -abs(less[k]) / max(sd[k], 1e-12)))
        share = float(abs(less[k]))
        out.append(
            Motored(
                p.name(low),
                p.name(high),
                what,
                share,
                float(sd[k]),
                turns,
                float(min(1.0, chance * len(pairs))),
            )
        )
    return out


def _calm(x: FloatArray) -> FloatArray:
    """Values drawn in to three spreads about the median: the turn in which the fuel comes back is no sample of the others."""
    middle, spread = float(np.median(x)), mad(x)
    return np.clip(x, middle - 3 * spread, middle + 3 * spread)


def _cycle_mean(p: Pooled) -> FloatArray:
    """Mean energy of the cycle around each motored event, the event in its middle; NaN unless all of it is motored."""
    n = p.engine.cylinders
    weight = np.ones(n + 1 - n % 2)
    if n % 2 == 0:
        weight[[0, -1]] = 0.5
    known = p.motored
    if known.size < weight.size:
        return np.full(known.size, np.nan)
    mean = np.convolve(np.where(known, p.energy, 0.0), weight / n, mode="same")
    whole = np.convolve(known, weight / n, mode="same") > 0.999
    return np.where(whole, mean, np.nan)
