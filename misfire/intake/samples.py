"""Sampled signals of any origin become edges: kept compact, decided on stretches, triggered in blocks."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake.crossings import SampleArray, Trigger
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.threshold import Choice, Levels, choose, survey

RAM_BYTES = 160 << 20
BLOCK = 1 << 20
STRETCHES, STRETCH = 12, 60_000


class Store:
    """Values of one signal in order of time; beyond a size they lie in an unnamed temporary file."""

    def __init__(self, source: str, dtype: Any = np.float32, ram_bytes: int = RAM_BYTES) -> None:
        self.source, self.dtype, self.ram_bytes = source, np.dtype(dtype), ram_bytes
        self._parts: list[Any] = []
        self._file: Any = None
        self.size = 0

    def append(self, values: Any) -> None:
        part = np.ascontiguousarray(values, dtype=self.dtype)
        self.size += part.size
        try:
            if self._file is None and self.size * self.dtype.itemsize > self.ram_bytes:
                self._file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the store
                for old in self._parts:
                    self._file.write(old.tobytes())
                self._parts = []
            if self._file is not None:
                self._file.write(part.tobytes())
            else:
                self._parts.append(part)
        except OSError as e:
            raise InputError(
                f"{self.source}: no room for the working copy of the signal ({e.strerror})"
            ) from None

    def array(self) -> Any:
        """The whole signal: in memory, or mapped from the temporary file."""
        if self._file is not None:
            self._file.flush()
            return np.memmap(self._file, dtype=self.dtype, mode="r", shape=(self.size,))
        if len(self._parts) != 1:
            self._parts = [np.concatenate(self._parts) if self._parts else np.empty(0, self.dtype)]
        return self._parts[0]


@dataclass
class Samples:
    """A sampled log before edges are taken.

    Attributes
    ----------
    source : str
    start_s, step_s : float
        Time [s] of the first sample and sampling interval [s]; used where `time_s` is None.
    crank, cam, cylinder1 : array or None, shape (samples,)
        Signals [V, or the file's own unit].
    time_s : array or None, shape (samples,)
        Times [s] of unevenly spaced samples.
    breaks : list of int
        Sample numbers at which the recording starts again after an interruption.
    """

    source: str
    start_s: float
    step_s: float
    crank: Any
    cam: Any = None
    cylinder1: Any = None
    time_s: Any = None
    breaks: list[int] = field(default_factory=list)
    decisions: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def at(self, position: FloatArray) -> FloatArray:
        """Times [s] at fractional sample numbers."""
        if self.time_s is None:
            return np.asarray(self.start_s + position * self.step_s)
        left = np.minimum(position.astype(np.int64), max(self.time_s.size - 2, 0))
        share = position - left
        a, b = self.time_s[left], self.time_s[left + 1]
        return np.asarray(a + share * (b - a))


def stretches(signal: SampleArray, breaks: list[int] | None = None) -> list[SampleArray]:
    """Evenly spread stretches of a long signal, the whole of a short one."""
    if signal.size <= STRETCHES * STRETCH:
        whole = [np.asarray(signal)]
    else:
        starts = np.linspace(0, signal.size - STRETCH, STRETCHES).astype(np.int64)
        whole = [np.asarray(signal[s : s + STRETCH]) for s in starts]
    return whole


def trigger(
    signal: SampleArray, threshold: float, hysteresis: float, sign: int, breaks: list[int]
) -> FloatArray:
    """Crossings [samples] of a whole signal, block by block; none is made up across a break."""
    bounds = [0, *breaks, signal.size]
    out: list[FloatArray] = []
    for begin, end in zip(bounds[:-1], bounds[1:], strict=True):
        t = Trigger(sign * threshold, hysteresis, sign)
        for at in range(begin, end, BLOCK):
            out.append(t.positions(np.asarray(signal[at : min(at + BLOCK, end)])) + begin)
    return np.concatenate(out) if out else np.empty(0)


def to_recording(samples: Samples, options: ReadOptions) -> Recording:
    """Edges of the crank, cam and cylinder-1 signals of a sampled log. Raises InputError."""
    decisions, notes = dict(samples.decisions), list(samples.notes)
    crank = samples.crank
    if crank.size < 3:
        raise InputError(
            f"{samples.source}: only {crank.size} samples; record at least two turns of the crank"
        )
    parts = stretches(crank)
    choice, levels, _ = choose(
        parts, threshold=options.threshold_v, edge=options.edge or None, source=samples.source
    )
    position = trigger(crank, choice.threshold, choice.hysteresis, choice.sign, samples.breaks)
    if position.size < 2:
        raise InputError(
            f"{samples.source}: no crank edge at threshold {choice.threshold:g} V; check the channel"
        )
    crank_s = samples.at(position)
    error = edge_error(crank, position, levels, choice)
    step = samples.step_s
    decisions |= {
        "threshold": f"{choice.threshold:.4g} V" + (" (given)" if options.threshold_v is not None else ""),
        "hysteresis": f"{choice.hysteresis:.3g} V",
        "edge": choice.edge + (" (given)" if options.edge else ""),
        "signal": f"{levels.low:.3g} to {levels.high:.3g} V, noise {levels.noise:.2g} V"
        + (", two levels (Hall or digital)" if levels.two_level else ""),
        "sampling": f"{1 / step:.6g} Hz" if step > 0 else "uneven",
    }
    extra: dict[str, FloatArray | None] = {"cam": None, "cylinder1": None}
    for name in extra:
        signal = getattr(samples, name)
        if signal is not None:
            found = pulses(signal, samples.breaks)
            if found is None:
                notes.append(f"The {name} signal never moves; it is not used.")
                continue
            extra[name] = samples.at(found[0])
            decisions[f"{name} threshold"] = f"{found[1]:.4g} V, rising"
    return Recording(
        source=samples.source,
        crank_s=crank_s,
        cam_s=extra["cam"],
        cylinder1_s=extra["cylinder1"],
        clock_step_s=error * step,
        decisions=decisions,
        notes=tuple(notes),
    )


def edge_error(signal: SampleArray, position: FloatArray, levels: Levels, choice: Choice) -> float:
    """Step [samples] of a clock whose rounding would disturb the edges as much as sampling and noise do.

    The clock's rounding has a standard deviation of step / sqrt(12). Two parts are added in squares: the
    noise over the slope at the crossing, and the straight line's own error, for which a quarter of the
    difference between the line's and the neighbours' slopes stands; where the whole flank lies between
    two samples the place inside the interval is unknown and the part becomes one sample.
    """
    pick = position[:: max(1, position.size // 2000)]
    i = np.clip(pick.astype(np.int64), 1, signal.size - 3)
    y = [np.asarray(signal[i + k], dtype=float) for k in (-1, 0, 1, 2)]
    slope = np.abs(y[2] - y[1])
    slope = np.maximum(slope, 1e-12)
    line = np.abs((y[2] - y[1]) - 0.5 * (y[3] - y[0] - (y[2] - y[1]))) / slope / 4
    step = np.minimum(line, 1.0)
    noise = levels.noise / slope * np.sqrt(12.0)
    return float(np.sqrt(np.median(step**2 + noise**2)))


def pulses(signal: SampleArray, breaks: list[int]) -> tuple[FloatArray, float] | None:
    """Rising crossings [samples] of a cam signal or an ignition mark at half its height, and that height.

    None when the signal never moves. Rare short pulses count, so the extremes are the outermost values
    that occur five times.
    """
    n = signal.size
    if n < 3:
        return None
    low, high = _extremes(signal)
    middle = float(np.median(np.concatenate(stretches(signal))))
    noise = survey(np.concatenate(stretches(signal))).noise
    if high - low < 12 * noise or high <= low:
        return None
    # the pulse is whatever lies farther from where the signal rests
    sign = 1 if high - middle >= middle - low else -1
    level = 0.5 * (low + high)
    found = trigger(
        signal, level, 0.25 * (high - low), 1 if high - low < 1.2 * abs(high - middle) else sign, breaks
    )
    return (found, level) if found.size else None


def _extremes(signal: SampleArray) -> tuple[float, float]:
    low: list[float] = []
    high: list[float] = []
    for at in range(0, signal.size, BLOCK):
        block = np.asarray(signal[at : at + BLOCK])
        k = min(5, block.size)
        low += np.partition(block, k - 1)[:k].tolist()
        high += np.partition(block, block.size - k)[-k:].tolist()
    k = min(5, len(low)) - 1
    return float(sorted(low)[k]), float(sorted(high)[-1 - k])


def name_of(path: Path) -> str:
    return str(path)
