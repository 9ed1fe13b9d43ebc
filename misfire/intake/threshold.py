"""Choose threshold, hysteresis and edge of a crank signal from the signal itself.

The signal is tried at a grid of levels, hystereses and both edges. What a wheel looks like decides: the
sequence of tooth intervals, each relative to its neighbours, must come back turn after turn. Among the
settings whose sequence repeats, the one that sees most teeth wins (a weak tooth beside the gap is lost
at a level that is too high), then the edge that shows the gap as one long interval, not as two (through
the middle of a variable-reluctance gap the other edge floats), then the middle of the levels that agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from misfire.errors import InputError
from misfire.intake.crossings import SampleArray, candidates
from misfire.intake.recording import FloatArray

LEVELS = (
    0.03,
    0.045,
    0.06,
    0.08,
    0.1,
    0.15,
    0.2,
    0.27,
    0.35,
    0.42,
    0.5,
    0.58,
    0.65,
    0.73,
    0.8,
    0.85,
    0.9,
    0.94,
    0.97,
)
HYSTERESES = (0.0, 0.03, 0.1, 0.25)
MAX_TEETH = 250
# an interval that differs by more from the one a turn earlier is a mismatch (natural log of the ratio)
MISMATCH = 0.18


@dataclass(frozen=True)
class Choice:
    """A trigger setting and how well it does.

    Attributes
    ----------
    threshold, hysteresis : float
        In the unit of the signal.
    sign : int
        +1 rising, -1 falling.
    edges : int
        Edges found in the sample of the signal.
    teeth : int
        Intervals after which the sequence comes back; 0 when none was found.
    mismatch : float
        Intervals in a turn that differ from those a turn earlier.
    gap : float
        Weighted length of the long intervals, in pitches above one.
    jitter : float
        Median relative difference of an interval from the one a turn earlier.
    """

    threshold: float
    hysteresis: float
    sign: int
    edges: int
    teeth: int
    mismatch: float
    gap: float
    jitter: float
    shortest: float = 1.0

    @property
    def edge(self) -> str:
        return "rising" if self.sign > 0 else "falling"


@dataclass(frozen=True)
class Levels:
    """What the signal's values look like: plateaus, noise, kind."""

    low: float
    high: float
    noise: float
    two_level: bool

    @property
    def span(self) -> float:
        return self.high - self.low


def survey(x: SampleArray) -> Levels:
    """Levels [unit of x] of a signal: its extremes without spikes, its white noise, and whether it has two levels.

    The noise is the standard deviation that the quietest fifth of the second differences shows
    (for white noise their standard deviation is sqrt(6) times the noise's), or a third of the
    quantisation step where that is larger.
    """
    y = x.astype(np.float64)
    low, high = (float(v) for v in np.percentile(y, (0.5, 99.5)))
    if high <= low:
        low, high = float(y.min()), float(y.max())
    second = np.abs(np.diff(y, 2))
    # the lower fifth of |N(0, s)| ends at 0.2533 s
    noise = float(np.percentile(second, 20)) / 0.2533 / np.sqrt(6.0) if second.size else 0.0
    values = np.unique(x[: 1 << 16])
    step = float(np.min(np.diff(values))) if values.size > 1 else 0.0
    span = high - low
    near = np.mean((np.abs(y - low) < 0.1 * span) | (np.abs(y - high) < 0.1 * span)) if span > 0 else 1.0
    noise = min(max(noise, step / 3.0 if step < 0.05 * span else 0.0), 0.1 * span)
    return Levels(low, high, noise, bool(near > 0.85))


