"""Choose threshold, hysteresis and edge of a crank signal from the signal itself.

The signal is tried at a grid of levels, hystereses and both edges. What a wheel looks like decides: the
sequence of tooth intervals, each relative to its neighbours, must come back turn after turn. Among the
settings whose sequence repeats, the one that sees most teeth wins (a weak tooth beside the gap is lost
at a level that is too high), then the edge that shows the gap as one long interval, not as two (through
the middle of a variable-reluctance gap the other edge floats), then the middle of the levels that agree.

Samples have shape (samples,), edges (edges,); `threshold`, `low`, `high`, `noise` [unit of the signal].
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from misfire.errors import InputError
from misfire.intake.crossings import Hysteresis, SampleArray, candidates
from misfire.intake.recording import FloatArray

# samples and the local swing at each
Part = tuple[SampleArray, SampleArray]
_LOW = (0.03, 0.045, 0.06, 0.08, 0.1, 0.15, 0.2, 0.27, 0.35, 0.42)
LEVELS = (*_LOW, 0.5, *(1.0 - f for f in reversed(_LOW)))
SHARES = (0.0, 0.03, 0.1, 0.25)
MAX_TEETH = 250
# intervals of a stretch that are compared, of a longer one in pieces spread over it
LOOK, PIECES = 3000, 3
# an interval that differs by more from the one a turn earlier is a mismatch (natural log of the ratio)
MISMATCH = 0.18
# an edge that comes in one turn and not in the next sets both turns aside, a tooth that is never seen none
MISMATCH_COST = 1.0
# Two triggers on one tooth, or one on the ringing behind the last, are closer than teeth: the first one behind
# a gap comes no earlier than 0.72 of a pitch (measured on a 60-2 wheel). Above 1, so that two triggers on
# every tooth count less than one.
CLOSEST, SHORT_COST = 0.6, 1.5
# the edge between teeth splits a gap in two, so it shows far less of it in one interval
GAP_HALVED = 1.4
# intervals [pitches] from here on are gaps; longer ones are stretches in which the teeth stay below the level
LONG, LONGEST = 1.3, 8.0
# Ringing behind the last tooth begins in this part of a gap. A weak tooth behind the gap that is not seen leaves one
# of three pitches or more, and stands beyond 0.65 of it. Ringing crosses the level once or twice, noise more often.
FRONT, SWINGS = 0.6, 2


@dataclass(frozen=True)
class Choice:
    """A trigger setting and how well it does.

    Attributes
    ----------
    threshold : float
        In the unit of the signal.
    hysteresis : Hysteresis
    sign : int
        +1 rising, -1 falling.
    edges, good : int, float
        Number of edges found in the sample of the signal, and of those less the mismatches.
    teeth : int
        Intervals after which the sequence comes back; 0 when none was found.
    gap : float
        Length of the long intervals in pitches above one: half of their sum lies in longer ones.
    jitter : float
        Median relative difference of an interval from the one a turn earlier.
    slope : float
        Median slope of the flanks, per sample; of a choice, the steepest at the middle levels.
    short : float
        Number of intervals too short for two teeth, as many as in `edges`.
    ringing : int
        Edges that a narrower hysteresis sees besides, in the front of gaps: no teeth but ringing behind the last one.
    beside : float
        How far the signal moves at the edges beside the gap, as a share of what it does at the others.
    """

    threshold: float
    hysteresis: Hysteresis
    sign: int
    edges: int
    good: float = 0.0
    teeth: int = 0
    gap: float = 0.0
    jitter: float = 1.0
    slope: float = 0.0
    short: float = 0.0
    ringing: int = 0
    beside: float = 1.0

    @property
    def score(self) -> float:
        """Edges that repeat, less what edges too many spoil: each costs more than a tooth that is never seen.

        To hide ringing is no worse than to see it as edges that come back every turn.
        """
        return self.good - MISMATCH_COST * (self.edges - self.good) - SHORT_COST * self.short + self.ringing

    @property
    def unlike(self) -> float:
        """Share of the edges that do not come back from turn to turn, or stand closer than teeth do."""
        return max(self.edges - self.good, self.short) / self.edges if self.teeth else 0.0

    @property
    def edge(self) -> str:
        """The edge in words."""
        return "rising" if self.sign > 0 else "falling"

    def mirrored(self, levels: Levels) -> Hysteresis:
        """The hysteresis of the other edge at the same threshold: no more than 0.7 of the room on its own side."""
        room = 0.7 * max(levels.high - self.threshold if self.sign > 0 else self.threshold - levels.low, 0.0)
        return Hysteresis(min(self.hysteresis.floor, room), self.hysteresis.share, room)


@dataclass(frozen=True)
class Levels:
    """What the signal's values look like: plateaus, noise, kind."""

    low: float
    high: float
    noise: float
    two_level: bool

    @property
    def span(self) -> float:
        """From the low to the high level."""
        return self.high - self.low


