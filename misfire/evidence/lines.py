"""Narrow lines in the spectrum of marks on an axis: faults or edge shifts over time, or over turns of the crank.

Each mark i stands at x[i] and carries v[i] (1 for a fault). In stretches of `span` the power is
|sum v exp(-2 pi i f x)|^2 / sum v^2: Rayleigh's periodogram for v = 1 (Buccheri et al., Astron. Astrophys. 128, 1983,
memory), Lomb's for steps of like length. The stretches are added without their phases, so a source may wander
from one to the next (Bartlett). Twice the sum over m stretches follows chi^2 with 2 m degrees of freedom
where there is nothing but noise (*derived*); the noise itself is read from the frequencies close by, so
bursts and a broad resonance are no line. The p-value counts every frequency looked at (Bonferroni).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray
from misfire.engine import FloatArray

_PER_PERIOD = 4  # bins in the shortest period looked for
_BLOCK = 128  # frequencies whose median is the noise of the blocks beside it
_STRETCHES = 400  # at most, spread over the log


@dataclass(frozen=True)
class Line:
    """The strongest line: frequency [1/unit of x] and its resolution, corrected p, amplitude and its sd.

    The amplitude is that of v (for faults: the mean resultant length), bias by the noise taken off.
    """

    frequency: float
    resolution: float
    p: float
    amplitude: float
    sd: float
    tried: int


def strongest_line(
    x: FloatArray,
    v: FloatArray,
    low: float,
    high: float,
    span: float,
    *,
    turns: FloatArray | None = None,
    leave_out: float | None = None,
    least: int = 8,
) -> Line | None:
    """The strongest narrow line between `low` and `high`, or None with too little to look at.

    Parameters
    ----------
    x, v : array, shape (marks,)
        Places in growing order, and values with their mean taken out (for faults: ones).
    low, high : float
        Frequencies [per unit of x] between which is looked.
    span : float
        Length of a stretch [unit of x]; its inverse is the resolution.
    turns : array, shape (marks,), or None
        Crank position [turns] of each mark: whole and half orders of the crank are left out of every stretch, so
        that what stays is not locked to it.
    leave_out : float or None
        Multiples of this frequency [per unit of x] are not looked at.
    least : int
        Marks that a stretch must hold.
    """
    from scipy.special import gammaincc

    if x.size < 2 * least:
        return None
    step = 1 / (_PER_PERIOD * high)
    bins = 2 * int(np.ceil(span / step))
    bins = 1 << (bins - 1).bit_length()
    # only the part of the spectrum that is asked for, in whole blocks
    first = int(low * bins * step)
    wide = (int(np.ceil(high * bins * step)) - first) // _BLOCK * _BLOCK
    if wide < 4 * _BLOCK:
        return None
    f: FloatArray = (first + np.arange(wide)) / (bins * step)
    cut = np.arange(x[0], x[-1], span)
    at = np.searchsorted(x, cut)
    size = np.diff(np.append(at, x.size))
    use = np.flatnonzero(size >= least)
    if not use.size:
        return None
    use = use[:: -(-use.size // _STRETCHES)]
    power, sums, number, total = np.zeros(wide), np.zeros(wide), np.zeros(wide), np.zeros(wide)
    for k in use.tolist():
        one = slice(at[k], at[k] + size[k])
        place = ((x[one] - cut[k]) / step).astype(np.int64)
        whole = np.fft.rfft(np.bincount(place, v[one], minlength=bins)[:bins])[first : first + wide]
        s = whole.real**2 + whole.imag**2
        if turns is not None:
            locked = _locked(f, x[one], turns[one], span)
            s[locked] = 0.0
            free = (~locked).astype(float)
        else:
            free = np.ones(wide)
        power += s / max(float(np.sum(v[one] ** 2)), 1e-300)
        sums += s
        total += free * float(size[k]) ** 2
        number += free
    inside = (number > 0) & (f >= low) & (f <= high)
    if leave_out is not None:
        inside &= np.abs(f / leave_out - np.rint(f / leave_out)) * leave_out > 2.0 / span
    if not inside.any():
        return None
    ratio = np.where(inside, power / _noise(power, number, inside), 0.0)
    # twice the sum over m stretches is chi^2 with 2 m degrees of freedom: the least likely of all, m by m
    p, k = 1.0, int(np.argmax(ratio))
    for m in np.unique(number[inside]):
        mine = np.where(inside & (number == m), ratio, 0.0)
        best = int(np.argmax(mine))
        chance = float(gammaincc(m, mine[best]))
        if chance < p:
            p, k = chance, best
    tried = int(inside.sum())
    n, high_power = float(number[k]), float(ratio[k])
    above = max(1 - n / high_power, 0.0) if high_power > 0 else 0.0
    scale = 1.0 if (v == 1.0).all() else 2.0
    # marks are put into bins, which lowers a line of high frequency
    length = scale * float(np.sqrt(sums[k] / max(total[k], 1.0)) / np.sinc(f[k] * step))
    sd = length * float(np.sqrt(1 / max(2 * high_power, 1e-9)))
    return Line(float(f[k]), 1 / span, min(tried * p, 1.0), length * float(np.sqrt(above)), sd, tried)


def _noise(power: FloatArray, number: FloatArray, inside: BoolArray) -> FloatArray:
    """Mean noise power of one stretch at each frequency, from the medians of the blocks on both sides."""
    from scipy.special import gammainccinv

    per = np.full(power.size, np.nan)
    for m in np.unique(number[inside]):
        mine = inside & (number == m)
        per[mine] = power[mine] / float(gammainccinv(m, 0.5))
    rows = per.reshape(-1, _BLOCK)
    empty = ~np.isfinite(rows).any(axis=1)
    rows[empty, 0] = 0.0
    block = np.nanmedian(rows, axis=1)
    block = np.interp(np.arange(block.size), np.flatnonzero(~empty), block[~empty])
    left, right = np.concatenate([block[:1], block[:-1]]), np.concatenate([block[1:], block[-1:]])
    left[0], right[-1] = right[0], left[-1]  # at the ends the only neighbour
    return np.repeat(np.maximum(np.maximum(left, right), 1e-300), _BLOCK)


def _locked(f: FloatArray, x: FloatArray, turns: FloatArray, span: float) -> BoolArray:
    """Frequencies at whole and half orders of the crank, in a stretch that turns evenly enough to make lines."""
    h = x.size // 2
    per = (turns[-1] - turns[0]) / max(x[-1] - x[0], 1e-9)
    halves = [(turns[b] - turns[a]) / max(x[b] - x[a], 1e-9) for a, b in ((0, h), (h, x.size - 1))]
    if not per > 0:
        return np.zeros(f.size, dtype=bool)
    width = 2.5 / span + f * abs(halves[1] - halves[0]) / per
    base = per / 2
    # orders smeared over their own distance make no line
    return np.asarray((np.abs(f - np.rint(f / base) * base) < width) & (width < base / 4), dtype=bool)
