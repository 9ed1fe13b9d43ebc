"""Intervals that are long enough to be a gap of the wheel, and the one that every turn is counted from."""

from __future__ import annotations

import numpy as np

from misfire.crank.teeth import LONGEST_PAUSE_S, IntArray
from misfire.engine import TURN_DEG, FloatArray, Wheel

GAP_FROM = 1.75  # pitches: below it an interval is never a gap


def gap_candidates(t: FloatArray, least: float = GAP_FROM) -> IntArray:
    """Indices i whose interval t[i+1]-t[i] is long against both sides; shape (gaps,).

    The neighbour before the gap is compared with `least`, the one behind with a little less, because the
    first tooth behind a gap comes early or late on real pickups.
    """
    dt = np.diff(t)
    if dt.size < 3:
        return np.empty(0, dtype=np.int64)
    before = np.empty_like(dt)
    after = np.empty_like(dt)
    # the median of three intervals on each side: one extra or lost edge beside a gap must not hide it
    m3 = np.median(np.lib.stride_tricks.sliding_window_view(dt, 3), axis=1) if dt.size >= 3 else dt
    before[3:] = m3[: dt.size - 3]
    before[:3] = dt[:3] if dt.size < 7 else np.inf
    after[:-3] = m3[1 : dt.size - 2]
    after[-3:] = before[-3:]
    before[:3] = after[:3]
    return np.flatnonzero((dt > least * before) & (dt > 0.8 * least * after) & (dt < LONGEST_PAUSE_S))


def gap_pitches(wheel: Wheel) -> float:
    """Nominal length of the longest gap in pitches."""
    return float((TURN_DEG - wheel.tooth_angles_deg[-1]) / wheel.pitch_deg)


def find_anchors(t: FloatArray, wheel: Wheel) -> IntArray:
    """Edges before the longest gap, as many as fit the wheel's count of teeth."""
    steps = np.diff(np.append(wheel.tooth_angles_deg, TURN_DEG)) / wheel.pitch_deg
    longest = float(steps[-1])
    others = np.sort(steps[:-1])
    second = float(others[-1]) if others.size else 1.0
    if second <= 1.5:
        c = gap_candidates(t, GAP_FROM if longest <= 2.2 else 2.2)
        return c if c.size >= 2 else gap_candidates(t, GAP_FROM)
    if longest > second + 0.7:
        # one gap is longer than all others and is known by its length alone
        c = gap_candidates(t, (longest + second) / 2)
        if c.size >= 2:
            return c
    return _longest_of_several(gap_candidates(t, min(GAP_FROM, 0.85 * second)), steps)


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


def trusted_ends(anchors: IntArray, teeth: int) -> IntArray:
    """Without the gaps before the first and behind the last whole turn that do not stand whole turns from it.

    A lost edge looks like the gap of a wheel with one tooth missing; inside the log it is passed over
    between whole turns, at the ends nothing else would tell.
    """
    # one short: the weak first tooth was lost, the turn is whole all the same
    sound = np.flatnonzero(np.isin(np.diff(anchors), (teeth - 1, teeth)))
    if not sound.size:
        return anchors
    first, last = int(sound[0]), int(sound[-1]) + 1
    before = (anchors[first] - anchors[:first] + 1) % teeth <= 2
    behind = (anchors[last + 1 :] - anchors[last] + 1) % teeth <= 2
    return np.concatenate((anchors[:first][before], anchors[first : last + 1], anchors[last + 1 :][behind]))