def survey(x: SampleArray) -> Levels:
    """Levels [unit of x] of a signal: its extremes without spikes, its white noise, and whether it has two levels.

    The noise is the standard deviation that the quietest fifth of the second or fourth differences shows,
    or a third of the quantisation step where that is larger.
    """
    y = x.astype(np.float64)
    low, high = (float(v) for v in np.percentile(y, (0.5, 99.5)))
    if high <= low:
        low, high = float(y.min()), float(y.max())
    # the lower fifth of |N(0, s)| ends at 0.2533 s; differences of white noise are sqrt(6), sqrt(70) times it
    noise = 0.0
    if y.size > 8:
        quiet = [float(np.percentile(np.abs(np.diff(y, k)), 20)) / 0.2533 for k in (2, 4)]
        noise = min(quiet[0] / np.sqrt(6.0), quiet[1] / np.sqrt(70.0))
    values = np.unique(x[: 1 << 16])
    step = float(np.min(np.diff(values))) if values.size > 1 else 0.0
    span = high - low
    near = np.mean((np.abs(y - low) < 0.1 * span) | (np.abs(y - high) < 0.1 * span)) if span > 0 else 1.0
    noise = min(max(noise, step / 3.0 if step < 0.05 * span else 0.0), 0.2 * span)
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


def judge(parts: list[FloatArray], choice: Choice) -> Choice:
    """How well edges (positions in samples, one array a stretch of the signal) repeat turn after turn."""
    logs = [relative_intervals(q) for p in parts if p.size > 3 for q in _pieces(p)]
    if not logs or max(r.size for r in logs) < 6:
        return choice
    ratio = np.exp(np.concatenate(logs))
    long = np.sort(ratio[(ratio > LONG) & (ratio < LONGEST)] - 1.0)
    best = (np.inf, 0)
    for n in _periods(logs):
        diff = _turn_differences(logs, n)
        # as many as there would be if every interval had one a turn earlier
        wrong = float(np.mean(diff > MISMATCH)) * ratio.size
        if wrong < best[0] - 0.5:
            best = (wrong, n)
    return replace(
        choice,
        good=choice.edges * (1.0 - best[0] / ratio.size),
        teeth=best[1],
        gap=float(long[np.searchsorted(np.cumsum(long), 0.5 * np.sum(long))]) if long.size else 0.0,
        jitter=float(np.median(_turn_differences(logs, best[1]))),
        short=choice.edges * float(np.mean(ratio < CLOSEST)),
    )


