"""Edges of sampled signals: threshold decided on stretches, then triggered in blocks over the whole.

Samples have shape (samples,), positions and times of edges shape (edges,).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake import progress
from misfire.intake.crossings import Hysteresis, Trigger
from misfire.intake.drift import Signal, look, without_spikes
from misfire.intake.levels import level_times, with_edges
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.samples import Samples, let_go
from misfire.intake.threshold import Choice, Levels, Part, choose, survey
from misfire.intake.times import time_step

BLOCK = 1 << 20
STRETCHES, STRETCH = 8, 50_000
UNLIKE = (
    0.02  # share of edges unlike those of other turns from which on it is said (tests/intake/test_start.py)
)


def spans(size: int) -> list[tuple[int, int]]:
    """Begin and end of evenly spread stretches of a long signal, or of the whole of a short one."""
    if size <= STRETCHES * STRETCH:
        return [(0, size)]
    starts = np.linspace(0, size - STRETCH, STRETCHES).astype(np.int64)
    return [(int(s), int(s) + STRETCH) for s in starts]


def stretches(signal: Signal) -> list[Part]:
    """Evenly spread stretches of a long signal, the whole of a short one, with the local swing."""
    return [signal.block(a, b) for a, b in spans(signal.size)]


def trigger(
    signal: Signal, threshold: float, hysteresis: Hysteresis, sign: int, breaks: list[int]
) -> FloatArray:
    """Crossings [samples] of a whole signal, block by block; none is made up across a break."""
    # grown in place, so that the edges of a long log are in memory once
    out, used = np.empty(1 << 16), 0
    for begin, end in pairwise([0, *breaks, signal.size]):
        t = Trigger(sign * threshold, hysteresis)
        for at in range(begin, end, BLOCK):
            progress.step("finding edges", at / max(signal.size, 1))
            y, swing = signal.block(at, min(at + BLOCK, end))
            found = t.positions(y if sign > 0 else -y, swing)
            if used + found.size > out.size:
                out.resize(5 * (used + found.size) // 4, refcheck=False)
            out[used : used + found.size] = found + begin
            used += found.size
            let_go(signal.values)
    out.resize(used, refcheck=False)
    return out


def to_recording(samples: Samples, options: ReadOptions) -> Recording:
    """Edges of the crank, cam and cylinder-1 signals of a sampled log. Raises InputError."""
    if samples.listed:
        return _listed(samples, options)
    decisions, notes = dict(samples.decisions), list(samples.notes)
    unit = f" {samples.unit}" if samples.unit else ""
    if samples.crank.size < 3:
        raise InputError(
            f"{samples.source}: only {samples.crank.size} samples; record at least two turns of the crank"
        )
    # a threshold that was given is meant for the signal as it was recorded
    crank, drift = look(samples.crank, samples.step_s, keep_level=options.threshold_v is not None)
    if drift > 0:
        notes.append(
            f"The crank signal drifts by {drift:.3g}{unit}; the drift was taken out before triggering."
        )
    parts = stretches(crank)
    both = options.edge == "both"
    edge = None if both else options.edge or None
    choice, levels = choose(parts, threshold=options.threshold_v, edge=edge, source=samples.source)
    crank, spikes = without_spikes(
        crank, spans(crank.size), choice.edges, levels.noise, two_level=levels.two_level
    )
    if spikes:
        notes.append(
            f"{spikes} single-sample spike{'s' if spikes > 1 else ''} in the {len(parts)} stretch"
            f"{'es' if len(parts) > 1 else ''} looked at; such spikes are passed over."
        )
        choice, levels = choose(
            stretches(crank), threshold=options.threshold_v, edge=edge, source=samples.source
        )
    if choice.unlike > UNLIKE:
        notes.append(
            f"{100 * choice.unlike:.0f} % of the crank's edges do not stand where those of other turns do: ringing, interference "
            "or a weak signal. Check plug, shield and air gap and record again; --threshold and --edge may help."
        )
    position = trigger(crank, choice.threshold, choice.hysteresis, choice.sign, samples.breaks)
    if both:
        other = trigger(crank, choice.threshold, choice.mirrored(levels), -choice.sign, samples.breaks)
        position = np.sort(np.concatenate((position, other)))
    if position.size < 2:
        raise InputError(
            f"{samples.source}: no crank edge at threshold {choice.threshold:g}{unit}; check the channel"
        )
    error = edge_error(samples.crank, position, levels)
    # in place: of a long log the edges are what fills the memory
    for at in range(0, position.size, BLOCK):
        position[at : at + BLOCK] = samples.at(position[at : at + BLOCK])
    crank_s = strictly_growing(position)
    step = samples.step_s
    given = " (given)"
    decisions |= {
        "threshold": f"{choice.threshold:.4g}{unit}" + (given if options.threshold_v is not None else ""),
        "hysteresis": f"{float(choice.hysteresis.at(np.median(crank.swing))):.3g}{unit}"
        + (f" ({100 * choice.hysteresis.share:.0f} % of the local swing)" if choice.hysteresis.share else ""),
        "edge": ("both" if both else choice.edge) + (given if options.edge else ""),
        "polarity": "both edges are kept" if both else polarity(choice, levels),
        "signal": f"{levels.low:.3g} to {levels.high:.3g}{unit}, noise {levels.noise:.2g}{unit}"
        + (", two levels (Hall or digital)" if levels.two_level else ""),
        "sampling": f"{1 / step:.6g} Hz" if samples.time_s is None else f"about {1 / step:.6g} Hz, uneven",
    }
    extra: dict[str, FloatArray | None] = {"cam": None, "cylinder1": None}
    for name in extra:
        values = getattr(samples, name)
        if values is None:
            continue
        found = pulses(values, samples.breaks)
        if found is None:
            notes.append(f"The {name} signal never moves; it is not used.")
            continue
        extra[name] = strictly_growing(samples.at(found[0]))
        decisions[f"{name} threshold"] = f"{found[1]:.4g}{unit}, {found[2]}"
    return Recording(
        source=samples.source,
        crank_s=crank_s,
        cam_s=extra["cam"],
        cylinder1_s=extra["cylinder1"],
        clock_step_s=error * step,
        decisions=decisions,
        notes=tuple(notes),
    )


def _listed(samples: Samples, options: ReadOptions) -> Recording:
    """Edges of signals that are given by their changes."""
    rise, fall = level_times(samples.crank, samples.time_s)
    if rise.size < 2 and fall.size < 2:
        raise InputError(f"{samples.source}: no crank edge: the signal changes fewer than twice")
    extra = {
        name: level_times(values, samples.time_s)[0]
        for name in ("cam", "cylinder1")
        if (values := getattr(samples, name)) is not None
    }
    cam, mark = (extra[n] if n in extra and extra[n].size else None for n in ("cam", "cylinder1"))
    recording = Recording(
        source=samples.source,
        crank_s=np.empty(0),
        cam_s=cam,
        cylinder1_s=mark,
        clock_step_s=time_step(np.asarray(samples.time_s)),
        decisions=samples.decisions | {"signal": "two levels, every row a change"},
        notes=tuple(samples.notes),
    )
    return with_edges(recording, strictly_growing(rise), strictly_growing(fall), options)


def polarity(choice: Choice, levels: Levels) -> str:
    """How the edge was found, in words for the reader of the result."""
    if choice.gap > 0.5:
        return f"{choice.edge} edge shows the gap as one interval of about {choice.gap + 1:.1f} pitches"
    return (
        f"{choice.edge} edge, no gap seen"
        if choice.teeth
        else f"{choice.edge} edge, too few turns to compare"
    )


def strictly_growing(time_s: FloatArray) -> FloatArray:
    """Drop times that do not grow (crossings between two samples of the same time)."""
    if all(
        np.all(time_s[at + 1 : at + BLOCK + 1] > time_s[at : at + BLOCK][: time_s.size - at - 1])
        for at in range(0, time_s.size, BLOCK)
    ):
        return time_s
    return np.asarray(time_s[np.diff(time_s, prepend=-np.inf) > 0])


def edge_error(values: Any, position: FloatArray, levels: Levels) -> float:
    """Step [samples] of a clock whose rounding would disturb the edges as much as sampling and noise do.

    The clock's rounding has a standard deviation of step / sqrt(12). Added in squares: the noise over the
    slope at the crossing; the straight line's error from the curvature (at most an eighth of the second
    difference over the slope) and from the change of slope; and one sample where the whole flank lies
    between two samples, so that the place inside the interval is unknown.
    """
    pick = position[:: max(1, position.size // 2000)]
    i = np.clip(pick.astype(np.int64), 1, max(values.size - 3, 1))
    y = np.empty((4, i.size))
    # each look into a mapped file brings many pages in around it, so they go again every few looks
    for at in range(0, i.size, 100):
        near = i[at : at + 100] + np.arange(-1, 3)[:, None]
        y[:, at : at + 100] = values[np.minimum(near, values.size - 1)]
        let_go(values)
    rise = y[2] - y[1]
    slope = np.maximum(np.abs(rise), 1e-12)
    bend = np.minimum(np.abs(y[0] - y[1] - y[2] + y[3]) / (2 * slope), 1.0)
    change = np.minimum(np.abs(rise - 0.5 * (y[1] - y[0] + y[3] - y[2])) / slope, 1.0)
    noise = levels.noise / slope
    # rms over the place in the interval: sqrt(2/15) of the largest for the bend, taken likewise for the rest
    error = np.sqrt((0.365 * bend / 8) ** 2 + (0.2887 * change**2) ** 2 + noise**2)
    return float(min(np.sqrt(12.0 * np.median(error**2)), 1.0))


def pulses(values: Any, breaks: list[int]) -> tuple[FloatArray, float, str] | None:
    """Edges [samples] of a cam signal or an ignition mark at half its height, that height, and which edge.

    None when the signal never moves. Rare short pulses count, so the extremes are the outermost values
    that occur five times. The edge is the beginning of the pulse: the flank away from where the signal rests.
    """
    n = int(values.size)
    if n < 3:
        return None
    low, high = _extremes(values)
    one = np.zeros(1)
    signal = Signal(values, one, one + (high - low), one)
    sample = np.concatenate([y for y, _ in stretches(signal)])
    looks = survey(sample)
    if high <= low or high - low < 12 * looks.noise:
        return None
    middle = float(np.median(sample))
    # a signal that rests nearly at its upper end carries pulses downwards
    sign = -1 if middle - low > 3 * (high - middle) and not looks.two_level else 1
    level = 0.5 * (low + high) if looks.two_level else middle + 0.5 * ((high if sign > 0 else low) - middle)
    depth = 0.25 * abs((high if sign > 0 else low) - level)
    found = trigger(signal, level, Hysteresis(depth, 0.0, depth), sign, breaks)
    return (found, level, "rising" if sign > 0 else "falling") if found.size else None


def _extremes(values: Any) -> tuple[float, float]:
    low: list[float] = []
    high: list[float] = []
    for at in range(0, int(values.size), BLOCK):
        block = np.asarray(values[at : at + BLOCK])
        k = min(5, block.size)
        low += np.partition(block, k - 1)[:k].tolist()
        high += np.partition(block, block.size - k)[-k:].tolist()
        let_go(values)
    k = min(5, len(low)) - 1
    return float(sorted(low)[k]), float(sorted(high)[-1 - k])
