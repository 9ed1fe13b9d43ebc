"""How deep a full misfire is, from the log's own misfires.

Arrays over events have shape (events,).
"""

from __future__ import annotations

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide.long_crank import crank_length
from misfire.decide.runs import mad
from misfire.decide.states import MISFIRE_FROM
from misfire.engine import FloatArray
from misfire.work import Events

LASTING_FROM = 0.4  # median lost work of a place that lacks something in every firing
FULL_FROM, FULL_TO = 0.65, 1.8  # a population this deep by the ripple's scale is taken as full misfires
UNSURE = (
    0.3  # relative error of the normal work beyond which a lasting loss does not set its scale (our choice)
)
STANDS_OUT = 4.5  # standard deviations of the healthy scatter
SWOLLEN = 1.8  # most that an unknown wheel swells the ripple (our choice)
FAST_RPM = 2500.0  # from this speed on
DEAD_FROM = 0.65  # a cylinder down this much in every event is dead: one that weak would misfire as well


def cluster_scale(
    dev: FloatArray, normal: FloatArray, events: Events, calm: BoolArray, n_cyl: int, known: bool
) -> tuple[FloatArray, BoolArray]:
    """Scale of the normal energy from the misfires themselves, by third octaves of speed; shape (events,).

    With it, where a population may be full misfires or half burns alike: True for its events, shape (events,).

    The ripple gives the normal energy to a few ten per cent only; a population far outside the healthy
    scatter that is compatible with a full misfire sets it exactly.

    Parameters
    ----------
    dev, normal : array, shape (events,)
        Deviation from the healthy level, negative = lost, and normal energy by the ripple [rad^2/s^2].
    calm : array of bool, shape (events,)
        Events away from fuel cut and faults.
    known : bool
        The tooth pattern is known, so the ripple's scale can be trusted; if not, tooth errors at the firing
        order falsify it more and more with speed, and a wider range of depths may be full misfires.
    """
    place, rpm, lost = events.place, events.rpm, -(dev / normal)
    out, either = np.ones(lost.size), np.zeros(lost.size, dtype=bool)
    ok = calm & np.isfinite(lost) & np.isfinite(rpm)
    # what lacks something in every firing is judged by `_dead_places`, where the scale is known best
    whole = _population(lost[ok], place[ok], n_cyl, (FULL_FROM, FULL_TO), lasting=n_cyl < 3)
    out[:] = whole
    key = np.zeros(lost.size, dtype=np.int64)
    key[ok] = np.floor(3 * np.log2(np.maximum(rpm[ok], 50.0))).astype(np.int64)
    dead = _dead_places(lost, place, key, ok, normal / (rpm * np.pi / 30) ** 2, n_cyl)
    for k in np.unique(key[ok]):
        mine, here = ok & (key == k), key == k
        if dead.size:
            depth = _depth_of(dead, lost, place, mine)
            if depth is not None:
                out[here] = depth
            continue
        speed = float(np.median(rpm[mine]))
        open_ = not known and speed > FAST_RPM
        crank = crank_length(n_cyl)
        most, unsure = max(crank.swollen(speed, n_cyl), SWOLLEN if open_ else 1.0), 0.0
        if known and events.level_sd is not None:
            unsure = 2 * float(np.median(np.nan_to_num(events.level_sd[mine]) / normal[mine]))
        least = min(FULL_FROM, 1 / (most * (1 + unsure)))
        full = (least, (2 if open_ else 1) * FULL_TO)
        part = _population(lost[mine], place[mine], n_cyl, full, lasting=unsure < UNSURE)
        if part < FULL_FROM and whole == 1.0:
            # nowhere in the log a population that is a full misfire by the ripple: this one may burn in part
            either |= mine & (lost > max(0.6 * part, STANDS_OUT * mad(lost[mine])))
        elif part != 1.0 and (part >= FULL_FROM or open_):
            out[here] = part
        if n_cyl > 2:
            medians = _medians(lost[mine], place[mine], n_cyl)
            lacks = medians / out[here][0] - np.sort(medians)[(n_cyl - 1) // 2]
            told = out[here][0] != 1.0  # misfires say how deep a full one is
            weak_or_dead = lacks > (FULL_FROM if told else min(least, crank.dead_from))
            weak_or_dead &= lacks < MISFIRE_FROM
            either |= mine & np.isin(place, np.flatnonzero(weak_or_dead))
    return out, either


def _medians(lost: FloatArray, place: IntArray, n_cyl: int) -> FloatArray:
    """Median lost work of each place, 0 without events; shape (cylinders,)."""
    return np.array([np.median(v) if (v := lost[place == p]).size else 0.0 for p in range(n_cyl)])


def _depth_of(dead: IntArray, lost: FloatArray, place: IntArray, mine: BoolArray) -> float | None:
    """How far dead places lie below the others in some events, 1 when too little for dead; None when too few tell."""
    down = np.isin(place, dead)
    own, others = mine & down, mine & ~down
    if own.sum() < 5 or not others.any():
        return None
    depth = float(np.median(lost[own]) - np.median(lost[others]))
    return depth if depth >= 0.4 else 1.0


def _dead_places(
    lost: FloatArray, place: IntArray, key: IntArray, ok: BoolArray, trust: FloatArray, n_cyl: int
) -> IntArray:
    """Places that never fire, up to half of all, judged where the ripple's scale can be trusted most."""
    nobody = np.zeros(0, dtype=np.int64)
    if n_cyl < 3 or ok.sum() < 30 * n_cyl:
        return nobody
    medians = _medians(lost[ok], place[ok], n_cyl)
    order = np.argsort(medians)[::-1]
    steps = medians[order][:-1] - medians[order][1:]
    most = int(np.argmax(steps[: n_cyl // 2])) + 1  # the deep group ends at the widest step
    down, up = order[:most], order[most:]
    deep = medians[down]
    if deep.min() < 0.35 or medians[up].max() > 0.35 * deep.min() or deep.max() > 1.35 * deep.min():
        return nobody
    depths, trusts = [], []
    for k in np.unique(key[ok]):
        mine = ok & (key == k)
        low = lost[mine & np.isin(place, down)]
        rest = lost[mine & ~np.isin(place, down)]
        others = [np.median(v) for q in up if (v := lost[mine & (place == q)]).size >= 4]
        depth = float(np.median(low) - np.median(rest)) if low.size and rest.size else 0.0
        # where healthy places differ as well, the shapes do not fit this engine there
        if low.size >= 8 and others and np.ptp(others) < 0.35 * abs(depth):
            depths.append(depth)
            trusts.append(float(np.median(trust[mine])))
    if not depths or min(depths) < 0.25:
        return nobody
    best = float(depths[int(np.argmax(trusts))])
    return np.asarray(down if DEAD_FROM <= best <= FULL_TO else nobody, dtype=np.int64)


def _population(
    lost: FloatArray, place: IntArray, n_cyl: int, full: tuple[float, float], lasting: bool
) -> float:
    """Depth of the deep population of lost work, 1 when there is none that may be full misfires.

    With `lasting` a cylinder that is down in every event counts too, where it can hardly be a weak one.
    """
    if lost.size < 30:
        return 1.0
    medians = _medians(lost, place, n_cyl)
    zero = np.sort(medians)[(n_cyl - 1) // 2] if n_cyl > 2 else medians.min()
    own = lost - medians[place]
    sd = max(mad(own), 0.01)
    # single events far below their own cylinder's habit; a weak cylinder's tail is no misfire
    deep = lost[(own > max(0.6 * full[0], STANDS_OUT * sd)) & (medians[place] - zero < 0.25)] - zero
    if deep.size >= 4:
        peak = float(np.median(deep))
        return peak if full[0] <= peak <= full[1] else 1.0
    if not lasting:
        return 1.0
    # cylinders that are down in every event: only near a full misfire, else they may as well be weak
    dead = int(np.argmax(medians))
    peak = float(medians[dead] - zero)
    return peak if max(full[0], DEAD_FROM) <= peak <= full[1] else 1.0


def lasting_but_small(
    lost: FloatArray, at_most: FloatArray, use: BoolArray, place: IntArray, n_cyl: int
) -> BoolArray:
    """Events of places whose loss is in every firing and may be a part of the work only; shape (events,).

    `at_most` is the loss over the most that the normal work can be: the masses' ripple is known to some tens of per
    cent, and on a four it can hide most of the combustion's.
    """
    out = np.zeros(lost.size, dtype=bool)
    for p in range(n_cyl):
        mine = use & (place == p)
        if mine.any() and float(np.median(lost[mine])) > LASTING_FROM:
            out |= mine & (float(np.median(at_most[mine])) < FULL_FROM)
    return out
