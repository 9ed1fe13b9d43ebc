"""Samples of any origin before edges are taken: kept compact, with the time of every sample."""

from __future__ import annotations

import mmap
import tempfile
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake.recording import FloatArray

RAM_BYTES = 64 << 20
# rows of a list of changes, in which other signals change too, of which so many hold a new level of the crank
CHANGES = 0.3


def let_go(values: Any) -> None:
    """Give the memory of a mapped array's pages back; they are read again where they are needed again."""
    base = values
    while isinstance(base, np.ndarray) and not isinstance(base, np.memmap):
        base = base.base
    pages = getattr(base, "_mmap", None)
    if pages is not None and hasattr(mmap, "MADV_DONTNEED"):
        pages.madvise(mmap.MADV_DONTNEED)


def as_samples(values: Any, source: str, dtype: Any = np.float32) -> Any:
    """Values in a compact type. Raises InputError for one that is too large for it."""
    with np.errstate(over="ignore", invalid="ignore"):
        part = np.ascontiguousarray(values, dtype=dtype)
    if part.dtype.kind == "f" and part.size and not np.isfinite(part).all():
        value = float(np.asarray(values)[int(np.flatnonzero(~np.isfinite(part))[0])])
        raise InputError(f"{source}: a sample of {value:.6g}; no signal has such values, export it again")
    return part


class Store:
    """Values of one signal in order of time; beyond a size they lie in an unnamed temporary file."""

    def __init__(self, source: str, dtype: Any = np.float32) -> None:
        self.source, self.dtype = source, np.dtype(dtype)
        self._parts: list[Any] = []
        self._file: Any = None
        self.size = 0

    def append(self, values: Any) -> None:
        """Add the next values. Raises InputError when there is no room for the working copy."""
        part = as_samples(values, self.source, self.dtype)
        self.size += part.size
        try:
            if self._file is None and self.size * self.dtype.itemsize > RAM_BYTES:
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
        """The whole signal: in memory, or mapped from the temporary file, which is gone with the mapping."""
        if self._file is not None:
            self._file.flush()
            whole = np.memmap(self._file, dtype=self.dtype, mode="r", shape=(self.size,))
            self._file.close()
            self._file, self._parts = None, [whole]
        if len(self._parts) != 1:
            self._parts = [np.concatenate(self._parts) if self._parts else np.empty(0, self.dtype)]
        return self._parts[0]

    def __del__(self) -> None:
        if getattr(self, "_file", None) is not None:
            self._file.close()


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
    listed : bool
        Rows are no samples but the changes of signals of two levels, each at its own time.
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
    unit: str = "V"
    listed: bool = False

    def at(self, position: FloatArray) -> FloatArray:
        """Times [s] at fractional sample numbers."""
        if self.time_s is None:
            return np.asarray(self.start_s + position * self.step_s)
        left = np.minimum(position.astype(np.int64), max(self.time_s.size - 2, 0))
        share = position - left
        a, b = self.time_s[left], self.time_s[left + 1]
        return np.asarray(a + share * (b - a))


def _lists_changes(values: Any) -> bool:
    """True for two values that change from row to row: a sampled signal stays on a level for some samples."""
    head = np.asarray(values[:10_000])
    if head.size < 8 or np.unique(head).size != 2 or np.mean(head[1:] != head[:-1]) < CHANGES:
        return False
    low, high = head.min(), head.max()
    return all(
        bool(np.all((part == low) | (part == high)))
        for part in (values[at : at + (1 << 20)] for at in range(0, values.size, 1 << 20))
    )


def set_times(samples: Samples, time_s: Any) -> None:
    """Turn a time column into start, step and breaks; uneven times are kept as they are.

    Times that follow a straight line within their own rounding are replaced by it, so a rounded time
    column costs no accuracy. Steps above 1.5 intervals are interruptions of the recording.
    """
    n = time_s.size
    if _lists_changes(samples.crank):
        samples.listed, samples.time_s = True, time_s
        return
    if n < 3:
        raise InputError(f"{samples.source}: only {n} samples; record at least two turns of the crank")
    head = np.diff(time_s[: 1 << 20])
    positive = head[head > 0]
    if not positive.size:
        raise InputError(f"{samples.source}: the time never moves; check the time column")
    step = float((time_s[min(n, 1 << 20) - 1] - time_s[0]) / (min(n, 1 << 20) - 1))
    middle = float(np.median(positive))
    rounding = float(positive.min()) if np.any(head <= 0) else 0.0
    step = step if rounding else middle
    breaks: list[int] = []
    worst = 0.0
    for at in range(0, n - 1, 1 << 20):
        d = np.diff(time_s[at : at + (1 << 20) + 1])
        breaks += (np.flatnonzero(d > max(1.6 * step, step + 1.5 * rounding)) + at + 1).tolist()
        let_go(time_s)
    if breaks and len(breaks) <= max(1000, n // 1000):
        samples.breaks = breaks
        samples.time_s = np.asarray(time_s)
        samples.step_s = middle
        samples.notes.append(
            f"The recording is interrupted at {len(breaks)} places; no edge is taken across them."
        )
        return
    slope = float((time_s[-1] - time_s[0]) / (n - 1))
    for at in range(0, n, 1 << 20):
        block = time_s[at : at + (1 << 20)]
        line = time_s[0] + slope * np.arange(at, at + block.size)
        worst = max(worst, float(np.max(np.abs(block - line))))
        let_go(time_s)
    samples.start_s, samples.step_s = float(time_s[0]), slope
    if worst > max(0.6 * slope, 1.5 * rounding):
        samples.time_s = np.asarray(time_s)
        samples.breaks = []
        samples.notes.append("The samples are unevenly spaced in time; their own times are used.")
