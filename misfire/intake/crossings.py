"""Threshold crossings of a sampled signal: a Schmitt trigger, interpolated below one sample, in blocks.

Samples have shape (samples,), crossings shape (edges,); `threshold`, levels and slopes [unit of the signal].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.intake.recording import FloatArray

SampleArray = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Hysteresis:
    """How far below the threshold a signal must fall before the next crossing counts.

    Attributes
    ----------
    floor, cap : float
        Least and most [unit of the signal].
    share : float
        Share of the local peak-to-peak swing in between.
    """

    floor: float
    share: float
    cap: float

    def at(self, swing: Any) -> Any:
        """Hysteresis [unit of the signal] for a local swing."""
        return np.clip(self.share * swing, self.floor, self.cap)


@dataclass
class Trigger:
    """A crossing of `threshold` upwards, armed again below `threshold` less the hysteresis.

    Feed consecutive blocks to `positions`; the state between blocks is kept.
    """

    threshold: float
    hysteresis: Hysteresis
    _last: float | None = None
    _armed: bool = False
    _start: int = 0

    def positions(self, block: SampleArray, swing: SampleArray) -> FloatArray:
        """Crossings in samples from the start of the first block, fractional; shape (edges,).

        The place between two samples is found by a straight line through them.
        """
        if not block.size:
            return np.empty(0)
        y = block
        low = y < np.float32(self.threshold) - self.hysteresis.at(swing)
        lead = 0
        if self._last is not None:
            lead = 1
            y = np.concatenate((np.array([self._last], dtype=np.float32), y))
            low = np.concatenate(([False], low))
        high = y >= np.float32(self.threshold)
        at = np.flatnonzero(high[1:] & ~high[:-1]) + 1
        # the first crossing after the signal was below the lower level counts, later ones are ripple
        parts = np.concatenate(([0], at + 1))
        parts = parts[parts < low.size]
        fell = np.logical_or.reduceat(low, parts)  # since the crossing before
        fell[0] |= self._armed
        fires = at[fell[: at.size]]
        self._armed = bool(fell[at.size]) if at.size < parts.size else False
        self._last = float(y[-1])
        offset = self._start - lead
        self._start += block.size
        left, right = y[fires - 1].astype(np.float64), y[fires].astype(np.float64)
        return offset + fires - 1 + (self.threshold - left) / (right - left)


def candidates(y: SampleArray, threshold: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """All upward crossings of a level, in samples; the lowest value since the crossing before; the slope.

    A trigger with any hysteresis fires at those whose lowest value lies below the armed level. The slope
    is per sample.
    """
    high = y >= threshold
    at = np.flatnonzero(high[1:] & ~high[:-1]) + 1
    if not at.size:
        return np.empty(0), np.empty(0), np.empty(0)
    lowest = np.minimum.reduceat(y[: int(at[-1])], np.concatenate(([0], at[:-1])))
    left, right = y[at - 1].astype(np.float64), y[at].astype(np.float64)
    return at - 1 + (threshold - left) / (right - left), lowest.astype(np.float64), right - left