def _pieces(position: FloatArray) -> list[FloatArray]:
    """The edges of a stretch, or pieces from its beginning to its end: a start is slow first and fast then."""
    if position.size <= LOOK + 1:
        return [position]
    size = LOOK // PIECES + 1
    starts = np.linspace(0, position.size - size, PIECES).astype(np.int64)
    return [position[a : a + size] for a in starts.tolist()]


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
    parts: list[Part], *, threshold: float | None = None, edge: str | None = None, source: str = ""
) -> tuple[Choice, Levels]:
    """Trigger setting for a crank signal given as stretches of samples with their local swing.

    Returns the choice and the levels it was made from. `threshold` and `edge` are kept where given.
    Raises InputError when the signal never moves or never crosses.
    """
    levels = survey(np.concatenate([y for y, _ in parts]))
    if not levels.span > 0 or levels.span < 8 * levels.noise:
        raise InputError(
            f"{source}: no crank edge: the crank signal stays between {levels.low:.4g} and {levels.high:.4g}; "
            "check the channel and the probe"
        )
    signs = {"rising": (1,), "falling": (-1,)}.get(edge or "", (1, -1))
    grid = [levels.low + f * levels.span for f in LEVELS]
    if levels.low + 0.1 * levels.span < 0 < levels.high - 0.1 * levels.span:
        grid = sorted([*grid, 0.0])
    if threshold is not None:
        # which edge marks the tooth is a property of the signal: a level that loses a tooth now and then
        # must not turn it, so it is found with the level free
        if len(signs) > 1:
            signs = (choose(parts, source=source)[0].sign,)
        grid = [threshold]
    middle = 0.5 * (levels.low + levels.high)
    best: list[Choice] = []
    for sign in signs:
        flipped = parts if sign > 0 else [(-y, swing) for y, swing in parts]
        tried = [c for level in grid for c in _try_level(flipped, level, sign, levels) if c.edges >= 2]
        if tried:
            steep = max(
                (c.slope for c in tried if abs(c.threshold - middle) <= 0.2 * levels.span), default=0.0
            )
            found = _best_of(tried, grid, levels)
            best.append(replace(found, slope=steep, beside=_beside_the_gap(flipped, found)))
    if not best:
        text = f"threshold {threshold:g}" if threshold is not None else "any threshold"
        raise InputError(
            f"{source}: no crank edge at {text}; the signal lies between {levels.low:.4g} and {levels.high:.4g}"
        )
    return better_edge(best), levels


def _try_level(flipped: list[Part], level: float, sign: int, levels: Levels) -> list[Choice]:
    """Every hysteresis at one level; settings that find as many edges in every stretch are judged once."""
    found = [(*candidates(y, sign * level), swing) for y, swing in flipped]
    room = max(level - levels.low if sign > 0 else levels.high - level, 0.0)
    tried: list[Choice] = []
    every: list[FloatArray] = []
    sizes: tuple[int, ...] = ()
    for share in SHARES:
        h = Hysteresis(min(5 * levels.noise, 0.7 * room), share, 0.7 * room)
        keep = [low < sign * level - h.at(swing[p.astype(np.int64)]) for p, low, _, swing in found]
        parts = [p[k] for (p, *_), k in zip(found, keep, strict=True)]
        now = tuple(p.size for p in parts)
        if tried and now == sizes:
            tried.append(replace(tried[-1], hysteresis=h))
            continue
        slopes = np.concatenate([s[k] for (_, _, s, _), k in zip(found, keep, strict=True)])
        slope = float(np.median(slopes)) if slopes.size else 0.0
        every = every or parts
        ringing = sum(_ringing(a, b) for a, b in zip(every, parts, strict=True))
        tried.append(judge(parts, Choice(level, h, sign, int(sum(now)), slope=slope, ringing=ringing)))
        sizes = now
    return tried


def _ringing(every: FloatArray, kept: FloatArray) -> int:
    """How many of `every` edge stand inside the gaps between those `kept`, where the first of a gap stands in its front."""
    ratio = np.exp(relative_intervals(kept))
    gap = np.flatnonzero((ratio > LONG) & (ratio < LONGEST))
    begin, end = kept[gap], kept[gap + 1]
    lo, hi = np.searchsorted(every, begin, "right"), np.searchsorted(every, end, "left")
    some = hi > lo
    begin, end, lo, hi = begin[some], end[some], lo[some], hi[some]
    return int(np.sum(np.minimum(hi - lo, SWINGS)[every[lo] - begin < FRONT * (end - begin)]))


