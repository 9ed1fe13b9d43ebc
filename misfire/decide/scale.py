"""How deep a full misfire is, from the log's own misfires; and what companions share.

Arrays over events have shape (events,), those over places in firing order (cylinders,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.level import like_places
from misfire.decide.runs import mad, running_median
from misfire.decide.states import MISFIRE_FROM
from misfire.engine import Engine, FloatArray

CYCLES = 41  # over which a place's habit is taken
SHARED_FROM = 0.25  # lost work that the wheel may be the cause of, from which on it is open
LEAST_BIN = 20  # firings of a speed to tell by
LASTING_FROM = 0.4  # median lost work of a place that lacks something in every firing
FULL_FROM, FULL_TO = 0.65, 1.8  # a population this deep by the ripple's scale is taken as full misfires
SWOLLEN = 1.8  # most that an unknown wheel swells the ripple (our choice)
FAST_RPM = 2500.0  # from this speed on
DEAD_FROM = 0.65  # a cylinder down this much in every event is dead: one that weak would misfire as well


def cluster_scale(
    share: FloatArray,
    place: IntArray,
    rpm: FloatArray,
    calm: BoolArray,
    n_cyl: int,
    known: bool,
    trust: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Scale of the normal energy from the misfires themselves, by third octaves of speed; shape (events,).

    With it, where a population may be full misfires or half burns alike: True for its events, shape (events,).

    The ripple gives the normal energy to a few ten per cent only; a population far outside the healthy
    scatter that is compatible with a full misfire sets it exactly.

    Parameters
    ----------
    share : array, shape (events,)
        Deviation over normal energy, negative = lost.
    calm : array of bool
        Events away from fuel cut and faults.
    known : bool
        The tooth pattern is known, so the ripple's scale can be trusted; if not, tooth errors at the firing
        order falsify it more and more with speed, and a wider range of depths may be full misfires.
    """
    out, either = np.ones(share.size), np.zeros(share.size, dtype=bool)
    ok = calm & np.isfinite(share) & np.isfinite(rpm)
    lost = -share
    whole = _population(lost[ok], place[ok], n_cyl, (FULL_FROM, FULL_TO))
    out[:] = whole
    key = np.zeros(share.size, dtype=np.int64)
    key[ok] = np.floor(3 * np.log2(np.maximum(rpm[ok], 50.0))).astype(np.int64)
    bins = np.unique(key[ok])
    dead = _dead_places(lost, place, key, ok, trust, n_cyl)
    for k in bins:
        mine = ok & (key == k)
        if dead.size:
            down = np.isin(place, dead)
            own, others = mine & down, mine & ~down
            if own.sum() >= 5 and others.any():
                depth = float(np.median(lost[own]) - np.median(lost[others]))
                out[key == k] = depth if depth >= 0.4 else 1.0
            continue
        speed = float(np.median(rpm[mine]))
        open_ = not known and speed > FAST_RPM
        least = min(FULL_FROM, 1 / max(swollen(speed, n_cyl), SWOLLEN if open_ else 1.0))
        part = _population(lost[mine], place[mine], n_cyl, (least, (2 if open_ else 1) * FULL_TO))
        if part < FULL_FROM and whole == 1.0:
            # nowhere in the log a population that is a full misfire by the ripple: this one may burn in part
            either |= mine & (lost > 0.6 * part)
        elif part != 1.0 and (part >= FULL_FROM or open_):
            out[key == k] = part
        if n_cyl > 2:
            least = min(least, deep_from(n_cyl))
            medians = np.array(
                [np.median(v) if (v := lost[mine & (place == p)]).size else 0.0 for p in range(n_cyl)]
            )
            lacks = medians / out[key == k][0] - np.sort(medians)[(n_cyl - 1) // 2]
            either |= mine & np.isin(place, np.flatnonzero((lacks > least) & (lacks < MISFIRE_FROM)))
    return out, either


def swollen(rpm: float, n_cyl: int) -> float:
    """Most by which the ripple at the firing frequency may overstate the normal work.

    The more cylinders, the higher the order that is left of the work's shape, and the more it hangs on the burn; and the
    crank's torsion swells it: 1 / (1 - (f / f0)^2) [derived], near the mode and beyond it anything. The shape's share and
    f0 by the length of the crank (300 Hz for eight cylinders, 500 Hz up to four) are our choice, no source.
    """
    shape, mode = (1.1, 500.0) if n_cyl <= 4 else (1.3, 350.0) if n_cyl <= 7 else (1.6, 300.0)
    ratio = n_cyl / 2 * rpm / 60.0 / mode
    return shape / (1 - ratio**2) if ratio < 0.8 else 3.0


def deep_from(cylinders: int) -> float:
    """Steady lost work beyond which a cylinder may be dead and not weak.

    The scale comes from the ripple at the firing frequency, which a long crank's torsion swells: the more
    cylinders, the more (300 Hz on a V8: by 1.7 at 2900 rpm [derived], 1 / (1 - (f / f0)^2)).
    """
    return 0.6 if cylinders <= 5 else 0.5 if cylinders <= 6 else 0.42


def _dead_places(
    lost: FloatArray, place: IntArray, key: IntArray, ok: BoolArray, trust: FloatArray, n_cyl: int
) -> IntArray:
    """Places that never fire, up to half of all, judged where the ripple's scale can be trusted most."""
    nobody = np.zeros(0, dtype=np.int64)
    if n_cyl < 3 or ok.sum() < 30 * n_cyl:
        return nobody
    own = [lost[ok & (place == p)] for p in range(n_cyl)]
    medians = np.array([np.median(v) if v.size else 0.0 for v in own])
    order = np.argsort(medians)[::-1]
    steps = medians[order][:-1] - medians[order][1:]
    most = int(np.argmax(steps[: n_cyl // 2])) + 1  # the deep group ends at the widest step
    down, up = order[:most], order[most:]
    deep = medians[down]
    if deep.min() < 0.35 or medians[up].max() > 0.35 * deep.min() or deep.max() > 1.35 * deep.min():
        return nobody
    depths, trusts = [], []
    for k in np.unique(key[ok]):
        mine = ok & (key == k)
        low = lost[mine & np.isin(place, down)]
        rest = lost[mine & ~np.isin(place, down)]
        others = [np.median(v) for q in up if (v := lost[mine & (place == q)]).size >= 4]
        depth = float(np.median(low) - np.median(rest)) if low.size and rest.size else 0.0
        # where healthy places differ as well, the shapes do not fit this engine there
        if low.size >= 8 and others and np.ptp(others) < 0.35 * abs(depth):
            depths.append(depth)
            trusts.append(float(np.median(trust[mine])))
    if not depths or min(depths) < 0.25:
        return nobody
    best = float(depths[int(np.argmax(trusts))])
    return np.asarray(down if DEAD_FROM <= best <= FULL_TO else nobody, dtype=np.int64)


def _population(lost: FloatArray, place: IntArray, n_cyl: int, full: tuple[float, float]) -> float:
    """Depth of the deep population of lost work, 1 when there is none that may be full misfires."""
    if lost.size < 30:
        return 1.0
    medians = np.array([np.median(lost[place == p]) if (place == p).any() else 0.0 for p in range(n_cyl)])
    zero = np.sort(medians)[(n_cyl - 1) // 2] if n_cyl > 2 else medians.min()
    own = lost - medians[place]
    sd = max(mad(own), 0.01)
    # single events far below their own cylinder's habit; a weak cylinder's tail is no misfire
    deep = lost[(own > max(0.6 * full[0], 4.5 * sd)) & (medians[place] - zero < 0.25)] - zero
    if deep.size >= 4:
        peak = float(np.median(deep))
        return peak if full[0] <= peak <= full[1] else 1.0
    # cylinders that are down in every event: only near a full misfire, else they may as well be weak
    dead = int(np.argmax(medians))
    peak = float(medians[dead] - zero)
    return peak if max(full[0], DEAD_FROM) <= peak <= full[1] else 1.0


def shared_offsets(
    place_lost: FloatArray, engine: Engine, pattern_known: bool
) -> tuple[FloatArray, tuple[int, ...]]:
    """What companions share: at least one of two is taken as healthy; both down is ambiguous without a pattern."""
    n = engine.cylinders
    shared = np.zeros(n)
    if pattern_known:
        return shared, ()
    ambiguous: list[int] = []
    where = {c: i for i, c in enumerate(engine.firing_order)}
    for i, c in enumerate(engine.firing_order):
        mate = engine.companions.get(c)
        if mate is None:
            continue
        both = float(min(place_lost[i], place_lost[where[mate]]))
        shared[i] = both
        if both > SHARED_FROM:
            ambiguous.append(i)
    return shared, tuple(ambiguous)


def companions_down(lost: FloatArray, use: BoolArray, place: IntArray, engine: Engine) -> BoolArray:
    """Events of companions that both deviate by a quarter or more over some 15 cycles, shape (events,)."""
    out = np.zeros(lost.size, dtype=bool)
    where = {c: i for i, c in enumerate(engine.firing_order)}
    for a, b in {tuple(sorted((where[c], where[m]))) for c, m in engine.companions.items()}:
        both = []
        for p in (a, b):
            mine = np.flatnonzero(use & (place == p))
            if mine.size < 15:
                break
            both.append(np.interp(np.arange(lost.size), mine, running_median(lost[mine], 15)))
        if len(both) == 2:
            out |= (np.minimum(both[0], both[1]) > 0.25) & ((place == a) | (place == b))
    return out


def wheel_like(dev: FloatArray, use: BoolArray, place: IntArray, engine: Engine) -> FloatArray:
    """What an unknown wheel may add to each event: the habit of its place, for companions of the better one.

    Same units and shape (events,) as `dev`. A cylinder without companion has a piece of the wheel of its own: there
    only what stands out from its own habit can be told from the wheel.
    """
    from scipy.ndimage import percentile_filter

    where = {c: i for i, c in enumerate(engine.firing_order)}
    habit = np.full((engine.cylinders, dev.size), np.nan)
    for p, c in enumerate(engine.firing_order):
        mine = np.flatnonzero(use & (place == p) & np.isfinite(dev))
        if mine.size < 15:
            continue
        # beside a companion half of the events may be lost in one of the two; alone up to two thirds
        middle = 50 if c in engine.companions else 65
        x = percentile_filter(dev[mine], middle, size=min(CYCLES, (mine.size - 1) | 1), mode="reflect")
        habit[p] = np.interp(np.arange(dev.size), mine, x)
    out = np.zeros(dev.size)
    for p, c in enumerate(engine.firing_order):
        both = [habit[p], habit[where[engine.companions[c]]]] if c in engine.companions else [habit[p]]
        better = np.fmax.reduce(both)
        mine = (place == p) & np.isfinite(better)
        out[mine] = better[mine]
    return out


def swept(wheel: FloatArray, normal: FloatArray, place: IntArray, n_cyl: int) -> BoolArray:
    """Where a place's habit passes from one value to another: between the two it is neither; shape (events,).

    `wheel` as of `wheel_like`, `normal` the normal work, in the same units.
    """
    out = np.zeros(wheel.size, dtype=bool)
    for p in range(n_cyl):
        mine = np.flatnonzero(place == p)
        last = mine.size - 1
        if last > 0:
            k = np.arange(mine.size)
            step = (
                wheel[mine[np.minimum(k + CYCLES // 2, last)]] - wheel[mine[np.maximum(k - CYCLES // 2, 0)]]
            )
            out[mine] = np.abs(step) > SHARED_FROM * normal[mine]
    return out


def grows_with_speed(
    dev: FloatArray, normal: FloatArray, rpm: FloatArray, use: BoolArray, place: IntArray, engine: Engine
) -> BoolArray:
    """Places whose loss, shared by both companions, goes with w^2 and not with the normal work; shape (cylinders,).

    A wheel error is a constant share of the time, so its energy goes with w^2; a coil's loss is the work itself [derived].
    Judged over third octaves of speed; False where the log holds too few of them.
    """
    out = np.zeros(engine.cylinders, dtype=bool)
    where = {c: i for i, c in enumerate(engine.firing_order)}
    ok = use & np.isfinite(dev) & np.isfinite(normal)
    key = np.floor(3 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(np.int64)
    w2 = (rpm * np.pi / 30) ** 2
    for a, b in {tuple(sorted((where[c], where[m]))) for c, m in engine.companions.items()}:
        seen = []
        for k in np.unique(key[ok]):
            both = [np.flatnonzero(ok & (key == k) & (place == p)) for p in (a, b)]
            if min(v.size for v in both) >= LEAST_BIN:
                less = -max(float(np.median(dev[v])) for v in both)
                all_ = np.concatenate(both)
                seen.append((less, float(np.median(normal[all_])), float(np.median(w2[all_])), all_.size))
        if len(seen) < 2:
            continue
        loss, work, square, count = (np.array(v) for v in zip(*seen, strict=True))
        if square.max() < 1.6 * square.min() or not (loss / work).max() > SHARED_FROM:
            continue

        out[[a, b]] = _misfit(loss, square, count) < 0.5 * _misfit(loss, work, count)
    return out


def _misfit(y: FloatArray, x: FloatArray, count: FloatArray) -> float:
    """Weighted sum of squares that a positive multiple of x leaves of y."""
    fit = max((count * y * x).sum() / (count * x * x).sum(), 0.0)
    return float((count * (y - fit * x) ** 2).sum())


def lasting_but_small(
    lost: FloatArray, at_most: FloatArray, use: BoolArray, place: IntArray, n_cyl: int
) -> BoolArray:
    """Events of places whose loss is in every firing and may be a part of the work only; shape (events,).

    `at_most` is the loss over the most that the normal work can be: the masses' ripple is known to some tens of per
    cent, and on a four it can hide most of the combustion's.
    """
    out = np.zeros(lost.size, dtype=bool)
    for p in range(n_cyl):
        mine = use & (place == p)
        if mine.any() and float(np.median(lost[mine])) > LASTING_FROM:
            out |= mine & (float(np.median(at_most[mine])) < FULL_FROM)
    return out


def steady_part(
    mean: FloatArray, stands_out: FloatArray, use: BoolArray, place: IntArray, engine: Engine
) -> FloatArray:
    """What a place gives less than the healthy majority in every firing, free of the wheel; shape (events,), NaN = untold.

    `mean` is the mean work of the place with its misfires in it; what stands out from the habit is taken off again.
    """
    from scipy.ndimage import uniform_filter1d

    every = np.full((engine.cylinders, mean.size), np.nan)
    for p in range(engine.cylinders):
        mine = np.flatnonzero(use & (place == p) & np.isfinite(mean) & np.isfinite(stands_out))
        if mine.size >= CYCLES:
            x = mean[mine] - uniform_filter1d(stands_out[mine], CYCLES, mode="nearest")
            every[p] = np.interp(np.arange(mean.size), mine, x)
    out = np.full(mean.size, np.nan)
    for same in like_places(engine):
        zero = np.sort(every[same], axis=0)[
            same.size // 2
        ]  # NaN sort last: an untold place leaves the zero to the rest
        for p in same:
            mine = place == p
            out[mine] = every[p, mine] - zero[mine]
    return out