def relative_intervals(position: FloatArray) -> FloatArray:
    """Natural log of each interval over the median of its 15 neighbours; shape (edges - 1,)."""
    d = np.maximum(np.diff(position), 1e-12)
    if d.size < 3:
        return np.zeros(d.size)
    width = min(15, d.size if d.size % 2 else d.size - 1)
    padded = np.pad(d, width // 2, mode="reflect") if d.size > width else np.pad(d, width // 2, mode="edge")
    local = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.asarray(np.log(d / local))


def judge(parts: list[FloatArray], threshold: float, hysteresis: float, sign: int) -> Choice:
    """How well edges (positions in samples, one array a stretch of the signal) repeat turn after turn."""
    logs = [relative_intervals(p)[:3000] for p in parts if p.size > 3]
    edges = int(sum(p.size for p in parts))
    if not logs or max(r.size for r in logs) < 6:
        return Choice(threshold, hysteresis, sign, edges, 0, 99.0, 0.0, 1.0)
    flat = np.concatenate(logs)
    ratio = np.exp(flat)
    excess = np.maximum(ratio[ratio > 1.3] - 1.0, 0.0)
    gap = float(np.sum(excess**2) / np.sum(excess)) if excess.size else 0.0
    shortest = float(np.percentile(ratio, 1))
    best = (99.0, 0)
    for n in _periods(logs):
        wrong = float(np.mean(_turn_differences(logs, n) > MISMATCH)) * max(n, 12)
        if wrong < best[0] - 0.02:
            best = (wrong, n)
    jitter = float(np.median(_turn_differences(logs, best[1]))) if best[1] else 1.0
    return Choice(threshold, hysteresis, sign, edges, best[1], best[0], gap, jitter, shortest)


def _turn_differences(logs: list[FloatArray], n: int) -> FloatArray:
    return np.concatenate([np.abs(r[n:] - r[:-n]) for r in logs if r.size > n])


def _periods(logs: list[FloatArray]) -> list[int]:
    """Lags, ascending, at which the interval sequence resembles itself most (autocorrelation), and 1."""
    most = min(MAX_TEETH, max(r.size for r in logs) // 2)
    size = 1 << int(np.ceil(np.log2(max(r.size for r in logs) + most)))
    total = np.zeros(most + 1)
    for r in logs:
        clipped = np.clip(r, -0.7, 0.7)
        spectrum = np.abs(np.fft.rfft(clipped - clipped.mean(), size)) ** 2
        total += np.fft.irfft(spectrum, size)[: most + 1]
    total[0] = -np.inf
    top = np.argsort(total)[::-1][:12]
    return sorted({1, *(int(n) for n in top if n > 0)})


def choose(
    stretches: list[SampleArray], *, threshold: float | None = None, edge: str | None = None, source: str = ""
) -> tuple[Choice, Levels, list[Choice]]:
    """Trigger setting for a crank signal given as stretches of samples.

    Returns the choice, the levels it was made from, and all settings that were tried. `threshold` and
    `edge` are kept where given. Raises InputError when the signal never moves or never crosses.
    """
    whole = np.concatenate(stretches)
    levels = survey(whole)
    if not levels.span > 0 or levels.span < 4 * levels.noise:
        raise InputError(
            f"{source}: no crank edge: the crank signal stays between {levels.low:.4g} and {levels.high:.4g}; "
            "check the channel and the probe"
        )
    grid = [levels.low + f * levels.span for f in LEVELS]
    if levels.low + 0.1 * levels.span < 0 < levels.high - 0.1 * levels.span:
        grid = sorted([*grid, 0.0])
    signs = {"rising": (1,), "falling": (-1,)}.get(edge or "", (1, -1))
    if threshold is not None:
        # which edge marks the tooth is a property of the signal: a level that loses a tooth now and then
        # must not turn it, so it is found with the level free
        if len(signs) > 1:
            try:
                signs = (choose(stretches, source=source)[0].sign,)
            except InputError:
                signs = (1,)
        grid = [threshold]
    tried: list[Choice] = []
    for sign in signs:
        flipped = [s if sign > 0 else -s for s in stretches]
        for level in grid:
            tried += _try_level(flipped, level, sign, levels)
    able = [c for c in tried if c.edges >= 2]
    if not able:
        text = f"threshold {threshold:g} V" if threshold is not None else "any threshold"
        raise InputError(
            f"{source}: no crank edge at {text}; the signal lies between {levels.low:.4g} and {levels.high:.4g}"
        )
    best = [_best_of(c, levels) for sign in signs if (c := [a for a in able if a.sign == sign])]
    return better_edge(best), levels, tried


def _try_level(flipped: list[SampleArray], level: float, sign: int, levels: Levels) -> list[Choice]:
    """Every hysteresis at one level; settings that find the same edges are judged once."""
    found = [candidates(s, sign * level) for s in flipped]
    room = max(level - levels.low if sign > 0 else levels.high - level, 0.0)
    tried: list[Choice] = []
    sizes: tuple[int, ...] = ()
    for share in HYSTERESES:
        h = min(max(share * levels.span, 6 * levels.noise), 0.7 * room)
        if tried and h == tried[-1].hysteresis:
            continue
        parts = [p[low < sign * level - h] for p, low in found]
        if tried and tuple(p.size for p in parts) == sizes:
            tried.append(replace(tried[-1], hysteresis=h))
        else:
            tried.append(judge(parts, level, h, sign))
        sizes = tuple(p.size for p in parts)
    return tried


def _best_of(tried: list[Choice], levels: Levels) -> Choice:
    """The setting of one edge: repeats, most teeth, the middle of the levels that agree."""
    least = min(c.mismatch for c in tried)
    sound = [c for c in tried if c.mismatch <= least + 0.1 and c.teeth]
    if not sound:
        mid = 0.5 * (levels.low + levels.high)
        return min(tried, key=lambda c: (abs(c.threshold - mid), -c.hysteresis))
    # two triggers on one tooth repeat as well, but leave intervals far below a pitch
    single = [c for c in sound if c.shortest > 0.3] or sound
    most = max(c.edges for c in single)
    near = [c for c in single if c.edges >= most - max(1, 0.002 * most)]
    fewest = min(c.mismatch for c in near)
    near = [c for c in near if c.mismatch <= fewest + 0.1]
    grid = sorted({c.threshold for c in near})
    level = grid[len(grid) // 2] if len(grid) % 2 else grid[len(grid) // 2 - 1]
    if 0.0 in grid and not levels.two_level:
        level = 0.0
    # the widest hysteresis that loses nothing is the safest against interference
    return max((c for c in near if c.threshold == level), key=lambda c: c.hysteresis)


def better_edge(best: list[Choice]) -> Choice:
    """The edge that repeats better, else sees more of the gap as one interval, else has less jitter."""
    if len(best) == 1:
        return best[0]
    a, b = best
    if abs(a.mismatch - b.mismatch) > 0.5:
        return a if a.mismatch < b.mismatch else b
    if abs(a.gap - b.gap) > 0.2 * max(a.gap, b.gap):
        return a if a.gap > b.gap else b
    return b if b.jitter < 0.8 * a.jitter else a
