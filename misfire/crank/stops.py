"""Where the engine stands still or the recording pauses: the stretches that can be numbered by themselves.

Edge times `t` [s] have shape (edges,).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from misfire.crank.gaps import gap_pitches
from misfire.engine import FloatArray, Wheel

# A starter turns an engine at 150 rpm and more; one pitch beyond the gap at this speed is no running engine.
STOP_RPM = 40.0
# Below this mean speed over about an eighth of a turn a crank beside a standstill may be turning backward:
# the teeth before and behind the turning point take long, the swing's own speed stays below it (derived for
# decelerations up to 500 rad/s^2).
CRAWL_RPM = 120.0
CRAWL_DEG = 48.0
RUN_OUT_TURNS = 2.5


@dataclass(frozen=True)
class Stretch:
    """Edges `first` to `last` (exclusive) without a pause; whether it begins and ends at a standstill."""

    first: int
    last: int
    from_rest: bool
    to_rest: bool


def longest_interval_s(wheel: Wheel) -> float:
    """Time [s] between two edges beyond which the engine stands or the recording pauses."""
    return (gap_pitches(wheel) + 1) * wheel.pitch_deg / (6 * STOP_RPM)


def stretches(t: FloatArray, wheel: Wheel) -> list[Stretch]:
    """Cut edge times `t` [s] at every standstill and pause; crawling ends at a standstill are left out.

    A pickup cannot tell which way the wheel turns, and a crank that comes to rest against compression
    swings back, so the teeth of a run-out have no sure number.
    """
    cut = np.flatnonzero(np.diff(t) > longest_interval_s(wheel)) + 1
    bounds = [0, *cut.tolist(), t.size]
    wide = max(2, round(CRAWL_DEG / wheel.pitch_deg))
    slow_s = (wide + gap_pitches(wheel) - 1) * wheel.pitch_deg / (6 * CRAWL_RPM)
    reach = round(RUN_OUT_TURNS * wheel.teeth) + wide
    out = []
    for k, (lo, hi) in enumerate(pairwise(bounds)):
        from_rest = to_rest = False
        start = lo
        if k > 0:
            head = t[lo : lo + reach]
            crawl = head[wide:] - head[:-wide] > slow_s
            if crawl.size == 0 or crawl[0]:
                from_rest = True
                start = lo + (int(np.argmin(crawl)) if crawl.size and not crawl.all() else head.size)
        tail = t[max(lo, hi - reach) : hi]
        crawl = tail[wide:] - tail[:-wide] > slow_s
        if crawl.size and crawl[-1]:
            to_rest = True
            hi = hi - tail.size + int(np.argmax(crawl))
        out.append(Stretch(start, max(hi, start), from_rest, to_rest))
    return out


def pause_notes(parts: list[Stretch]) -> tuple[str, ...]:
    """Sentences on standstills and pauses between stretches."""
    rests = [a.to_rest or b.from_rest for a, b in pairwise(parts)]
    stops, pauses = sum(rests), len(rests) - sum(rests)
    notes = []
    if stops:
        notes.append(
            f"the engine stood still {stops} {'time' if stops == 1 else 'times'} inside the log: turns are not counted "
            "across, and the run-out is left out because a crank may rock back there"
        )
    if pauses:
        notes.append(
            f"the recording pauses {pauses} {'time' if pauses == 1 else 'times'}: turns are not counted across a pause"
        )
    return tuple(notes)
