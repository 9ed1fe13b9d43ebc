"""What is known of the wheel, and how much of what a place does may be the wheel's.

Arrays over events have shape (events,), those over places in firing order (cylinders,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.level import like_places
from misfire.decide.runs import running_median
from misfire.engine import Engine, FloatArray

CYCLES = 41  # over which a place's habit is taken
SHARED_FROM = 0.25  # lost work that the wheel may be the cause of, from which on it is open
LEAST_BIN = 20  # firings of a speed to tell by


@dataclass(frozen=True)
class Spacing:
    """What is known of the tooth spacing while events are judged; built by one of the three constructors.

    Attributes
    ----------
    known : bool
        The angles are corrected with a pattern to rely on: what companions share belongs to the work.
    untold : bool
        Nothing in the log tells the wheel: only what stands out from a place's habit is charged to the work.
    moving : bool
        The spacing changes inside the log: what companions share at a time cannot be the work for sure.
    mean : array, shape (events,), or None
        Mean work [rad^2/s^2] of each event's place free of the wheel, where the engine lets it be told
        (`work.mean_work`).
    """

    known: bool = False
    untold: bool = False
    moving: bool = False
    mean: FloatArray | None = None

    @classmethod
    def nominal(cls) -> Spacing:
        """A first look: teeth where the drawing has them, what companions share charged to neither."""
        return cls()

    @classmethod
    def learned(cls) -> Spacing:
        """A pattern to rely on."""
        return cls(known=True)

    @classmethod
    def open(cls, mean: FloatArray | None = None, moving: bool = False) -> Spacing:
        """No pattern, or none to rely on; `mean` of shape (events,) as of the attribute."""
        return cls(untold=True, moving=moving, mean=mean)


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
