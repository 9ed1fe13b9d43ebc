"""Numbering of a wheel with a gap: sound turns at once, what lies between them mended one by one.

Edge times `t` [s] have shape (edges,), anchors shape (anchors,).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from misfire.crank.ends import head_row, tail_row
from misfire.crank.find import looks_like
from misfire.crank.gaps import find_anchors, gap_pitches
from misfire.crank.mend import Gap, Mended, mend
from misfire.crank.stops import Stretch, pause_notes, stretches
from misfire.crank.teeth import BoolArray, Crank, Fault, IntArray
from misfire.engine import FloatArray, Wheel
from misfire.errors import InputError, TooFewTurnsError

# An interval inside a sound turn lies within these shares of the turn's mean pitch (the first tooth aside)
SHORTEST, LONGEST = 0.6, 1.6
LOOK = 12  # anchors looked at to find one that stands whole turns away
ROWS = 20_000  # turns looked at in one go


def number_gap(t: FloatArray, wheel: Wheel, found: bool) -> Crank:
    """Number the edges `t` [s] of a wheel with one or more gaps.

    `found`: the wheel was found in the log. Raises InputError when the wheel contradicts the log,
    TooFewTurnsError when fewer than two turns can be numbered.
    """
    parts = stretches(t, wheel)
    anchors = [find_anchors(t[p.first : p.last], wheel) for p in parts]
    _check_fit(t, wheel, anchors)
    rows = _Rows(wheel)
    for part, a in zip(parts, anchors, strict=True):
        if a.size > 1 or (a.size == 1 and len(parts) > 1):
            rows.begin_stretch()
            _fill(rows, t[part.first : part.last], a, part)
    return rows.joined(t.size, found, pause_notes(parts))


def _check_fit(t: FloatArray, wheel: Wheel, anchors: list[IntArray]) -> None:
    """Raise when the counts of edges between gaps do not belong to the wheel."""
    step = np.concatenate([np.diff(a) for a in anchors])
    if not step.size and sum(a.size for a in anchors) < 3:
        if t.size < 2 * wheel.teeth:
            raise TooFewTurnsError(
                f"{t.size} crank edges hold fewer than two turns of a {wheel.label} wheel; record at least ten seconds"
            )
    else:
        teeth = wheel.teeth
        close = np.abs(step - teeth) <= max(1, teeth // 20)
        if not step.size or close.mean() >= 0.3 or _mostly_whole(step, teeth):
            return
    widths = wheel.angles_deg is not None and wheel.counted_edge != "both"
    hint = (
        ', or write counted_edge = "both" if the angles are those of both edges of every tooth'
        if widths
        else ""
    )
    raise InputError(
        f"wheel {wheel.label} does not fit the log: {looks_like(t)}; correct it (positions in the engine file, or --wheel) or leave it out{hint}"
    )


def _mostly_whole(step: IntArray, teeth: int) -> bool:
    return bool(
        np.mean(np.abs(step / teeth - np.round(step / teeth)) < 0.04) > 0.8 and np.median(step) < 4 * teeth
    )


class _Rows:
    """The matrix while it grows: parts in time order, with their flags, blocks and faults."""

    def __init__(self, wheel: Wheel) -> None:
        self.wheel = wheel
        self.time: list[FloatArray] = []
        self.faulty: list[BoolArray] = []
        self.block: list[IntArray] = []
        self.faults: list[Fault] = []
        self.turns = self.now = self.extra = self.lost = self.resyncs = self.first_tooth_lost = 0

    def add(self, matrix: FloatArray, bad: bool | BoolArray) -> None:
        self.time.append(matrix)
        self.faulty.append(np.full(len(matrix), bad) if isinstance(bad, bool) else bad)
        self.block.append(np.full(len(matrix), self.now))
        self.turns += len(matrix)

    def add_end(self, row: FloatArray | None) -> None:
        if row is not None:
            self.add(row, False)

    def begin_stretch(self) -> None:
        """Part what follows from what came before by an empty row of its own block."""
        if self.turns:
            self.now += 1
            self.add(np.full((1, self.wheel.teeth), np.nan), True)
            self.now += 1

    def add_mended(self, got: Mended) -> None:
        self.faults += [replace(f, turn=f.turn + self.turns) for f in got.faults]
        self.add(got.time_s, got.faulty)
        self.extra += got.extra
        self.lost += got.lost

    def lose(self, time_s: float) -> None:
        """Note that the numbering was lost at a time."""
        self.resyncs += 1
        self.faults.append(Fault("break", time_s, self.turns, self.wheel.teeth - 1))

    def joined(self, edges: int, found: bool, notes: tuple[str, ...]) -> Crank:
        """The numbered log. Raises TooFewTurnsError below two whole turns."""
        time = np.empty((self.turns, self.wheel.teeth))
        at = 0
        for k, part in enumerate(self.time):
            time[at : at + len(part)] = part
            at += len(part)
            self.time[k] = part[:0].copy()  # long logs: the parts go as the whole grows
        if np.count_nonzero(np.isfinite(time[:, 1:]).all(axis=1)) < 2:
            raise TooFewTurnsError(
                f"fewer than two whole turns of the {self.wheel.label} wheel can be numbered; "
                "record at least ten seconds of running"
            )
        return Crank(
            time_s=time,
            wheel=self.wheel,
            block=np.concatenate(self.block),
            faulty=np.concatenate(self.faulty),
            edges=edges,
            extra_edges=self.extra,
            lost_edges=self.lost,
            resyncs=self.resyncs,
            first_tooth_lost=self.first_tooth_lost,
            faults=tuple(self.faults),
            wheel_found=found,
            notes=notes,
        )


def _fill(rows: _Rows, t: FloatArray, anchors: IntArray, part: Stretch) -> None:
    """One stretch: runs of sound turns at once, what lies between them mended, and the part turns at both ends."""
    wheel = rows.wheel
    sound, first_lost = _sound(t, wheel, anchors)
    rows.first_tooth_lost += int(np.count_nonzero(first_lost))
    gap = Gap(wheel, _gap_seen(t, wheel, anchors, sound, first_lost))
    runs = np.flatnonzero(np.diff(np.concatenate(([False], sound, [False])).astype(np.int8)))
    at = None if sound.any() or not sound.size else 0
    # a faulty first or last turn does not vouch for the edges outside it
    if sound.size == 0 or sound[0]:
        rows.add_end(head_row(t, int(anchors[0]), gap, bool(sound.size and first_lost[0])))
    for lo, hi in runs.reshape(-1, 2).tolist():
        _between(rows, t, anchors[at or 0 : lo + 1].tolist(), gap, at is not None, True)
        for k in range(lo, hi, ROWS):
            part_of = slice(k, min(k + ROWS, hi))
            rows.add(_sound_turns(t, wheel.teeth, anchors[part_of], first_lost[part_of]), False)
        at = hi
    if at is not None:
        _between(rows, t, anchors[at:].tolist(), gap, True, False)
    if (sound.size == 0 or sound[-1]) and not part.to_rest:
        rows.add_end(tail_row(t, int(anchors[-1]), gap))


def _between(
    rows: _Rows, t: FloatArray, anchors: list[int], gap: Gap, from_front: bool, from_behind: bool
) -> None:
    """Mend between the first and the last of some anchors, of which those inside may be no gaps at all.

    From the ends that sound turns vouch for to the nearest anchor that stands whole turns away, and on; a
    break where the numbering does not reach across.
    """
    lo, hi = 0, len(anchors) - 1
    while lo < hi and from_front:
        n, got = _nearest(t, anchors[lo:], gap)
        if got is None:
            break
        rows.add_mended(got)
        lo += n
    behind: list[Mended] = []
    while lo < hi and from_behind:
        n, got = _nearest(t, anchors[hi : (lo - 1 if lo else None) : -1], gap)
        if got is None:
            break
        behind.append(got)
        hi -= n
    if lo < hi and ((from_front and from_behind) or anchors[hi] - anchors[lo] > 1.5 * rows.wheel.teeth):
        rows.lose(float(t[anchors[lo]]))
        if from_behind:
            rows.begin_stretch()
    for got in reversed(behind):
        rows.add_mended(got)


def _nearest(t: FloatArray, anchors: list[int], gap: Gap) -> tuple[int, Mended | None]:
    """How many anchors on from the first one the nearest surely whole turns end, and these turns.

    Turns that are not sure, across a hole in the signal, only where nothing else is found.
    """
    second: tuple[int, Mended | None] = (0, None)
    for n, other in enumerate(anchors[1 : LOOK + 1], start=1):
        got = mend(t, min(anchors[0], other), max(anchors[0], other), gap)
        if got is not None and got.sure:
            return n, got
        if got is not None:
            second = n, got
    return second


def _sound(t: FloatArray, wheel: Wheel, anchors: IntArray) -> tuple[BoolArray, BoolArray]:
    """Turns behind each anchor that hold every tooth, the weak first one aside; and those that lack it."""
    teeth = wheel.teeth
    step = np.diff(anchors)
    # a long gap in front: the first tooth is gone; a long gap behind would be the last one
    pitch = (t[anchors[1:]] - t[anchors[:-1] + 1]) / np.maximum(step - 1, 1)
    long_gap = t[anchors[:-1] + 1] - t[anchors[:-1]] > (gap_pitches(wheel) + 0.5) * pitch
    whole = step == teeth
    first_lost = (step == teeth - 1) & long_gap
    if wheel.angles_deg is None:
        inner = np.diff(wheel.tooth_positions).astype(float)
        whole &= _even_inside(t, anchors, inner[1:], whole)
        first_lost &= _even_inside(t, anchors, inner[2:], first_lost)
    return whole | first_lost, first_lost


def _even_inside(t: FloatArray, anchors: IntArray, nominal: FloatArray, which: BoolArray) -> BoolArray:
    """True where no interval [nominal pitches] of a turn stands out, from the second edge behind the anchor on.

    An edge too many and one too few in the same turn give the right count and a wrong number in between.
    """
    out = np.zeros(which.size, dtype=bool)
    hit = np.flatnonzero(which)
    if nominal.size == 0:
        return which
    for lo in range(0, hit.size, ROWS):
        part = hit[lo : lo + ROWS]
        dt = np.diff(t[anchors[part][:, None] + 2 + np.arange(nominal.size + 1)], axis=1) / nominal
        mean = dt.mean(axis=1)
        out[part] = (dt.max(axis=1) < LONGEST * mean) & (dt.min(axis=1) > SHORTEST * mean)
    return out


def _gap_seen(
    t: FloatArray, wheel: Wheel, anchors: IntArray, sound: BoolArray, first_lost: BoolArray
) -> float:
    """Length [pitches] of the longest gap as it reads, the median over gaps between two sound turns."""
    inner = sound.copy()
    inner[1:] &= sound[:-1]
    for which, weak in ((inner & ~first_lost, 0.0), (inner & first_lost, 1.0)):
        at = anchors[:-1][which]
        at = at[at + 5 < t.size]
        if at.size:
            ratio = (t[at + 1] - t[at]) / np.median([t[at + k + 1] - t[at + k] for k in (2, 3, 4)], axis=0)
            return float(np.sort(ratio)[(ratio.size - 1) // 2]) - weak
    return gap_pitches(wheel)


def _sound_turns(t: FloatArray, teeth: int, anchors: IntArray, first_lost: BoolArray) -> FloatArray:
    """Matrix of the turns behind `anchors`; the weak first tooth of `first_lost` turns is left empty."""
    run = np.full((anchors.size, teeth), np.nan)
    run[~first_lost] = t[anchors[~first_lost][:, None] + 1 + np.arange(teeth)]
    run[first_lost, 1:] = t[anchors[first_lost][:, None] + 1 + np.arange(teeth - 1)]
    return run
