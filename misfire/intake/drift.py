"""A sampled signal and what moves slowly in it: drift of both ends, the local swing, single-sample spikes.

Samples and their local swing have shape (samples,).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.intake.crossings import SampleArray
from misfire.intake.recording import FloatArray
from misfire.intake.samples import let_go

BoolArray = npt.NDArray[np.bool_]
# A window holds some teeth at 200 rpm and is short against a change of speed.
BLOCK_S = 0.02
# drift below this share of the signal's swing leaves room for a threshold, and is left alone
TOLERATED = 0.12
# a single sample that stands out by this share of the local swing between two that agree is a spike
SPIKE, AGREE = 0.45, 0.12
# standard deviations of the noise: a local swing below this is no signal (an engine that stands), noise no spike
QUIET = 16.0
# more spikes than this share of the teeth are teeth themselves, as short as one sample, which come to 1
RARE = 0.4
# beyond the local ends by this share of the local swing a signal is a burst from elsewhere; a spark rings so long
OUTSIDE, RINGS_S = 0.35, 1e-4
# a burst inside the ends shows by its steps from sample to sample: so many times the signal's own steepest, and
# at least this share of the swing
STEEPER, LEAP = 2.5, 0.15


@dataclass(frozen=True)
class Signal:
    """Values of a signal, in memory or mapped from disk, with its slow properties.

    Attributes
    ----------
    values : array, shape (samples,)
    centres, swing, shift : array, shape (blocks,)
        Sample numbers, and there the local peak-to-peak swing and the baseline [unit of values].
    despike : bool
        Whether `block` replaces single-sample spikes by the mean of their neighbours, and bridges bursts.
    low, high : array, shape (blocks,) or None
        The local ends of the signal, baseline taken out; what lies far outside is a burst (a spark).
    around : int
        Samples before a burst that are bridged with it, at most an eighth of a pitch; after it an eighth is.
    pitch : array, shape (blocks,) or None
        Samples from tooth to tooth, roughly; a burst that would bridge more than 0.4 of it is left alone.
    steep : array, shape (blocks,) or None
        The steepest step from sample to sample that belongs to the signal there; None: steps tell nothing.
    """

    values: Any
    centres: FloatArray
    swing: FloatArray
    shift: FloatArray
    despike: bool = False
    low: FloatArray | None = None
    high: FloatArray | None = None
    around: int = 1
    pitch: FloatArray | None = None
    steep: FloatArray | None = None

    @property
    def size(self) -> int:
        """Number of samples."""
        return int(self.values.size)

    def block(self, begin: int, end: int) -> tuple[SampleArray, SampleArray]:
        """Samples begin to end, baseline and spikes taken out, and the local swing at each."""
        y = np.asarray(self.values[begin:end], dtype=np.float32)
        if self.shift.any():
            y = y - self.along(self.shift, begin, end)
        swing = self.along(self.swing, begin, end)
        if self.despike and y.size > 2:
            burst = self.bursts(y, swing, begin)
            if 0 < np.count_nonzero(burst) < 0.1 * y.size:
                y = y.copy()
                clean = np.flatnonzero(~burst)
                y[burst] = np.interp(np.flatnonzero(burst), clean, y[clean])
            found = spikes(y, swing)
            if found.size:
                y = y.copy()
                y[found] = 0.5 * (y[found - 1] + y[found + 1])
        return y, swing

    def along(self, knots: FloatArray, begin: int, end: int) -> SampleArray:
        """A slow property at the samples begin to end, by straight lines between the blocks' centres."""
        if self.centres.size < 2:
            return np.full(end - begin, knots[0], dtype=np.float32)
        # the centres stand in equal steps: whole blocks at once, where a search for each sample takes ten times as long
        first, step = float(self.centres[0]), float(self.centres[1] - self.centres[0])
        size = int(step)
        lo, hi = (int(np.floor((at - first) / step)) for at in (begin, end - 1))
        here = np.clip(np.arange(lo, hi + 2), 0, knots.size - 1)
        slope = np.diff(knots[here]).astype(np.float32)
        inside = (np.arange(size, dtype=np.float32) + np.float32(np.ceil(first) - first)) / np.float32(step)
        rows = knots[here[:-1]].astype(np.float32)[:, None] + slope[:, None] * inside
        skip = begin - (lo * size + int(np.ceil(first)))
        return np.asarray(rows.ravel()[skip : skip + end - begin])

    def bursts(self, y: SampleArray, swing: SampleArray, begin: int) -> BoolArray:
        """True for the samples of bursts in y, which starts at sample `begin`, and for those close around them."""
        if self.low is None or self.high is None or self.pitch is None:
            return np.zeros(y.size, dtype=bool)
        at = np.arange(y.size) + begin
        out = y > np.interp(at, self.centres, self.high) + OUTSIDE * swing
        out |= y < np.interp(at, self.centres, self.low) - OUTSIDE * swing
        pitch = np.interp(at, self.centres, self.pitch)
        found = self._bridged(out, pitch)
        if self.steep is not None:
            usual = np.maximum(STEEPER * np.interp(at[1:], self.centres, self.steep), LEAP * swing[1:])
            out[1:] |= np.abs(np.diff(y)) > usual
            # where the whole of a burst is too long, what lies outside the ends may not be
            found = found | self._bridged(out, pitch)
        return found

    def _bridged(self, out: BoolArray, pitch: FloatArray) -> BoolArray:
        """Samples of bursts and those close around them; none of a burst that is too long to be bridged."""
        if not out.any():
            return np.zeros(out.size, dtype=bool)
        index = np.arange(out.size)
        # a large spark rings on after it has come back inside the ends: beside a slow tooth that is seen too
        after = (pitch / 8).astype(np.int64)
        before = np.minimum(self.around, after)
        near = np.concatenate(([0], np.cumsum(out)))
        out = near[np.minimum(index + before + 1, out.size)] > near[np.maximum(index - after, 0)]
        edges = np.flatnonzero(np.diff(np.concatenate(([False], out, [False])).astype(np.int8))).reshape(
            -1, 2
        )
        for lo, hi in edges[edges[:, 1] - edges[:, 0] > 0.4 * pitch[edges[:, 0]]].tolist():
            out[lo:hi] = False
        return np.asarray(out)


