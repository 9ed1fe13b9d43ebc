"""Stretches that are not one sound turn: extra and lost edges between two gaps, and the ends of a log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank.gaps import gap_pitches
from misfire.crank.teeth import LONGEST_PAUSE_S, BoolArray, Fault, IntArray
from misfire.engine import FloatArray, Wheel


@dataclass(frozen=True)
class Mended:
    """Turns numbered around faults: times [s] and flags by row, counts of edges, where the faults are."""

    time_s: FloatArray
    faulty: BoolArray
    extra: int
    lost: int
    faults: list[Fault]


def mend(t: FloatArray, a: int, b: int, wheel: Wheel, turn: int) -> Mended | None:
    """Number the edges between two anchors, `t[a]` and `t[b]`, that are not one sound turn apart.

    None where the numbering is lost. Intervals are rounded to pitches from the later anchor back, so the
    length of the gap is not needed; an edge that falls between two positions is taken as extra, an empty
    position as lost.
    """
    if wheel.angles_deg is not None or b <= a:
        return None
    seg = t[a : b + 1]
    if seg.size > 400 * wheel.teeth or np.diff(seg).max() > LONGEST_PAUSE_S:
        return None
    dt = np.diff(seg)
    pitch = _local_pitch(dt)
    # the time of the segment in pitches, from smooth local speed, tells how many turns it holds
    steps = dt / pitch
    total = float(steps.sum())
    turns = max(1, round(total / wheel.positions))
    back = np.concatenate((np.cumsum(steps[::-1])[::-1], [0.0]))
    position = turns * wheel.positions - back  # counted so that the later anchor is `turns` turns on
    scale = turns * wheel.positions / total
    if abs(scale - 1.0) > 0.03:
        return None
    position = (
        position
        if turns == 1 and abs(total - wheel.positions) < 0.75
        else turns * wheel.positions - back * scale
    )
    nearest = np.rint(position).astype(np.int64)
    off = np.abs(position - nearest)
    last = int(wheel.tooth_positions[-1])
    rows = np.full((turns, wheel.teeth), np.nan)
    miss = np.full((turns, wheel.teeth), np.inf)
    index = np.full(wheel.positions, -1, dtype=np.int64)
    index[wheel.tooth_positions] = np.arange(wheel.teeth)
    extra = 0
    faults: list[Fault] = []
    bad = np.zeros(turns, dtype=bool)
    for time, p, o in zip(seg[1:], nearest[1:], off[1:], strict=True):
        r, q = divmod(int(p) + last, wheel.positions)
        r -= 1
        if p == 0 or r < 0 or r >= turns:
            extra += 1
            faults.append(Fault("extra", float(time), turn + min(max(r, 0), turns - 1), q))
            bad[min(max(r, 0), turns - 1)] = True
            continue
        j = int(index[q])
        if j < 0 or np.isfinite(rows[r, j]):
            extra += 1
            bad[r] = True
            faults.append(Fault("extra", float(time), turn + r, q))
            if j < 0 or o >= miss[r, j]:
                continue
        rows[r, j] = time
        miss[r, j] = o
    hole = np.isnan(rows)
    first_only = hole[:, 0] & ~hole[:, 1:].any(axis=1)
    lost = int(hole.sum() - np.count_nonzero(first_only & ~bad))
    bad |= hole.any(axis=1) & ~first_only
    for r, j in np.argwhere(hole & ~(first_only & ~bad)[:, None]):
        faults.append(Fault("lost", float(seg[0]), turn + int(r), int(wheel.tooth_positions[j])))
    if lost > 0.4 * rows.size:
        return None
    return Mended(rows, bad, extra, lost, faults)


def head_row(t: FloatArray, wheel: Wheel, short: int = 0) -> FloatArray | None:
    """The teeth recorded before the first gap, numbered back from it."""
    if wheel.angles_deg is not None:
        return _irregular_part(t, wheel, wheel.teeth - t.size - short)
    steps = _whole_steps(t, wheel)
    if steps is None:
        return None
    position = np.concatenate((np.cumsum(steps[::-1])[::-1], [0]))
    return _row_from(t, wheel.tooth_positions[-1] - short - position, wheel)


def tail_row(t: FloatArray, wheel: Wheel) -> FloatArray | None:
    """The teeth recorded after the last gap; `t` starts with the tooth before it."""
    if t.size < 3:
        return None
    inner = t[1:]
    if wheel.angles_deg is not None:
        return _irregular_part(inner, wheel, 0)
    steps = _whole_steps(inner, wheel)
    if steps is None:
        return None
    weak = (t[1] - t[0]) > (gap_pitches(wheel) + 0.75) * float(np.median(np.diff(inner)))
    return _row_from(inner, np.concatenate(([0], np.cumsum(steps))) + int(weak), wheel)


def _irregular_part(t: FloatArray, wheel: Wheel, first: int) -> FloatArray | None:
    """A row of an irregular wheel recorded in part, from tooth `first` on; None when the intervals do not fit."""
    if first < 0 or first + t.size > wheel.teeth or t.size < 2:
        return None
    pace = np.diff(t) / np.diff(wheel.tooth_angles_deg[first : first + t.size])
    if pace.max() > 1.4 * np.median(pace) or pace.min() < 0.6 * np.median(pace):
        return None
    row = np.full((1, wheel.teeth), np.nan)
    row[0, first : first + t.size] = t
    return row


def _row_from(t: FloatArray, position: IntArray, wheel: Wheel) -> FloatArray | None:
    row = np.full((1, wheel.teeth), np.nan)
    index = {int(p): j for j, p in enumerate(wheel.tooth_positions)}
    for time, p in zip(t, position, strict=True):
        j = index.get(int(p))
        if j is not None:
            row[0, j] = time
    return row


def _whole_steps(t: FloatArray, wheel: Wheel) -> IntArray | None:
    if t.size < 2 or wheel.angles_deg is not None:
        return None
    dt = np.diff(t)
    steps = np.rint(dt / _local_pitch(dt)).astype(np.int64)
    return None if (steps < 1).any() else steps


def _local_pitch(dt: FloatArray) -> FloatArray:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(dt, size=min(9, dt.size), mode="mirror"), dtype=float)
