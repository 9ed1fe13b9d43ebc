"""Signals of two levels known by their changes, as logic analysers write them: which edge marks the teeth.

Edge times `rise` and `fall` [s] have shape (edges,).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from misfire.intake import times
from misfire.intake.crossings import Hysteresis
from misfire.intake.direction import direction_pulses
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.threshold import Choice, better_edge, judge

# edges looked at in one go
BLOCK = 1 << 20
# Changes that follow each other within this part of the usual interval, three or more, are the chatter of a comparator on
# noise. A pulse that carries the direction is as narrow, but alone.
CHATTER, LEAST_CHATTER, STRETCH = 0.15, 3, 512


def with_edges(recording: Recording, rise: FloatArray, fall: FloatArray, options: ReadOptions) -> Recording:
    """The recording with the edge that marks the teeth, and the widths behind it; both edges where asked for."""
    rise, fall, chatter = without_chatter(rise, fall)
    if chatter:
        said = f"{chatter} changes in bursts far shorter than a tooth were left out: chatter of the comparator. Raise its threshold."
        recording = replace(recording, notes=(*recording.notes, said))
    if options.edge == "both":
        decisions = recording.decisions | {"edge": "both (given)"}
        return replace(recording, crank_s=_both(rise, fall), decisions=decisions)
    sign = {"rising": 1, "falling": -1}.get(options.edge or "")
    if sign is None:
        none = Hysteresis(0.0, 0.0, 0.0)
        both = [judge([t], Choice(0.5, none, s, t.size)) for t, s in ((rise, 1), (fall, -1))]
        sign = better_edge(both).sign
    edge, other = (rise, fall) if sign > 0 else (fall, rise)
    word = ("rising" if sign > 0 else "falling") + (" (given)" if options.edge else "")
    width = np.full(edge.size, np.nan)
    for at in range(0, edge.size if other.size else 0, BLOCK):
        part = edge[at : at + BLOCK]
        after = np.searchsorted(other, part, side="right")
        width[at : at + BLOCK] = np.where(
            after < other.size, other[np.minimum(after, other.size - 1)] - part, np.nan
        )
    recording = replace(
        recording, crank_s=edge, width_s=width, decisions=recording.decisions | {"edge": word}
    )
    # of a long log the beginning tells whether the pulses carry the direction at all
    if rise.size > BLOCK and direction_pulses(_both(rise[:BLOCK], fall[:BLOCK])) is None:
        return recording
    pulses = direction_pulses(_both(rise, fall))
    return recording if pulses is None else times.without_backward(recording, pulses)


def without_chatter(rise: FloatArray, fall: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Rising and falling times [s] without bursts of changes, and how many changes were left out.

    Of a burst with an odd number of changes the first stays, so that the level behind it is right.
    """
    t = np.concatenate((rise, fall))
    if rise.size < 8 or fall.size < 8:
        return rise, fall, 0
    order = np.argsort(t, kind="stable")
    t, up = t[order], order < rise.size
    # the usual interval of a stretch: three quarters of the rising edges are further apart at most
    parts = np.array_split(np.diff(rise), max(1, rise.size // STRETCH))
    usual = np.array([np.percentile(p, 75) for p in parts])
    near = (
        np.diff(t) < CHATTER * usual[np.minimum(np.arange(t.size - 1) * usual.size // t.size, usual.size - 1)]
    )
    # bounds of the runs of near changes, in changes
    edge = np.diff(np.concatenate(([0], near.astype(np.int8), [0])))
    first, last = np.flatnonzero(edge > 0), np.flatnonzero(edge < 0)
    burst = last - first + 1 >= LEAST_CHATTER
    first, last = first[burst], last[burst]
    if not first.size:
        return rise, fall, 0
    out = np.zeros(t.size + 1, dtype=np.int64)
    np.add.at(out, first + (last - first + 1) % 2, 1)
    np.add.at(out, last + 1, -1)
    gone = np.cumsum(out[:-1]) > 0
    return t[up & ~gone], t[~up & ~gone], int(gone.sum())


def level_times(values: Any, time_s: Any) -> tuple[FloatArray, FloatArray]:
    """Rising and falling times [s] of a signal of two levels whose rows, of shape (rows,), stand at its changes."""
    high = np.asarray(values) > 0.5 * (float(values.min()) + float(values.max()))
    change = np.flatnonzero(high[1:] != high[:-1]) + 1
    t = np.asarray(time_s)[change]
    return t[high[change]], t[~high[change]]


def _both(rise: FloatArray, fall: FloatArray) -> FloatArray:
    return np.asarray(np.sort(np.concatenate((rise, fall))))
