"""The wheel that a log looks like, when none is given or the given one does not fit.

Edge times `t` [s] have shape (edges,), gaps shape (gaps,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank.gaps import gap_candidates
from misfire.crank.teeth import IntArray
from misfire.engine import FloatArray, Wheel
from misfire.errors import InputError, TooFewTurnsError

# (positions, missing) that are common in the trade; common practice, no source
COMMON_WHEELS = (
    (60, 2),
    (36, 1),
    (36, 2),
    (24, 1),
    (24, 2),
    (30, 1),
    (30, 2),
    (12, 1),
    (60, 1),
    (120, 2),
    (48, 2),
)


def find_wheel(t: FloatArray) -> Wheel:
    """The wheel that the intervals look like. Raises TooFewTurnsError when no regular gap is seen."""
    c = gap_candidates(t)
    if c.size >= 2:
        steps = np.diff(c)
        if (several := _several_gaps(t, c, steps)) is not None:
            return several
        steps = steps[steps > 3]
        if steps.size:
            counts = np.bincount(steps)
            teeth = int(np.argmax(counts))
            if counts[teeth] >= 2 or steps.size <= 3:
                share = counts[max(teeth - 1, 0) : teeth + 2].sum() / steps.size
                if share > 0.5:
                    return _name_wheel(t, c, teeth)
    raise TooFewTurnsError(
        "no regular gap in the crank edges: the wheel cannot be found; name it with --wheel (60-2, 36-1, 24 ...), "
        "and for an evenly toothed wheel record the cam or a cylinder-1 mark as well"
    )


def _several_gaps(t: FloatArray, c: IntArray, steps: IntArray) -> Wheel | None:
    """A wheel with two to four gaps that do not all look alike; None when the log shows no such wheel.

    A turn then holds a fixed row of tooth counts that repeats, and each gap has its own length. Like gaps
    at like distances (two gaps 180 deg apart) look exactly like a wheel with fewer teeth.
    """
    for n in (2, 3, 4):
        if steps.size < 3 * n:
            return None
        again = steps[n:] == steps[:-n]
        if again.mean() < 0.7:
            continue
        first = int(np.flatnonzero(np.convolve(again, np.ones(n), "valid") == n)[0])
        row = steps[first : first + n]
        dt = np.diff(t)
        around = np.clip(c - 4, 0, dt.size - 9)[:, None] + np.arange(9)
        ratio = dt[c] / np.median(dt[around], axis=1)
        length = np.array([np.median(ratio[first + k :: n]) for k in range(n)])  # gap k stands before row k
        pitches = np.maximum(2, np.rint(length)).astype(np.int64)
        if np.ptp(row) == 0 or np.ptp(row + np.roll(pitches, -1)) == 0:
            # one gap a turn; a weak first tooth that is lost every other turn looks like this too
            return None
        # position 0 follows the longest gap; of like ones, the one with most teeth behind it
        k = max(range(n), key=lambda i: (pitches[i], row[i]))
        row, pitches = np.roll(row, -k), np.roll(pitches, -k)
        gone: list[int] = []
        at = 0
        for teeth, gap in zip(row.tolist(), np.roll(pitches, -1).tolist(), strict=True):
            at += teeth
            gone += range(at, at + gap - 1)
            at += gap - 1
        return Wheel(at, tuple(gone))
    return None


def _name_wheel(t: FloatArray, gaps: IntArray, teeth: int) -> Wheel:
    dt = np.diff(t)
    inner = gaps[(gaps >= 4) & (gaps < dt.size - 4)]
    if inner.size:
        ratio = float(np.median(dt[inner] / np.median([dt[inner - 2], dt[inner - 3], dt[inner + 3]], axis=0)))
    else:
        # gaps at the very ends of a few edges only
        ratio = float(np.median(dt[gaps]) / np.median(dt))
    best: tuple[float, int, int] | None = None
    for positions, missing in COMMON_WHEELS:
        lost = positions - missing - teeth  # 1: the weak first tooth was lost in most turns
        if lost in (0, 1):
            cost = abs(ratio - (missing + 1 + lost)) + 0.5 * lost
            if cost < 1.0 and (best is None or cost < best[0]):
                best = (cost, positions, missing)
    if best is None:
        missing = max(1, round(ratio) - 1)
        return Wheel.regular(teeth + missing, missing)
    return Wheel.regular(best[1], best[2])


def looks_like(t: FloatArray) -> str:
    """Which wheel the log looks like, in words for a message."""
    try:
        return f"the log looks like a {find_wheel(t).label} wheel"
    except TooFewTurnsError:
        return "no regular gap is seen in the log"


def check_no_gap(t: FloatArray, wheel: Wheel) -> None:
    """Raise InputError when a wheel said to be evenly toothed shows a gap in most turns."""
    try:
        seen = find_wheel(t)
    except TooFewTurnsError:
        return
    if gap_candidates(t).size > 0.5 * t.size / seen.teeth:
        raise InputError(
            f"wheel {wheel.label} (evenly toothed) does not fit the log: the log looks like a {seen.label} wheel; "
            "correct the wheel or leave it out"
        )


def check_zero(wheel: Wheel) -> None:
    """Raise InputError when position 0 is not the first tooth after the longest gap."""
    gap = np.diff(np.append(wheel.tooth_positions, wheel.positions)) - 1
    if gap[-1] < gap.max() or gap[-1] == 0:
        k = int(np.argmax(gap))
        first = int(wheel.tooth_positions[k + 1]) if k + 1 < gap.size else 0
        right = sorted((p - first) % wheel.positions for p in wheel.missing)
        raise InputError(
            f"missing_positions = {list(wheel.missing)}: position 0 is the first tooth after the longest gap, so write "
            f"{right} and give first_tooth_after_tdc1_deg for that tooth"
        )
