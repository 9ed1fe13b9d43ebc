"""Whether an event stands apart from its place's habit, and where the scatter or the driveline forbids to say.

Arrays over events have shape (events,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.runs import mad, running_median
from misfire.decide.states import MISFIRE_FROM, MOTORING
from misfire.engine import FloatArray

SURE = 0.9  # an event is called misfire above this probability, firing below the rest; between is unusable
FULL_SPREAD = 0.08  # sd of a full misfire's lost work beyond the noise: the scale's own error (our choice)


def misfire_chance(
    lost: FloatArray, noise: FloatArray, place: IntArray, rpm: FloatArray, use: BoolArray, n_cyl: int
) -> FloatArray:
    """Probability that each event is a full misfire, shape (events,).

    Two populations per place and third octave of speed: events about the place's own habit, with the heavy
    tails of a Student t with four degrees of freedom, and full misfires about 1. The share of misfires is
    found from the events themselves (expectation-maximisation), never below one in ten thousand.
    """
    width = np.hypot(np.maximum(noise, 0.02), FULL_SPREAD)
    sd = np.maximum(noise, 0.02)
    out = np.zeros(lost.size)
    ok = use & np.isfinite(lost) & np.isfinite(noise)
    key = np.floor(3 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(np.int64)
    for p in range(n_cyl):
        own = ok & (place == p)
        if not own.any():
            continue
        habit_all = _habit(lost[own])
        share = float(np.mean(lost[own] >= MISFIRE_FROM))
        habit = np.full(lost.size, habit_all)
        for k in np.unique(key[own]):
            mine = own & (key == k)
            if mine.sum() >= 40:
                habit[mine] = _habit(lost[mine])
        x, spread = lost[own], sd[own]
        tail = 1 + ((x - habit[own]) / spread) ** 2 / 4
        normal = 0.375 / (tail**2 * np.sqrt(tail)) / spread
        # deeper than full is no less a misfire
        short_of_full = np.minimum(x - 1, 0.0) / width[own]
        deep = np.exp(-0.5 * short_of_full**2) / (width[own] * np.sqrt(2 * np.pi))
        for _ in range(8):
            share = min(max(share, 1e-4), 0.9999)
            chance = share * deep / (share * deep + (1 - share) * normal)
            share = float(np.mean(chance))
        out[own] = chance
    return out


def _habit(lost: FloatArray) -> float:
    """Where a place's events lie when it fires; 0 when nearly all of them are lost."""
    middle = float(np.median(lost))
    if middle < 0.6:
        return max(middle, 0.0)
    rest = lost[lost < 0.6]
    return max(float(np.median(rest)), 0.0) if rest.size >= 10 else 0.0


def local_noise(lost: FloatArray, rpm: FloatArray, use: BoolArray, place: IntArray, n_cyl: int) -> FloatArray:
    """Scatter of the healthy events, by speed bins of 1/12 octave joined until each holds enough."""
    out = np.full(lost.size, np.nan)
    if not use.any():
        return out
    key = np.floor(12 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(int)
    healthy = use & (lost < 0.5)
    overall = mad(lost[healthy])
    for k in np.unique(key):
        mine = key == k
        some = lost[mine & healthy]
        local = mad(some) if some.size >= 40 else overall
        out[mine] = local
    # at one speed the load may still differ: where the events around scatter more, that counts
    width = max(61, 10 * n_cyl)
    if healthy.sum() > 3 * width:
        where = np.flatnonzero(healthy)
        x = lost[where]
        around = 1.4826 * running_median(np.abs(x - running_median(x, width)), width)
        near = np.interp(np.arange(lost.size), where, around)
        # a calm stretch is not spoilt by a rough one at the same speed, and the other way round
        out = np.maximum(near, 0.5 * out)
    return out


def beside_gain(lost: FloatArray, reach: int) -> BoolArray:
    """True within `reach` events of one that gains more than half a combustion: the driveline swings there."""
    from scipy.ndimage import minimum_filter1d

    return np.asarray(minimum_filter1d(np.nan_to_num(lost), 2 * reach + 1) < -0.5, dtype=bool)


WHOLE, GAIN = 1.35, 0.3  # the scale is hardly ever off by more; a gain that no burn brings (our choice)


def shaken(lost: FloatArray, state: IntArray, n_cyl: int) -> BoolArray:
    """Turns where gains are as large as losses: a rough road or a gear change, not combustion."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    gain = np.where(np.isfinite(lost) & (lost < -0.45), 1.0, 0.0)
    loss = np.where(np.isfinite(lost) & (lost > 0.45), 1.0, 0.0)
    width = 4 * n_cyl + 1
    if lost.size < width:
        return np.zeros(lost.size, dtype=bool)
    kernel = np.ones(width)
    g = np.convolve(gain, kernel, mode="same")
    m = np.convolve(loss, kernel, mode="same")
    swing = (g >= 3) & (g >= 0.25 * m)
    # beside an event that gains, only the deepest one of its cycle is a misfire: the rest is the driveline's answer
    x = np.nan_to_num(lost)
    gains = minimum_filter1d(x, 2 * n_cyl + 1) < -0.5
    second = (x > 0.45) & (x < maximum_filter1d(x, 2 * n_cyl - 1))
    # more than its whole work no firing can lack: between two that gain it is the swing that reads so
    between = np.maximum(np.concatenate(([0.0], x[:-1])), np.concatenate((x[1:], [0.0]))) < -GAIN
    return np.asarray((swing | (gains & second) | (between & (x > WHOLE))) & (state != MOTORING), dtype=bool)
