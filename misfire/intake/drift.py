"""Slow drift of a sampled signal: AC coupling, droop, a wandering ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from misfire.intake.crossings import SampleArray, candidates
from misfire.intake.recording import FloatArray

LONG_BLOCK = 1 << 20
# drift below this share of the signal's span leaves room for a threshold, and is left alone
TOLERATED = 0.12


@dataclass(frozen=True)
class Signal:
    """Values of a signal, in memory or mapped from disk, less a slow baseline.

    Attributes
    ----------
    values : array, shape (samples,)
    centres, shift : array or None, shape (blocks,)
        Sample numbers and the baseline there [unit of values]; straight lines between.
    """

    values: Any
    centres: FloatArray | None = None
    shift: FloatArray | None = None

    @property
    def size(self) -> int:
        return int(self.values.size)

    def block(self, begin: int, end: int) -> SampleArray:
        """Samples begin to end, the baseline taken out."""
        part = np.asarray(self.values[begin:end], dtype=np.float32)
        if self.centres is None or self.shift is None:
            return part
        return part - np.interp(np.arange(begin, end), self.centres, self.shift).astype(np.float32)


def without_drift(signal: Signal) -> tuple[Signal, float]:
    """Take out what the upper and the lower end of the signal do in common.

    Over blocks of about 40 teeth the ends are the 2nd and 98th percentile. Only a move of both ends in
    the same direction is drift: a variable-reluctance signal that grows with speed moves them apart,
    a clipped one moves one end alone.

    Returns
    -------
    Signal, float
        The signal less its drift, and the range of the drift [unit of values]; 0 when it was left alone.
    """
    size = _block_size(signal)
    count = signal.size // size
    if count < 3:
        return signal, 0.0
    lows, highs = np.empty(count), np.empty(count)
    per = max(1, LONG_BLOCK // size)
    for first in range(0, count, per):
        last = min(first + per, count)
        rows = signal.block(first * size, last * size).reshape(last - first, size)
        # every third sample is enough for a percentile
        lows[first:last], highs[first:last] = np.percentile(rows[:, ::3], (2, 98), axis=1)
    low, high = lows - np.median(lows), highs - np.median(highs)
    common = np.where(low * high > 0, np.sign(low) * np.minimum(np.abs(low), np.abs(high)), 0.0)
    reach = float(np.ptp(common))
    span = float(np.median(highs - lows))
    if span <= 0 or reach < TOLERATED * span:
        return signal, 0.0
    centres: FloatArray = (np.arange(count, dtype=np.float64) + 0.5) * size
    return Signal(signal.values, centres, common.astype(np.float64)), reach


def _block_size(signal: Signal) -> int:
    """About 40 teeth in samples, from the crossings of a roughly flattened stretch in the middle."""
    begin = max(0, signal.size // 2 - 32_768)
    x = signal.block(begin, min(begin + 65_536, signal.size)).astype(np.float64)
    window = min(512, max(8, x.size // 8))
    kernel_sum = np.cumsum(np.concatenate(([0.0], x)))
    mean = (kernel_sum[window:] - kernel_sum[:-window]) / window
    flat = x[window // 2 : window // 2 + mean.size] - mean
    swing = float(np.std(flat))
    if flat.size < 16 or swing == 0:
        return 4096
    position, lowest = candidates(flat.astype(np.float32), 0.0)
    position = position[lowest < -0.5 * swing]
    pitch = float(np.median(np.diff(position))) if position.size > 4 else 100.0
    return int(np.clip(40 * pitch, 512, 65_536))