def spikes(y: SampleArray, swing: SampleArray) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Indices of single samples far outside two neighbours that agree with each other."""
    left, mid, right = y[:-2], y[1:-1], y[2:]
    s = swing[1:-1]
    out = (np.abs(left - right) < AGREE * s) & (np.abs(mid - 0.5 * (left + right)) > SPIKE * s)
    return np.flatnonzero(out) + 1


def look(values: Any, step_s: float, *, keep_level: bool = False) -> tuple[Signal, float]:
    """Measure drift and local swing of a signal.

    The ends are the 2nd and 98th percentile in windows of 20 ms. Only a move of both ends in the same
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
    lows, highs, teeth, steps = (np.empty(count) for _ in range(4))
    per = max(1, (1 << 20) // size)
    for first in range(0, count, per):
        last = min(first + per, count)
        rows = np.asarray(values[first * size : last * size], dtype=np.float32).reshape(last - first, size)
        # some hundred samples are enough for a percentile
        every = max(1, size // 700)
        steps[first:last] = np.percentile(np.abs(rows[:, 1::every] - rows[:, : size - 1 : every]), 98, axis=1)
        rows = rows[:, ::every]
        lows[first:last], highs[first:last] = np.percentile(rows, (2, 98), axis=1)
        above = rows > 0.5 * (lows[first:last] + highs[first:last])[:, None]
        teeth[first:last] = np.count_nonzero(above[:, 1:] & ~above[:, :-1], axis=1)
        let_go(values)
    # the middle of five windows, so neither one in a gap nor one with a spark moves it, and a step stays one
    top, bottom = np.median(_neighbours(highs, 2), axis=1), np.median(_neighbours(lows, 2), axis=1)
    swing = top - bottom
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
    pitch = size / np.maximum(np.median(_neighbours(teeth, 2), axis=1), 0.5)
    steep = np.median(_neighbours(steps, 2), axis=1)
    around = max(1, round(RINGS_S / step_s)) if step_s > 0 else 1
    ends = bottom - common, top - common
    return Signal(values, centres, swing, common, False, *ends, around, pitch, steep), reach


def _symmetric(values: Any) -> bool:
    """True when no end of the signal is flat: neither clipped nor switching between two levels."""
    n = int(values.size)
    parts = [np.asarray(values[a : a + 20_000]) for a in np.linspace(0, max(n - 20_000, 0), 8).astype(int)]
    y = np.concatenate(parts)
    low, high = float(y.min()), float(y.max())
    near = 0.005 * (high - low)
    return bool(np.mean(y < low + near) < 0.01 and np.mean(y > high - near) < 0.01)


def _neighbours(x: FloatArray, reach: int = 1) -> FloatArray:
    return np.lib.stride_tricks.sliding_window_view(np.pad(x, reach, mode="edge"), 2 * reach + 1)


def without_spikes(
    signal: Signal, spans: list[tuple[int, int]], teeth: int, noise: float, *, two_level: bool
) -> tuple[Signal, int]:
    """Switch spike removal on where spikes are rare against teeth; returns the spikes seen in the spans.

    `teeth` in the spans, `noise` [unit of the signal]: where it swings no more than that, nothing stands out. The edges
    of a signal of `two_level` are steep themselves, and so may be narrow teeth: their steps tell nothing.
    """
    signal = replace(signal, swing=np.maximum(signal.swing, QUIET * noise))
    for tried in (signal, replace(signal, steep=None)):
        if tried.steep is None or not two_level:
            found = _spikes_seen(tried, spans)
            if 0 < found <= RARE * teeth:
                return replace(tried, despike=True), found
    return replace(signal, steep=None), 0


def _spikes_seen(signal: Signal, spans: list[tuple[int, int]]) -> int:
    found = 0
    for begin, end in spans:
        y, swing = signal.block(begin, end)
        if y.size > 2:
            burst = signal.bursts(y, swing, begin)
            found += int(np.count_nonzero(np.diff(burst.astype(np.int8)) > 0))
            found += int(np.count_nonzero(~burst[spikes(y, swing)]))
    return found
