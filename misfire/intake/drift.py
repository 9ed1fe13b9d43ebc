"""A sampled signal and what moves slowly in it: drift of both ends, the local swing, single-sample spikes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from misfire.intake.crossings import SampleArray
from misfire.intake.recording import FloatArray
from misfire.intake.samples import let_go

# A window holds some teeth at 200 rpm and is short against a change of speed.
BLOCK_S = 0.02
# drift below this share of the signal's swing leaves room for a threshold, and is left alone
TOLERATED = 0.12
# a single sample that stands out by this share of the local swing between two that agree is a spike
SPIKE, AGREE = 0.45, 0.12


@dataclass(frozen=True)
class Signal:
    """Values of a signal, in memory or mapped from disk, with its slow properties.

    Attributes
    ----------
    values : array, shape (samples,)
    centres, swing, shift : array, shape (blocks,)
        Sample numbers, and there the local peak-to-peak swing and the baseline [unit of values].
    despike : bool
        Whether `block` replaces single-sample spikes by the mean of their neighbours.
    """

    values: Any
    centres: FloatArray
    swing: FloatArray
    shift: FloatArray
    despike: bool = False

    @property
    def size(self) -> int:
        return int(self.values.size)

    def block(self, begin: int, end: int) -> tuple[SampleArray, SampleArray]:
        """Samples begin to end, baseline and spikes taken out, and the local swing at each."""
        y = np.asarray(self.values[begin:end], dtype=np.float32)
        at = np.arange(begin, end)
        if self.shift.any():
            y = y - np.interp(at, self.centres, self.shift).astype(np.float32)
        swing = np.interp(at, self.centres, self.swing).astype(np.float32)
        if self.despike and y.size > 2:
            found = spikes(y, swing)
            if found.size:
                y = y.copy()
                y[found] = 0.5 * (y[found - 1] + y[found + 1])
        return y, swing


def spikes(y: SampleArray, swing: SampleArray) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Indices of single samples far outside two neighbours that agree with each other."""
    left, mid, right = y[:-2], y[1:-1], y[2:]
    s = swing[1:-1]
    out = (np.abs(left - right) < AGREE * s) & (np.abs(mid - 0.5 * (left + right)) > SPIKE * s)
    return np.flatnonzero(out) + 1


def look(values: Any, step_s: float, *, keep_level: bool = False) -> tuple[Signal, float]:
    """Measure drift and local swing of a signal.

    The ends are the 2nd and 98th percentile in windows of 60 ms. Only a move of both ends in the same
    direction is drift: a variable-reluctance signal that grows with speed moves them apart, a clipped
    one moves one end alone. So drift is the middle of the ends, but where a signal is clipped or has two
    levels it is the lesser of the two moves.

    Returns
    -------
    Signal, float
        The signal less its drift, and the range of the drift [unit of values]; 0 when it was left alone,
        as always with `keep_level`.
    """
    n = int(values.size)
    size = int(np.clip(BLOCK_S / step_s if step_s > 0 else 2000, 64, 1 << 20))
    count = n // size
    if count < 3:
        part = np.asarray(values[: 1 << 22], dtype=np.float64)
        span = float(np.ptp(np.percentile(part, (1, 99))))
        one = np.zeros(1)
        return Signal(values, one, one + span, one), 0.0
    lows, highs = np.empty(count), np.empty(count)
    per = max(1, (1 << 20) // size)
    for first in range(0, count, per):
        last = min(first + per, count)
        rows = np.asarray(values[first * size : last * size], dtype=np.float32).reshape(last - first, size)
        # some hundred samples are enough for a percentile
        lows[first:last], highs[first:last] = np.percentile(rows[:, :: max(1, size // 700)], (2, 98), axis=1)
        let_go(values)
    # the swing is that of 60 ms, so a window in a gap does not lower it
    swing = np.max(_neighbours(highs), axis=1) - np.min(_neighbours(lows), axis=1)
    low, high = lows - np.median(lows), highs - np.median(highs)
    if _symmetric(values):
        # both ends move by half the change of swing, in opposite directions, whatever the drift does
        common = 0.5 * (low + high)
    else:
        common = np.where(low * high > 0, np.sign(low) * np.minimum(np.abs(low), np.abs(high)), 0.0)
    common = np.mean(_neighbours(common), axis=1)
    reach = float(np.ptp(common))
    centres = (np.arange(count, dtype=np.float64) + 0.5) * size
    if keep_level or reach < TOLERATED * float(np.median(swing)):
        common, reach = np.zeros(count), 0.0
    return Signal(values, centres, swing, common), reach


def _symmetric(values: Any) -> bool:
    """True when no end of the signal is flat: neither clipped nor switching between two levels."""
    n = int(values.size)
    parts = [np.asarray(values[a : a + 20_000]) for a in np.linspace(0, max(n - 20_000, 0), 8).astype(int)]
    y = np.concatenate(parts)
    low, high = float(y.min()), float(y.max())
    near = 0.005 * (high - low)
    return bool(np.mean(y < low + near) < 0.01 and np.mean(y > high - near) < 0.01)


def _neighbours(x: FloatArray) -> FloatArray:
    return np.lib.stride_tricks.sliding_window_view(np.pad(x, 1, mode="edge"), 3)


def without_spikes(
    signal: Signal, parts: list[tuple[SampleArray, SampleArray]], teeth: int
) -> tuple[Signal, int]:
    """Switch spike removal on where spikes are rare against teeth; returns the spikes seen in the parts."""
    found = int(sum(spikes(y, swing).size for y, swing in parts if y.size > 2))
    if found == 0 or found > 0.1 * teeth:
        return signal, 0
    return replace(signal, despike=True), found
