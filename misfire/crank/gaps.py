"""Intervals that are long enough to be a gap of the wheel, and the one that every turn is counted from.

Edge times `t` [s] have shape (edges,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank.teeth import LONGEST_PAUSE_S, IntArray
from misfire.engine import TURN_DEG, FloatArray, Wheel

GAP_FROM = 1.75  # pitches: below it an interval is never a gap
PART = 1_000_000  # edges looked at in one go, for the memory
PATTERN_FITS = 0.4  # mean misfit of the steps, as natural logs, from each interval of a turn to the next
LOST_BESIDE = 2.5  # pitches: two teeth beside a gap may be lost; a longer interval is a pause


def gap_candidates(t: FloatArray, least: float = GAP_FROM, most: float = np.inf) -> IntArray:
    """Indices i whose interval t[i+1]-t[i] is long against both sides; shape (gaps,).

    The mean of the neighbours in front and behind is compared with `least`, so that a change of speed across
    the gap drops out, each side alone with a little less. An interval of more than `most` neighbours is no
    gap but a pause.
    """
    if t.size < PART:
        return _candidates(t, least, most)
    found = []
    for lo in range(0, t.size, PART):
        # eight edges of overlap: five intervals on each side decide
        first = max(lo - 8, 0)
        c = _candidates(t[first : lo + PART + 8], least, most) + first
        found.append(c[(c >= lo) & (c < lo + PART)])
    return np.concatenate(found)


def _candidates(t: FloatArray, least: float, most: float) -> IntArray:
    dt = np.diff(t)
    if dt.size < 3:
        return np.empty(0, dtype=np.int64)
    before = np.empty_like(dt)
    after = np.empty_like(dt)
    # the median of three intervals on each side: one extra or lost edge beside a gap must not hide it
    m3 = _median_of_three(dt)
    before[3:] = m3[: dt.size - 3]
    before[:3] = dt[:3] if dt.size < 7 else np.inf
    after[:-3] = m3[1 : dt.size - 2]
    after[-3:] = before[-3:]
    before[:3] = after[:3]
    each = 0.8 * least
    long = np.flatnonzero((dt > each * before) & (dt > each * after) & (dt < LONGEST_PAUSE_S))
    dt, before, after = dt[long], before[long], after[long]
    return long[(dt * dt > least * least * before * after) & (dt <= most * np.maximum(before, after))]


def _median_of_three(x: FloatArray) -> FloatArray:
    """Median of each value and the two behind it; two values fewer than given."""
    low, high = np.minimum(x[:-2], x[1:-1]), np.maximum(x[:-2], x[1:-1])
    return np.asarray(np.maximum(low, np.minimum(high, x[2:])))


def gap_pitches(wheel: Wheel) -> float:
    """Nominal length of the longest gap in pitches."""
    return float((TURN_DEG - wheel.tooth_angles_deg[-1]) / wheel.pitch_deg)


def find_anchors(t: FloatArray, wheel: Wheel) -> IntArray:
    """Edges before the longest gap, as many as fit the wheel's count of teeth."""
    steps = np.diff(np.append(wheel.tooth_angles_deg, TURN_DEG)) / wheel.pitch_deg
    longest = float(steps[-1])
    others = np.sort(steps[:-1])
    second = float(others[-1]) if others.size else 1.0
    if wheel.angles_deg is not None and longest < 1.5 * second:
        return _by_pattern(t, np.log(steps))
    most = longest + LOST_BESIDE
    if second <= 1.5:
        c = gap_candidates(t, GAP_FROM if longest <= 2.2 else 2.2, most)
        return _last_teeth(t, c if c.size >= 2 else gap_candidates(t, GAP_FROM, most))
    if longest > second + 0.7:
        # one gap is longer than all others and is known by its length alone
        c = gap_candidates(t, (longest + second) / 2, most)
        if c.size >= 2:
            return c
    return _longest_of_several(gap_candidates(t, min(GAP_FROM, 0.85 * second), most), steps)


