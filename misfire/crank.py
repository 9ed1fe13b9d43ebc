"""Edges -> numbered teeth and turns; faults in the signal.

Convention: a turn starts at position 0, the first tooth after the longest gap, and row k of the matrix
holds the times of the teeth of turn k, NaN where an edge is missing. The edge *before* the gap is the
anchor, because the first tooth behind a gap is the one that real pickups weaken, shift and lose.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from misfire.engine import TURN_DEG, FloatArray, Wheel
from misfire.errors import InputError, TooFewTurnsError

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

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
GAP_FROM = 1.75  # pitches: below it an interval is never a gap
LONGEST_PAUSE_S = 2.0  # a longer silence between two edges is a pause of the recording or a standing engine


@dataclass(frozen=True)
class Fault:
    """One fault of the edge train: "extra" or "lost" edge, or "break" where the numbering was lost."""

    kind: Literal["extra", "lost", "break"]
    time_s: float
    turn: int
    position: int


@dataclass(frozen=True)
class Crank:
    """Numbered teeth of one log.

    Attributes
    ----------
    time_s : array, shape (turns, teeth)
        Edge time [s] of every tooth by turn; NaN where there is no trusted edge.
    wheel : Wheel
    block : array, shape (turns,)
        Runs of turns without a break in the numbering; the cycle phase holds inside a block only.
    faulty : array of bool, shape (turns,)
        Turns touched by an extra or lost edge other than the weak first tooth.
    extra_edges, lost_edges, resyncs, turns_set_aside : int
    first_tooth_lost : int
        Turns whose first tooth after the gap did not reach the threshold.
    faults : tuple of Fault
    wheel_found : bool
        True when the wheel was found in the log, not given.
    """

    time_s: FloatArray
    wheel: Wheel
    block: IntArray
    faulty: BoolArray
    edges: int
    extra_edges: int
    lost_edges: int
    resyncs: int
    first_tooth_lost: int
    faults: tuple[Fault, ...]
    wheel_found: bool
    notes: tuple[str, ...] = ()

    @property
    def turns(self) -> int:
        """Rows of the matrix: whole and partly recorded turns."""
        return int(self.time_s.shape[0])

    @property
    def turns_set_aside(self) -> int:
        """Turns that no decision uses."""
        return int(self.faulty.sum())


def number_edges(edge_s: FloatArray, wheel: Wheel | None, mark_s: FloatArray | None = None) -> Crank:
    """Give every edge its tooth and turn.

    Parameters
    ----------
    edge_s : array, shape (edges,)
        Edge times [s], growing.
    wheel : Wheel or None
        None: the wheel is found in the log.
    mark_s : array or None
        Cam edges or cylinder-1 marks [s]; they number an evenly toothed wheel.

    Raises
    ------
    InputError
        The wheel contradicts the log; the message says what the log looks like.
    TooFewTurnsError
        Fewer than two turns can be numbered.
    """
    t = np.asarray(edge_s, dtype=float)
    if t.size < 4:
        raise TooFewTurnsError(
            f"only {t.size} crank edges: fewer than two turns; record at least ten seconds of running"
        )
    found = wheel is None
    if wheel is None:
        wheel = find_wheel(t)
    if not wheel.missing and wheel.angles_deg is None:
        _check_no_gap(t, wheel)
        return _number_even(t, wheel, mark_s, found)
    if wheel.angles_deg is None:
        _check_zero(wheel)
    return _number_gap(t, wheel, found)


def _check_zero(wheel: Wheel) -> None:
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


def _check_no_gap(t: FloatArray, wheel: Wheel) -> None:
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
        pitch = np.median(np.lib.stride_tricks.sliding_window_view(dt, 9), axis=1)
        ratio = dt[c] / pitch[np.clip(c - 4, 0, pitch.size - 1)]
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
    ratio = float(np.median(dt[inner] / np.median([dt[inner - 2], dt[inner - 3], dt[inner + 3]], axis=0)))
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


def _looks_like(t: FloatArray) -> str:
    try:
        return f"the log looks like a {find_wheel(t).label} wheel"
    except TooFewTurnsError:
        return "no regular gap is seen in the log"


def _anchors(t: FloatArray, wheel: Wheel) -> IntArray:
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


def _number_gap(t: FloatArray, wheel: Wheel, found: bool) -> Crank:
    teeth = wheel.teeth
    anchors = _anchors(t, wheel)
    if anchors.size < 2:
        if t.size < 2 * teeth:
            raise TooFewTurnsError(
                f"{t.size} crank edges hold fewer than two turns of a {wheel.label} wheel; record at least ten seconds"
            )
        raise InputError(
            f"wheel {wheel.label} does not fit the log: {_looks_like(t)}; correct the wheel or leave it out"
        )
    step = np.diff(anchors)
    close = np.abs(step - teeth) <= max(1, teeth // 20)
    if close.mean() < 0.3 and not _mostly_whole(step, teeth):
        raise InputError(
            f"wheel {wheel.label} does not fit the log: {_looks_like(t)}; correct the wheel or leave it out"
        )
    anchors = _trusted_ends(anchors, teeth)
    step = np.diff(anchors)
    whole = step == teeth
    # a long gap in front: the first tooth is gone; a long gap behind would be the last one
    pitch = (t[anchors[1:]] - t[anchors[:-1] + 1]) / np.maximum(step - 1, 1)
    long_gap = t[anchors[:-1] + 1] - t[anchors[:-1]] > (len_gap(wheel) + 0.5) * pitch
    first_lost = (step == teeth - 1) & long_gap & _smooth_inside(t, anchors, teeth - 1)
    sound = whole | first_lost
    rows: list[FloatArray] = []
    return _assemble(t, wheel, anchors, sound, first_lost, found, rows)


def _trusted_ends(anchors: IntArray, teeth: int) -> IntArray:
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


def _assemble(
    t: FloatArray,
    wheel: Wheel,
    anchors: IntArray,
    sound: BoolArray,
    first_lost: BoolArray,
    found: bool,
    _rows: list[FloatArray],
) -> Crank:
    teeth = wheel.teeth
    nan_row = np.full((1, teeth), np.nan)
    parts: list[FloatArray] = []
    flags: list[BoolArray] = []
    blocks: list[IntArray] = []
    faults: list[Fault] = []
    extra = lost = resyncs = turn = block = 0

    def add(matrix: FloatArray, bad: bool | BoolArray) -> None:
        nonlocal turn
        parts.append(matrix)
        flags.append(np.full(len(matrix), bad) if isinstance(bad, bool) else bad)
        blocks.append(np.full(len(matrix), block))
        turn += len(matrix)

    # a faulty first or last turn does not vouch for the edges outside it
    a = int(anchors[0])
    gap = (t[a + 1] - t[a]) / float(np.median(np.diff(t[a + 1 : a + 8]))) if t.size > a + 3 else 0.0
    short = bool(sound[0] and not first_lost[0] and gap > len_gap(wheel) + 0.5)  # the last tooth was lost
    head = _head_row(t[: a + 1], wheel, int(short)) if sound[0] else None
    if head is not None:
        add(head, bool(np.isinf(head).any()))
        parts[-1] = np.where(np.isinf(head), np.nan, head)
    # runs of sound turns are filled at once; what lies between is mended one by one
    n = sound.size
    edges_of_runs = np.flatnonzero(np.diff(np.concatenate(([False], sound, [False])).astype(np.int8)))
    at = 0
    for lo, hi in edges_of_runs.reshape(-1, 2):
        if lo > at:
            got = _mend(t, anchors[at], anchors[lo], wheel, turn)
            if got is None:
                resyncs += 1
                block += 1
                faults.append(Fault("break", float(t[anchors[at]]), turn, wheel.teeth - 1))
                add(nan_row.copy(), True)
                block += 1
            else:
                add(got[0], got[3])
                extra += got[1]
                lost += got[2]
                faults += got[4]
        run = np.full((hi - lo, teeth), np.nan)
        weak = first_lost[lo:hi]
        full = np.flatnonzero(~weak)
        run[full] = t[anchors[lo:hi][full][:, None] + 1 + np.arange(teeth)]
        part = np.flatnonzero(weak)
        run[part, 1:] = t[anchors[lo:hi][part][:, None] + 1 + np.arange(teeth - 1)]
        add(run, False)
        at = hi
    if at < n:
        got = _mend(t, anchors[at], anchors[n], wheel, turn)
        if got is None:
            resyncs += 1
            faults.append(Fault("break", float(t[anchors[at]]), turn, teeth - 1))
        else:
            add(got[0], got[3])
            extra += got[1]
            lost += got[2]
            faults += got[4]
    tail = _tail_row(t[anchors[-1] :], wheel) if sound[-1] else None
    if tail is not None:
        add(tail, False)
    time = np.vstack(parts) if parts else np.empty((0, teeth))
    if np.count_nonzero(np.isfinite(time[:, 1:]).all(axis=1)) < 2:
        raise TooFewTurnsError(
            f"fewer than two whole turns of the {wheel.label} wheel can be numbered; record at least ten seconds of running"
        )
    weak_total = int(np.count_nonzero(first_lost))
    return Crank(
        time_s=time,
        wheel=wheel,
        block=np.concatenate(blocks),
        faulty=np.concatenate(flags),
        edges=t.size,
        extra_edges=extra,
        lost_edges=lost,
        resyncs=resyncs,
        first_tooth_lost=weak_total,
        faults=tuple(faults),
        wheel_found=found,
    )


def _head_row(t: FloatArray, wheel: Wheel, short: int = 0) -> FloatArray | None:
    """The teeth recorded before the first gap, numbered back from it."""
    if wheel.angles_deg is not None:
        return _irregular_part(t, wheel, wheel.teeth - t.size - short)
    steps = _whole_steps(t, wheel)
    if steps is None:
        return None
    position = np.concatenate((np.cumsum(steps[::-1])[::-1], [0]))
    return _row_from(t, wheel.tooth_positions[-1] - short - position, wheel)


def _tail_row(t: FloatArray, wheel: Wheel) -> FloatArray | None:
    """The teeth recorded after the last gap; `t` starts with the tooth before it."""
    if t.size < 3:
        return None
    inner = t[1:]
    if wheel.angles_deg is not None:
        return _irregular_part(inner, wheel, 0)
    steps = _whole_steps(inner, wheel)
    if steps is None:
        return None
    weak = (t[1] - t[0]) > (len_gap(wheel) + 0.75) * float(np.median(np.diff(inner)))
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


def len_gap(wheel: Wheel) -> float:
    """Nominal length of the longest gap in pitches."""
    return float((TURN_DEG - wheel.tooth_angles_deg[-1]) / wheel.pitch_deg)


def _whole_steps(t: FloatArray, wheel: Wheel) -> IntArray | None:
    if t.size < 2 or wheel.angles_deg is not None:
        return None
    dt = np.diff(t)
    steps = np.rint(dt / _local_pitch(dt)).astype(np.int64)
    return None if (steps < 1).any() else steps


def _local_pitch(dt: FloatArray) -> FloatArray:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(dt, size=min(9, dt.size), mode="mirror"), dtype=float)


def _row_from(t: FloatArray, position: IntArray, wheel: Wheel) -> FloatArray | None:
    row = np.full((1, wheel.teeth), np.nan)
    index = {int(p): j for j, p in enumerate(wheel.tooth_positions)}
    for time, p in zip(t, position, strict=True):
        j = index.get(int(p))
        if j is not None:
            row[0, j] = time
    return row


def _mend(
    t: FloatArray, a: int, b: int, wheel: Wheel, turn: int
) -> tuple[FloatArray, int, int, BoolArray, list[Fault]] | None:
    """Number the edges between two anchors that are not one sound turn apart.

    Intervals are rounded to pitches from the later anchor back, so the length of the gap is not needed;
    an edge that falls between two positions is taken as extra, an empty position as lost.
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
    return rows, extra, lost, bad, faults


