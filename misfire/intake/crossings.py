"""Threshold crossings of a sampled signal: a Schmitt trigger, interpolated below one sample, in blocks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from misfire.intake.recording import FloatArray

SampleArray = npt.NDArray[np.float32]


@dataclass
class Trigger:
    """A crossing of `threshold` upwards in `sign` * signal, armed again below `threshold - hysteresis`.

    Feed consecutive blocks to `positions`; the state between blocks is kept.

    Attributes
    ----------
    threshold, hysteresis : float
        In the signal's own unit, after multiplication with `sign`.
    sign : int
        +1 for rising, -1 for falling crossings of the signal as it was recorded.
    """

    threshold: float
    hysteresis: float
    sign: int
    _last: float | None = None
    _armed: bool = False
    _start: int = 0
    _rises: list[float] = field(default_factory=list)

    def positions(self, block: SampleArray) -> FloatArray:
        """Crossings in samples from the start of the first block, fractional; shape (edges,).

        The place between two samples is found by a straight line through them.
        """
        y = self.sign * block.astype(np.float64)
        if self._last is not None:
            y = np.concatenate(([self._last], y))
            offset = self._start - 1
        else:
            offset = self._start
        low = y < self.threshold - self.hysteresis
        high = y >= self.threshold
        at = np.flatnonzero(high[1:] & ~high[:-1]) + 1
        # the first crossing after the signal was below the lower level counts, later ones are ripple
        armings = np.cumsum(low)
        seen = armings[at] if at.size else np.empty(0, dtype=np.int64)
        before = (
            np.concatenate(([0 if self._last is None or not self._armed else -1], seen[:-1]))
            if at.size
            else seen
        )
        at = at[seen > before]
        if y.size:
            self._armed = bool(armings[-1] > (seen[-1] if seen.size else (-1 if self._armed else 0)))
            self._last = float(y[-1])
        self._start += block.size
        left, right = y[at - 1], y[at]
        return offset + at - 1 + (self.threshold - left) / (right - left)


def candidates(y: SampleArray, threshold: float) -> tuple[FloatArray, FloatArray]:
    """All upward crossings of a level, in samples, and the lowest value since the crossing before each.

    A trigger with any hysteresis fires at those whose lowest value lies below the armed level.
    """
    high = y >= threshold
    at = np.flatnonzero(high[1:] & ~high[:-1]) + 1
    if not at.size:
        return np.empty(0), np.empty(0)
    lowest = np.minimum.reduceat(y[: int(at[-1])], np.concatenate(([0], at[:-1])))
    left, right = y[at - 1].astype(np.float64), y[at].astype(np.float64)
    return at - 1 + (threshold - left) / (right - left), lowest.astype(np.float64)


def crossings(x: SampleArray, threshold: float, hysteresis: float, sign: int) -> FloatArray:
    """All crossings of one array, in samples; see `Trigger`. `threshold` is in the signal's own unit."""
    return Trigger(sign * threshold, hysteresis, sign).positions(x)