def _best_of(tried: list[Choice], grid: list[float], levels: Levels) -> Choice:
    """The setting of one edge that sees most teeth that repeat; among equals the middle of the levels."""
    judged = [c for c in tried if c.teeth]
    if not judged:
        mid = 0.5 * (levels.low + levels.high)
        return min(tried, key=lambda c: (abs(c.threshold - mid), -c.hysteresis.share))
    most = max(c.score for c in judged)
    # what a wider hysteresis hides in the front of gaps is ringing behind a tooth, and so is what 3 % of the swing
    # hides rather than a tooth: one too many a turn spoils the numbering, one weak tooth that is never seen does not
    for share in reversed(SHARES[1:]):
        wide = [c for c in judged if c.hysteresis.share >= share]
        best = max(wide, key=lambda c: c.score, default=None)
        if best and best.score >= most - max(1.5, (0.05 if share == SHARES[1] else 0.002) * abs(most)):
            judged, most = wide, best.score
            break
    near = [c for c in judged if c.score >= most - max(1.5, 0.002 * abs(most))]
    # through zero the edges stay in their place as the signal grows: worth an edge in two hundred
    zero = [c for c in judged if c.threshold == 0.0 and c.score >= most - max(1.5, 0.005 * abs(most))]
    if not levels.two_level and zero:
        level, near = 0.0, near + zero
    else:
        agree = [any(c.threshold == g for c in near) for g in grid]
        level = grid[_middle_of_longest_run(agree)]
    # the widest hysteresis that loses no tooth is the safest against interference; one tooth of every turn
    # would be edges / teeth, and some edges fewer are interference that a narrower one lets through
    here = [c for c in judged if c.threshold == level]
    most = max(c.score for c in here)
    tooth = most / min(c.teeth for c in near if c.threshold == level)
    able = [c for c in here if c.score >= most - max(1.5, 0.3 * abs(tooth))]
    return max(able, key=lambda c: c.hysteresis.share)


def _beside_the_gap(flipped: list[Part], choice: Choice) -> float:
    """Move of the signal over half a pitch about the edges beside the gap, over that at their neighbours.

    At a tooth's middle the signal passes from one lobe to the other, beside the gap too; between teeth the
    edge beside the gap has a lobe on one side only. The lesser of the medians before and after; 1 without gaps.
    """
    level, moves = choice.sign * choice.threshold, []
    for y, swing in flipped:
        p, lowest, _ = candidates(y, level)
        p = p[lowest < level - choice.hysteresis.at(swing[p.astype(np.int64)])]
        if p.size < 20:
            continue
        ratio = np.exp(relative_intervals(p))
        quarter = 0.25 * np.diff(p) / ratio
        q, sample = np.append(quarter, quarter[-1]), np.arange(y.size)
        move = np.interp(p + q, sample, y) - np.interp(p - q, sample, y)
        usual = np.median(
            np.lib.stride_tricks.sliding_window_view(np.pad(move, 7, mode="reflect"), 15), axis=1
        )
        share = move / np.where(usual > 0, usual, np.inf)
        gap = np.flatnonzero(ratio > 1.5)
        moves.append((share[gap], share[gap + 1]))
    before, after = (np.concatenate([m[k] for m in moves]) if moves else np.empty(0) for k in (0, 1))
    return float(min(np.median(before), np.median(after))) if before.size else 1.0


def _middle_of_longest_run(flags: list[bool]) -> int:
    best, start = (0, 0), 0
    for k, flag in enumerate([*flags, False]):
        if not flag:
            if k - start > best[1] - best[0]:
                best = (start, k)
            start = k + 1
    return (best[0] + best[1] - 1) // 2


def better_edge(best: list[Choice]) -> Choice:
    """The edge that marks the teeth.

    The one that repeats far better; else the much steeper one (through a tooth's middle a
    variable-reluctance signal is steep, between teeth it floats); else the one that does not split the gap;
    else the one at whose edges beside the gap the signal moves as it does elsewhere (a symmetric signal is as
    steep between teeth); else the one with the longer gap; else the one with less jitter; else the rising one.
    """
    if len(best) == 1:
        return best[0]
    a, b = best
    if abs(a.good - b.good) > 0.1 * max(a.good, b.good):
        return a if a.good > b.good else b
    if max(a.slope, b.slope) > 1.6 * min(a.slope, b.slope):
        return a if a.slope > b.slope else b
    if max(a.gap, b.gap) > GAP_HALVED * min(a.gap, b.gap):
        return a if a.gap > b.gap else b
    if abs(a.beside - b.beside) > 0.25:
        return a if a.beside > b.beside else b
    if abs(a.gap - b.gap) > 0.05 * max(a.gap, b.gap):
        return a if a.gap > b.gap else b
    return b if b.jitter < 0.8 * a.jitter else a
