"""Arithmetic on edge times: counters that wrap, rounded times, two edges per tooth.

Columns of a log have shape (rows,).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from misfire.intake.direction import Pulses, direction_pulses
from misfire.intake.recording import FloatArray, Recording

STRETCH = 2_000


def time_step(value: FloatArray) -> float:
    """Resolution of times as they are written or stored, in the unit given; 0 when none is seen.

    The coarsest decimal step of stretches over the whole column, because times written with so many significant
    digits lose them as they grow; or the spacing of single precision, where all values are of that kind.
    """
    starts = np.unique(np.linspace(0, max(value.size - STRETCH, 0), 9).astype(np.int64))
    step = max(decimal_step(value[a : a + STRETCH]) for a in starts.tolist())
    sample = value[:: max(1, value.size // STRETCH)]
    with np.errstate(over="ignore", invalid="ignore"):
        single = sample.astype(np.float32)
    if not np.isfinite(single).all():
        return step
    with np.errstate(over="ignore"):  # a number near the largest one has no next
        spacing = float(np.spacing(np.abs(single).max())) if sample.size else 0.0
    # a text of nine digits holds a single exactly; a finer column does not look like one by chance
    if spacing > 4 * step and np.all(np.abs(single.astype(np.float64) - sample) <= 1e-8 * np.abs(sample)):
        return spacing
    return step


def unwrap(count: FloatArray, bits: int) -> FloatArray:
    """Unwrapped counter values, shape as given: 2**bits is added after every step backwards."""
    turns = np.cumsum(np.diff(count, prepend=count[:1]) < 0)
    return np.asarray(count + turns * 2.0**bits)


def guess_bits(count: FloatArray) -> int | None:
    """Width of a counter that wraps, 16, 24 or 32 bits; None when the steps back are no wraps.

    A wrap is taken for one only where the step that it makes, added up, is no longer than a hundred
    ordinary steps: a log that was pasted together in the wrong order is not mended by it.
    """
    step = np.diff(count)
    ordinary = float(np.median(step[step > 0])) if np.any(step > 0) else 0.0
    for bits in (16, 24, 32):
        size = 2.0**bits
        if count.min() >= 0 and count.max() < size and count.max() > 0.5 * size:
            back = step[step < 0] + size
            return bits if np.all(back <= 100 * ordinary) else None
    return None


def decimal_step(value: FloatArray, limit: int = 200_000) -> float:
    """The step, in the unit given, that all of a sample of the values are multiples of; 0 when there is none.

    Found as the greatest common divisor of the differences at the number of decimals that they are
    written with (at most 12).
    """
    sample = np.unique(value[:limit] - value[0])
    if sample.size < 2:
        return 0.0
    span = float(np.abs(sample).max())
    for digits in range(13):
        scale = 10.0**digits
        if span * scale > 2**53:
            break
        scaled = sample * scale
        whole = np.rint(scaled)
        # what a double of the size of the values leaves open
        slack = 4 * np.spacing(max(float(np.abs(value[:limit]).max()), span)) * scale + 1e-6
        if slack < 0.1 and np.all(np.abs(scaled - whole) <= slack):
            return float(np.gcd.reduce(whole.astype(np.int64))) / scale
    return 0.0


def evenly_spaced(value: FloatArray) -> bool:
    """True when values grow by one constant step within 2 per cent: sample times, not edges of a crank."""
    step = np.diff(value[:200_000])
    if step.size < 100:
        return False
    middle = float(np.median(step))
    return middle > 0 and float(np.max(np.abs(step - middle))) <= 0.02 * middle


def one_edge_per_tooth(recording: Recording, both: bool | None = None) -> Recording:
    """Take one polarity where both edges of every tooth were logged; the recording itself otherwise.

    Both edges are logged when the edges of one parity follow the others at a constant share of the
    period (the tooth's own width), while the gap shows in the other share only. `both` overrules.
    """
    t = recording.crank_s
    if both is False or t.size < 12:
        return recording
    pulses = direction_pulses(t)
    if pulses is not None:
        return without_backward(recording, pulses)
    if both is None and t.size > 4000:
        # a short look first; most logs hold one edge per tooth
        middle = t.size // 4 * 2
        if not _pairs(t[:2000])[0] and not _pairs(t[middle : middle + 2000])[0]:
            return recording
    telling, first, width, share = _pairs(t)
    if not (both or telling):
        return recording
    rise = t[first::2]
    widths = np.full(rise.size, np.nan)
    widths[: width.size] = width
    return replace(
        recording,
        crank_s=np.ascontiguousarray(rise),
        width_s=widths,
        decisions=recording.decisions
        | {"edges": f"two per tooth; one polarity taken, tooth width {100 * share:.0f} % of the pitch"},
        notes=(*recording.notes, "Both edges of every tooth were logged; one polarity is used."),
    )


def without_backward(recording: Recording, pulses: Pulses) -> Recording:
    """The recording with one edge of each pulse, those of teeth that passed backward or once more left out."""
    keep = pulses.onward
    note = "Pulses carry the direction of rotation; one edge of each is used."
    back = int(pulses.backward.sum())
    if back:
        note += f" {back} pulses ran backward: they and the teeth that then passed again are left out."
    return replace(
        recording,
        crank_s=np.ascontiguousarray(pulses.begin_s[keep]),
        width_s=np.ascontiguousarray(pulses.width_s[keep]),
        decisions=recording.decisions
        | {"edges": f"direction-coded pulses of {1e6 * float(np.median(pulses.width_s)):.3g} us forward"},
        notes=(*recording.notes, note),
    )


def _pairs(t: FloatArray) -> tuple[bool, int, FloatArray, float]:
    """Whether edges come in pairs of constant width, which parity begins a pair, the widths, their share."""
    best: tuple[float, int, FloatArray, float, float] | None = None
    for first in (0, 1):
        rise, fall = t[first::2], t[first + 1 :: 2]
        n = min(rise.size - 1, fall.size)
        if n < 5:
            break
        width, period = fall[:n] - rise[:n], np.diff(rise[: n + 1])
        # a tooth keeps its width across the gap, so its width follows the local pitch, not the period
        pitch = _running_median(period, 9)
        share = width / pitch
        middle = float(np.median(share))
        spread = float(np.mean(np.abs(share - middle) > 0.12 * middle))
        if best is None or spread < best[0]:
            best = (spread, first, width, middle, float(np.mean(period > 1.6 * pitch)))
    if best is None:
        return False, 0, np.empty(0), 0.0
    spread, first, width, middle, gaps = best
    return spread < 0.005 and abs(middle - 0.5) > 0.06 and gaps > 0.003, first, width, middle


def _running_median(x: FloatArray, width: int) -> FloatArray:
    """Median over `width` neighbours, same length, ends repeated."""
    half = width // 2
    padded = np.pad(x, half, mode="edge")
    out = np.empty_like(x)
    block = 200_000
    for start in range(0, x.size, block):
        part = padded[start : start + block + width - 1]
        out[start : start + block] = np.median(np.lib.stride_tricks.sliding_window_view(part, width), axis=1)
    return out
