"""Numbering of a wheel with a gap: sound turns at once, what lies between them mended one by one."""

from __future__ import annotations

import numpy as np

from misfire.crank.find import looks_like
from misfire.crank.gaps import find_anchors, gap_pitches, trusted_ends
from misfire.crank.mend import head_row, mend, tail_row
from misfire.crank.teeth import BoolArray, Crank, Fault, IntArray
from misfire.engine import FloatArray, Wheel
from misfire.errors import InputError, TooFewTurnsError


def number_gap(t: FloatArray, wheel: Wheel, found: bool) -> Crank:
    """Number the edges `t` [s] of a wheel with one or more gaps.

    `found`: the wheel was found in the log. Raises InputError when the wheel contradicts the log,
    TooFewTurnsError when fewer than two turns can be numbered.
    """
    teeth = wheel.teeth
    anchors = find_anchors(t, wheel)
    if anchors.size < 2:
        if t.size < 2 * teeth:
            raise TooFewTurnsError(
                f"{t.size} crank edges hold fewer than two turns of a {wheel.label} wheel; record at least ten seconds"
            )
        raise _contradicts(t, wheel)
    step = np.diff(anchors)
    close = np.abs(step - teeth) <= max(1, teeth // 20)
    if close.mean() < 0.3 and not _mostly_whole(step, teeth):
        raise _contradicts(t, wheel)
    anchors = trusted_ends(anchors, teeth)
    step = np.diff(anchors)
    whole = step == teeth
    # a long gap in front: the first tooth is gone; a long gap behind would be the last one
    pitch = (t[anchors[1:]] - t[anchors[:-1] + 1]) / np.maximum(step - 1, 1)
    long_gap = t[anchors[:-1] + 1] - t[anchors[:-1]] > (gap_pitches(wheel) + 0.5) * pitch
    first_lost = (step == teeth - 1) & long_gap & _smooth_inside(t, anchors, teeth - 1)
    rows = _fill(t, wheel, anchors, whole | first_lost, first_lost)
    return rows.joined(t.size, int(np.count_nonzero(first_lost)), found)


def _contradicts(t: FloatArray, wheel: Wheel) -> InputError:
    return InputError(
        f"wheel {wheel.label} does not fit the log: {looks_like(t)}; correct the wheel or leave it out"
    )


def _mostly_whole(step: IntArray, teeth: int) -> bool:
    return bool(
        np.mean(np.abs(step / teeth - np.round(step / teeth)) < 0.04) > 0.8 and np.median(step) < 4 * teeth
    )


def _smooth_inside(t: FloatArray, anchors: IntArray, teeth: int) -> BoolArray:
    """True for the turns whose inner intervals are all about one pitch, so the tooth lost is the first."""
    out = np.zeros(anchors.size - 1, dtype=bool)
    hit = np.flatnonzero(np.diff(anchors) == teeth)
    if hit.size:
        rows = anchors[hit][:, None] + 1 + np.arange(teeth)
        dt = np.diff(t[rows], axis=1)
        out[hit] = dt.max(axis=1) < 1.5 * np.median(dt, axis=1)
    return out


class _Rows:
    """The matrix while it grows: parts in time order, with their flags, blocks and faults."""

    def __init__(self, wheel: Wheel) -> None:
        self.wheel = wheel
        self.time: list[FloatArray] = []
        self.faulty: list[BoolArray] = []
        self.block: list[IntArray] = []
        self.faults: list[Fault] = []
        self.turns = self.now = self.extra = self.lost = self.resyncs = 0

    def add(self, matrix: FloatArray, bad: bool | BoolArray) -> None:
        self.time.append(matrix)
        self.faulty.append(np.full(len(matrix), bad) if isinstance(bad, bool) else bad)
        self.block.append(np.full(len(matrix), self.now))
        self.turns += len(matrix)

    def add_mended(self, t: FloatArray, a: int, b: int, last: bool) -> None:
        """The turns between edges `a` and `b`, both of them last teeth; a break where they cannot be numbered."""
        got = mend(t, a, b, self.wheel, self.turns)
        if got is not None:
            self.add(got.time_s, got.faulty)
            self.extra += got.extra
            self.lost += got.lost
            self.faults += got.faults
            return
        self.resyncs += 1
        self.faults.append(Fault("break", float(t[a]), self.turns, self.wheel.teeth - 1))
        if not last:
            self.now += 1
            self.add(np.full((1, self.wheel.teeth), np.nan), True)
            self.now += 1

    def joined(self, edges: int, first_tooth_lost: int, found: bool) -> Crank:
        """The numbered log. Raises TooFewTurnsError below two whole turns."""
        time = np.vstack(self.time) if self.time else np.empty((0, self.wheel.teeth))
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
            first_tooth_lost=first_tooth_lost,
            faults=tuple(self.faults),
            wheel_found=found,
        )


def _fill(t: FloatArray, wheel: Wheel, anchors: IntArray, sound: BoolArray, first_lost: BoolArray) -> _Rows:
    """Runs of sound turns at once, what lies between them mended, and the part turns at both ends."""
    rows = _Rows(wheel)
    # a faulty first or last turn does not vouch for the edges outside it
    head = _head(t, wheel, int(anchors[0]), bool(first_lost[0])) if sound[0] else None
    if head is not None:
        rows.add(head, False)
    ends = np.flatnonzero(np.diff(np.concatenate(([False], sound, [False])).astype(np.int8)))
    at = 0
    for lo, hi in ends.reshape(-1, 2).tolist():
        if lo > at:
            rows.add_mended(t, int(anchors[at]), int(anchors[lo]), last=False)
        rows.add(_sound_turns(t, wheel.teeth, anchors[lo:hi], first_lost[lo:hi]), False)
        at = hi
    if at < sound.size:
        rows.add_mended(t, int(anchors[at]), int(anchors[-1]), last=True)
    tail = tail_row(t[anchors[-1] :], wheel) if sound[-1] else None
    if tail is not None:
        rows.add(tail, False)
    return rows


def _head(t: FloatArray, wheel: Wheel, anchor: int, first_lost: bool) -> FloatArray | None:
    gap = t[anchor + 1] - t[anchor]
    pitch = float(np.median(np.diff(t[anchor + 1 : anchor + 8]))) if t.size > anchor + 3 else np.inf
    short = not first_lost and gap > (gap_pitches(wheel) + 0.5) * pitch  # the last tooth was lost
    return head_row(t[: anchor + 1], wheel, int(short))


def _sound_turns(t: FloatArray, teeth: int, anchors: IntArray, first_lost: BoolArray) -> FloatArray:
    """Matrix of the turns behind `anchors`; the weak first tooth of `first_lost` turns is left empty."""
    run = np.full((anchors.size, teeth), np.nan)
    run[~first_lost] = t[anchors[~first_lost][:, None] + 1 + np.arange(teeth)]
    run[first_lost, 1:] = t[anchors[first_lost][:, None] + 1 + np.arange(teeth - 1)]
    return run