def _by_pattern(t: FloatArray, steps: FloatArray) -> IntArray:
    """Edges before position 0 of a wheel that no longest gap tells, by the whole sequence of its intervals.

    `steps`: natural log of the wheel's intervals. Where the sequence of a turn fits best. What an interval is
    against the one before is compared: a change of speed would else make a calmer turn beside the true one fit
    better, where one narrow tooth among sixty is all that differs.
    """
    n = steps.size
    if t.size < 2 * n:
        return np.empty(0, dtype=np.int64)
    log = np.diff(np.log(np.maximum(np.diff(t), 1e-12)))
    misfit = np.empty(log.size - n + 2)
    rows = max(1, PART // n)
    for lo in range(0, misfit.size, rows):
        part = np.lib.stride_tricks.sliding_window_view(log[lo : lo + rows + n - 2], n - 1)
        misfit[lo : lo + rows] = np.mean(np.abs(part - np.diff(steps)), axis=1)
    half = n // 2
    padded = np.pad(misfit, half, constant_values=np.inf)
    best = np.empty(misfit.size, dtype=bool)
    for lo in range(0, misfit.size, rows):
        window = np.lib.stride_tricks.sliding_window_view(padded[lo : lo + rows + 2 * half], 2 * half + 1)
        best[lo : lo + rows] = misfit[lo : lo + rows] <= window.min(axis=1)
    # interval i starts at edge i, which is position 0; the anchor is the edge before it
    first = np.flatnonzero(best & (misfit < PATTERN_FITS))
    return np.asarray(first[first > 0] - 1, dtype=np.int64)


def _last_teeth(t: FloatArray, c: IntArray) -> IntArray:
    """Where extra edges stand in the front of a gap, it begins at the edge before them that is one pitch from another."""
    moved = c.copy()
    near = np.flatnonzero(c >= 8)
    usual = np.median([t[c[near] - k] - t[c[near] - k - 1] for k in range(7)], axis=0)
    # an extra edge makes a short interval; most gaps have none in front
    short = t[c[near]] - t[c[near] - 1] < 0.75 * usual
    near, usual = near[short], usual[short]
    at = c[near]
    off = []
    for k in range(3):
        back = [np.abs((t[at - k] - t[at - k - e]) / usual - 1) for e in (1, 2, 3)]
        inside = t[at - k + 1] - t[at - k] < 0.75 * usual if k else True
        off.append(np.where(inside, np.min(back, axis=0) + (0.03 if k else 0.0), np.inf))
    moved[near] -= np.argmin(off, axis=0)
    return np.unique(moved)


def _longest_of_several(c: IntArray, steps: FloatArray) -> IntArray:
    """On a wheel with several like gaps keep the candidates that stand where position 0 follows.

    Every candidate is judged by the counts of teeth to its neighbours on both sides, so that a gap missed or
    seen too often spoils its own turn only. Where the counts fit two places alike (a wheel that repeats
    itself), the first such place of the log is taken and followed from there by the count of teeth.
    """
    if c.size < 3:
        return c
    teeth = steps.size
    gap_after = np.flatnonzero(steps > 1.5)
    ahead = np.diff(np.append(gap_after, gap_after[0] + teeth))  # from each gap to the next
    behind = np.roll(ahead, 1)
    seen = np.diff(c)
    to_next = np.append(seen, 0)
    from_last = np.insert(seen, 0, 0)
    fits = (to_next[:, None] == ahead) & (from_last[:, None] == behind)
    fits[0] = to_next[0] == ahead
    fits[-1] = from_last[-1] == behind
    mine = fits[:, -1]
    alike = [r for r in range(1, ahead.size) if np.array_equal(np.roll(ahead, r), ahead)]
    if alike:
        # sectors repeat: counted on from the first one, an edge too many or too few rounded away
        at = np.flatnonzero(mine)
        sector = teeth * alike[0] // ahead.size
        number = np.cumsum(np.rint(np.diff(c[at], prepend=c[at[:1]]) / sector))
        mine = np.zeros(c.size, dtype=bool)
        mine[at[number % (teeth // sector) == 0]] = True
    return np.asarray(c[mine], dtype=np.int64)
