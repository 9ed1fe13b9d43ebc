"""Numbering of an evenly toothed wheel, whose turns only cam edges or cylinder-1 marks tell apart.

Edge times `t` [s] have shape (edges,), marks (marks,).
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Literal

import numpy as np

from misfire.crank.stops import pause_notes, stretches
from misfire.crank.teeth import BoolArray, Crank, Fault, IntArray
from misfire.engine import FloatArray, Wheel
from misfire.errors import TooFewTurnsError


def number_even(t: FloatArray, wheel: Wheel, mark_s: FloatArray | None, found: bool) -> Crank:
    """An evenly toothed wheel: position 0 is the first tooth after a mark; the count between marks is checked.

    Without marks nothing tells how many teeth a pause holds: the longest run between pauses is numbered alone.
    """
    n = wheel.teeth
    edges = t.size
    parts = stretches(t, wheel)
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
            paused = np.searchsorted(at, [p.first for p in parts[1:]]) - 1
            cut = np.zeros(step.size, dtype=bool)
            cut[paused[(paused >= 0) & (paused < step.size)]] = True
            wrong = np.flatnonzero((np.abs(np.rint(step / n) * n - step) > 0) | cut)
            for w in wrong[:1000]:
                off = int(step[w] - np.rint(step[w] / n) * n)
                bad_turns.append(int((at[w] - start) // n))
                if cut[w]:
                    continue
                extra, lost = (extra + off, lost) if off > 0 else (extra, lost - off)
                kind: Literal["extra", "lost"] = "extra" if off > 0 else "lost"
                faults.append(Fault(kind, float(t[at[w]]), bad_turns[-1], 0))
            resyncs = int(wrong.size - cut.sum())
            notes = pause_notes(parts)
            if resyncs:
                notes += (
                    "the count of edges between marks is not constant: the wheel has no gap to mend it by",
                )
    else:
        notes = (
            "evenly toothed wheel without a cam or cylinder-1 mark: tooth 0 is the first edge of the log",
        )
        if len(parts) > 1:
            longest = max(parts, key=lambda p: p.last - p.first)
            notes += (
                f"{len(parts) - 1} pauses of the engine or the recording: nothing tells how many teeth a pause holds, so "
                f"only the longest run is used, {longest.last - longest.first} of {t.size} edges",
            )
            t = t[longest.first : longest.last]
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
        time, faulty, block = _renumber_even(t, n, at, wrong)
    return Crank(time, wheel, block, faulty, edges, extra, lost, resyncs, 0, tuple(faults), found, notes)


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


def _renumber_even(
    t: FloatArray, n: int, at: IntArray, wrong: IntArray
) -> tuple[FloatArray, BoolArray, IntArray]:
    """Rows from mark to mark; an empty row, at least, and a new block where the count is `wrong`."""
    parts: list[FloatArray] = []
    faulty: list[BoolArray] = []
    block: list[IntArray] = []
    b = 0
    bad = set(wrong.tolist())
    for k, (lo, hi) in enumerate(itertools.pairwise(at.tolist())):
        turns = round((hi - lo) / n)
        if k in bad:
            b += 1
            turns = max(turns, 1)
            parts.append(np.full((turns, n), np.nan))
        elif turns:
            parts.append(t[lo:hi].reshape(turns, n))
        faulty.append(np.full(turns, k in bad))
        block.append(np.full(turns, b))
    return np.vstack(parts), np.concatenate(faulty), np.concatenate(block)