def _number_even(t: FloatArray, wheel: Wheel, mark_s: FloatArray | None, found: bool) -> Crank:
    """An evenly toothed wheel: position 0 is the first tooth after a mark; the count between marks is checked."""
    n = wheel.teeth
    start = 0
    extra = lost = resyncs = 0
    faults: list[Fault] = []
    bad_turns: list[int] = []
    notes: tuple[str, ...] = ()
    if mark_s is not None and mark_s.size:
        at = _marks_in_teeth(t, mark_s, n)
        if at.size:
            start = int(at[0]) % n
            step = np.diff(at)
            wrong = np.flatnonzero(np.abs(np.rint(step / n) * n - step) > 0)
            for w in wrong[:1000]:
                off = int(step[w] - np.rint(step[w] / n) * n)
                extra, lost = (extra + off, lost) if off > 0 else (extra, lost - off)
                bad_turns.append(int((at[w] - start) // n))
                kind: Literal["extra", "lost"] = "extra" if off > 0 else "lost"
                faults.append(Fault(kind, float(t[at[w]]), bad_turns[-1], 0))
            if wrong.size:
                resyncs = int(wrong.size)
                notes = (
                    "the count of edges between marks is not constant: the wheel has no gap to mend it by",
                )
    else:
        notes = (
            "evenly toothed wheel without a cam or cylinder-1 mark: tooth 0 is the first edge of the log",
        )
    if (t.size - start) // n < 2:
        raise TooFewTurnsError(
            f"{t.size} crank edges hold fewer than two turns of a {wheel.label} wheel; record longer"
        )
    # turns recorded in part at both ends keep their rows
    head = (n - start) % n
    tail = -(head + t.size) % n
    time = np.pad(t, (head, tail), constant_values=np.nan).reshape(-1, n)
    turns = len(time)
    bad_turns = [b + (head > 0) for b in bad_turns]
    faults = [replace(f, turn=f.turn + (head > 0)) for f in faults]
    faulty = np.zeros(turns, dtype=bool)
    block = np.zeros(turns, dtype=np.int64)
    for b in bad_turns:
        if b < turns:
            faulty[b : b + 2] = True
            block[b + 1 :] += 1
    if bad_turns and mark_s is not None:
        # renumber after each break from the next mark on
        time, faulty, block = _renumber_even(t, n, at)
    return Crank(time, wheel, block, faulty, t.size, extra, lost, resyncs, 0, tuple(faults), found, notes)


def _marks_in_teeth(t: FloatArray, mark_s: FloatArray, n: int) -> IntArray:
    """Index of the tooth after each mark, one mark a cycle (or turn) where the log holds several.

    Counted on from the first mark in whole teeth of the interpolated distance, so that a mark that falls
    together with a tooth does not seem to gain and lose one.
    """
    after = np.searchsorted(t, mark_s)
    ok = (after > 0) & (after < t.size)
    after, mark = after[ok], mark_s[ok]
    if not after.size:
        return np.empty(0, dtype=np.int64)
    place = after + (mark - t[after - 1]) / (t[after] - t[after - 1])
    for every in range(1, min(9, place.size)):
        step = place[every:] - place[:-every]
        if np.mean(np.abs(step - n * np.rint(step / n)) < 0.5) > 0.5 and np.median(step) > 0.5 * n:
            place, after = place[::every], after[::every]
            break
    at = after[0] + np.rint(place - place[0]).astype(np.int64)
    return np.asarray(at[at < t.size], dtype=np.int64)


def _renumber_even(t: FloatArray, n: int, at: IntArray) -> tuple[FloatArray, BoolArray, IntArray]:
    parts: list[FloatArray] = []
    faulty: list[BoolArray] = []
    block: list[IntArray] = []
    b = 0
    for lo, hi in itertools.pairwise(at):
        turns = round((hi - lo) / n)
        if turns < 1:
            continue
        good = (hi - lo) == turns * n
        if good:
            parts.append(t[lo:hi].reshape(turns, n))
        else:
            b += 1
            parts.append(np.full((turns, n), np.nan))
        faulty.append(np.full(turns, not good))
        block.append(np.full(turns, b))
    return np.vstack(parts), np.concatenate(faulty), np.concatenate(block)
