"""Turns with extra and lost edges, numbered between the gaps in front of and behind them.

Edge times `t` [s] have shape (edges,); a matrix of turns has shape (turns, teeth), its flags (turns,).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from misfire.crank.gaps import gap_pitches
from misfire.crank.teeth import BoolArray, Fault, IntArray
from misfire.engine import FloatArray, Wheel

ON_PLACE = 0.3  # pitches: an edge this close to a tooth's place is that tooth
HOLE_FROM = 3.5  # pitches: a hole from which on the count of teeth in it may be wrong


@dataclass(frozen=True)
class Mended:
    """Turns numbered around faults: times [s] and flags by row, counts of edges, where the faults are.

    `sure` is True when the wheel's gap stands in front of the first turn where it must; rows of faults count
    from the first turn.
    """

    time_s: FloatArray
    faulty: BoolArray
    extra: int
    lost: int
    faults: list[Fault]
    sure: bool


@dataclass(frozen=True)
class Gap:
    """How long gaps read: the wheel, and the longest gap [pitches] as seen in the sound turns of the log."""

    wheel: Wheel
    seen: float

    @cached_property
    def teeth(self) -> IntArray:
        """Positions that carry a tooth."""
        return self.wheel.tooth_positions

    @cached_property
    def index(self) -> IntArray:
        """Number of the tooth at each position, -1 where there is none."""
        out = np.full(self.wheel.positions, -1, dtype=np.int64)
        out[self.teeth] = np.arange(self.teeth.size)
        return out

    @cached_property
    def ways_back(self) -> list[list[tuple[float, int]]]:
        """By position, distances [pitches] back over a gap or to the tooth behind it: as they read, and true."""
        p = self.teeth
        longer = self.seen / gap_pitches(self.wheel)
        out: list[list[tuple[float, int]]] = [[] for _ in range(self.wheel.positions)]
        for q, d in zip(p.tolist(), np.diff(p, prepend=p[-1] - self.wheel.positions).tolist(), strict=True):
            if d > 1:
                out[q] = [(d * longer, d)]
                # the weak first tooth stands off its place, or is lost
                out[(q + 1) % self.wheel.positions] = [(1 + d - d * longer, 1), (1.0 + d, 1 + d)]
        return out


def local_pitch(dt: FloatArray, wheel: Wheel) -> FloatArray:
    """Time of one pitch [s] around every interval; shape as `dt`.

    The median over about 54 deg follows the speed of a coarse wheel; where extra edges crowd it, of nine intervals.
    """
    from scipy.ndimage import median_filter

    width = int(np.clip(round(54.0 / wheel.pitch_deg), 3, 9)) | 1
    wide = np.asarray(median_filter(dt, size=min(9, dt.size), mode="mirror"))
    if width == 9:
        return wide
    narrow = median_filter(dt, size=min(width, dt.size), mode="mirror")
    alike = (narrow > 0.72 * wide) & (narrow < 1.4 * wide)
    return np.where(alike, narrow, wide)


def mend(t: FloatArray, a: int, b: int, gap: Gap) -> Mended | None:
    """Number the edges between two anchors, `t[a]` and `t[b]`, that are not one sound turn apart.

    Edges are placed from the later anchor back by their distance in local pitches; an edge that is not near
    a place is extra, a place without an edge is lost. The gap in front of the first turn must then be where
    the wheel has it, or the rows are not trusted. None where the numbering is lost.
    """
    wheel = gap.wheel
    if wheel.angles_deg is not None or b <= a + 1 or b - a > 400 * wheel.teeth:
        return None
    seg = t[a : b + 1]
    before, behind = max(a - 8, 0), min(b + 9, t.size)
    pitch = local_pitch(np.diff(t[before:behind]), wheel)[a - before : b - before]
    step = np.diff(seg) / pitch
    place, on = _places(step, gap)
    if not on.any():
        return None
    first = int(np.argmax(on))
    lead = round(float(step[: first + 1].sum()) - gap.seen)  # teeth missing behind the gap in front
    positions = wheel.positions
    turns = round((positions - float(place[first]) + lead) / positions)
    if turns < 1:
        return None
    off = round(float(place[first])) - lead + (turns - 1) * positions
    more = round((t[b + 1] - t[b]) / pitch[-1] - gap.seen) if b + 1 < t.size else 0
    if off > 0 and more > 0:
        # the last teeth were lost: the later anchor stands that much earlier on the wheel
        short = min(off, more)
        place = place - short
        off -= short
    elif off < 0 < lead:
        # the teeth missing at the gap in front are the last ones of the turn before
        off += min(-off, lead)
    sure = off == 0
    if not sure:
        hole = int(np.argmax(step[1:])) + 1
        if step[hole] < HOLE_FROM or abs(off) > 1 + 0.15 * step[hole]:
            return None
        place[:hole] -= off
    return _rows(seg[1:], place, on, turns, sure, gap)


def _places(step: FloatArray, gap: Gap) -> tuple[FloatArray, BoolArray]:
    """Place of every edge behind the first anchor, position 0 of the last turn = 0; False where none is near."""
    ways = gap.ways_back
    place = int(gap.teeth[-1])
    if (plain := _plain_places(step, place, gap)) is not None:
        return plain
    out, on = [float(place)], [True]
    run = 0.0
    for s in step[:0:-1].tolist():
        run += s
        back = 0
        over = ways[place % gap.wheel.positions]
        if not over:
            whole = round(run)
            back = whole if abs(run - whole) <= ON_PLACE + 0.02 * whole else 0
        for reads, true in over:
            beyond = round(run - reads)
            if (abs(run - reads) < 0.4) if true == 1 else (run > 1.6 and beyond >= 0):
                back = true + beyond
                break
        if back:
            place -= back
            run = 0.0
        out.append(place - run)
        on.append(back > 0)
    return np.array(out[::-1]), np.array(on[::-1])


def _plain_places(step: FloatArray, last: int, gap: Gap) -> tuple[FloatArray, BoolArray] | None:
    """The same at once, where one turn without a gap inside it leaves no doubt at any edge; else None."""
    back = np.concatenate(([0.0], np.cumsum(step[:0:-1])))
    if back[-1] > last + 0.3 or (np.diff(gap.teeth) > 1).any():
        return None
    whole = np.rint(back)
    off = np.abs(back - whole)
    on = off < 0.12
    # the edge nearest to the gap in front must be a plain one too
    if on[-1] and (on | (off > 0.36)).all() and (np.diff(whole[on]) > 0).all():
        return (last - np.where(on, whole, back))[::-1], on[::-1]
    return None


def _rows(t: FloatArray, place: FloatArray, on: BoolArray, turns: int, sure: bool, gap: Gap) -> Mended | None:
    """The matrix from edges at places, position 0 of the last turn = 0."""
    positions, index = gap.wheel.positions, gap.index
    row, position = np.divmod(np.floor(place + 0.5).astype(np.int64) + (turns - 1) * positions, positions)
    tooth = index[position]
    good = on & (tooth >= 0) & (row >= 0) & (row < turns)
    row = np.clip(row, 0, turns - 1)
    rows = np.full((turns, gap.teeth.size), np.nan)
    rows[row[good], tooth[good]] = t[good]
    bad = np.full(turns, not sure)
    bad[row[~good]] = True
    faults = [
        Fault("extra", float(x), int(r), int(q))
        for x, r, q in zip(t[~good], row[~good], position[~good], strict=True)
    ]
    hole = np.isnan(rows)
    # a first tooth below the threshold is no fault
    weak = hole[:, 0] & ~hole[:, 1:].any(axis=1) & ~bad
    hole[weak] = False
    bad |= hole.any(axis=1)
    lost = int(hole.sum())
    if lost > 0.4 * rows.size:
        return None
    if lost:
        r, j = np.nonzero(hole)
        q = gap.teeth[j]
        when = np.interp(r * positions + q, place[good] + (turns - 1) * positions, t[good])
        faults += [Fault("lost", float(x), int(k), int(p)) for x, k, p in zip(when, r, q, strict=True)]
    return Mended(rows, bad, int(np.count_nonzero(~good)), lost, faults, sure)
