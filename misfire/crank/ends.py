"""The part turns at both ends of a stretch, numbered from the gap beside them as far as the teeth come evenly."""

from __future__ import annotations

import numpy as np

from misfire.crank.mend import Gap
from misfire.crank.teeth import IntArray
from misfire.engine import FloatArray, Wheel

# Time per degree from one interval to the next; a lost or extra edge or a reversal lies outside
SLOWER, FASTER = 1.5, 0.65


def head_row(t: FloatArray, anchor: int, gap: Gap, first_lost: bool) -> FloatArray | None:
    """The teeth recorded before the first gap, which begins at edge `anchor`; shape (1, teeth) or None.

    `first_lost`: the first tooth behind the gap is known to be missing; else whole pitches that the gap
    reads longer are lost teeth in front of it.
    """
    before, behind = _pitches(t, anchor)
    short = 0
    if not first_lost and gap.wheel.angles_deg is None and anchor + 1 < t.size:
        # a coarse wheel's gap may lie where the starter is slowest: the longer of near and median pitch
        near = (
            (t[anchor + 2] - t[anchor + 1] + t[anchor] - t[anchor - 1]) / 2
            if 0 < anchor < t.size - 2
            else 0.0
        )
        short = max(0, round((t[anchor + 1] - t[anchor]) / max((before + behind) / 2, near) - gap.seen))
    teeth = np.arange(gap.wheel.teeth - 1 - short, -1, -1)
    return _row(t[anchor::-1], teeth, gap.wheel, behind, 0)


def tail_row(t: FloatArray, anchor: int, gap: Gap) -> FloatArray | None:
    """The teeth recorded after the last gap, which begins at edge `anchor`; shape (1, teeth) or None."""
    if t.size < anchor + 3:
        return None
    if gap.wheel.angles_deg is not None:
        return _row(t[anchor + 1 :], np.arange(gap.wheel.teeth), gap.wheel, np.inf, 0)
    before, behind = _pitches(t, anchor)
    reads = (t[anchor + 1 : anchor + 4] - t[anchor]) / (before + behind) * 2
    extra = int(np.argmax(reads > gap.seen - 0.75))  # edges inside the gap
    lost = max(0, round(float(reads[extra]) - gap.seen))
    return _row(t[anchor + 1 + extra :], np.arange(lost, gap.wheel.teeth), gap.wheel, before, int(lost < 2))


def _pitches(t: FloatArray, anchor: int) -> tuple[float, float]:
    """Time of one pitch [s] in front of and behind a gap; the same twice where one side is too short."""
    front, back = np.diff(t[max(anchor - 3, 0) : anchor + 1]), np.diff(t[anchor + 2 : anchor + 6])
    both = [float(np.median(x)) if x.size else np.inf for x in (front, back)]
    if not np.isfinite(both).all() or not 0.5 < both[0] / both[1] < 2.0:
        # the longer side counts
        return (both[0],) * 2 if front.size > back.size else (both[1],) * 2
    return both[0], both[1]


def _row(t: FloatArray, teeth: IntArray, wheel: Wheel, pitch_s: float, shifted: int) -> FloatArray | None:
    """Edges `t`, in order away from the gap, on consecutive `teeth`, up to the first uneven interval.

    The edge in front of an uneven interval is left out too, since it may be the false one. The first
    `shifted` intervals may be less even: the tooth behind a gap reads early or late.
    """
    n = min(t.size, teeth.size)
    if n < 2:
        return None
    pace = np.diff(t[:n]) / np.diff(wheel.tooth_angles_deg[teeth[:n]])  # s/deg
    regular = wheel.angles_deg is None and np.isfinite(pitch_s)
    known = pitch_s / wheel.pitch_deg if regular else float(np.median(pace))
    plain = pace.copy()
    plain[:shifted] = known
    ratio = pace / np.concatenate(([known], plain[:-1]))
    loose = np.arange(n - 1) < shifted
    uneven = (ratio > SLOWER * np.where(loose, 1.2, 1.0)) | (ratio < FASTER / np.where(loose, 1.5, 1.0))
    if uneven.any():
        n = int(np.argmax(uneven))
    if n < 2:
        return None
    row = np.full((1, wheel.teeth), np.nan)
    row[0, teeth[:n]] = t[:n]
    return row
