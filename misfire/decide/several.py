"""An event's state, and where no decision is possible.

lost work = (healthy energy of the moment - the event's energy) / (normal combustion energy of the moment).
The healthy energy is a running high percentile of all cylinders, so speed, load and driveline move with it; the
normal energy comes from the engine's own ripple, and from the misfires themselves where there are any.
An offset that both companions share may be the wheel as well as the work: it is only charged to the work
where the learned pattern or the engine (no companions) rules the wheel out.

The walk: what counts (`_Log`) -> deviation from healthy, less what the wheel may add (`_Deviation`) -> lost work
(`_Measure`) -> a call for each event, then everything that forbids or changes it, in order (`_Calls`).
Arrays over events have shape (events,), those over places in firing order (cylinders,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray
from misfire.decide.chance import SURE, beside_gain, local_noise, misfire_chance, shaken
from misfire.decide.level import (
    calm_level,
    healthy_before_and_after,
    like_places,
    motoring_events,
    normal_work,
    place_offsets,
)
from misfire.decide.runs import cycle_mean, near_change, run_length, slowing_runs, steady_speed, touching
from misfire.decide.scale import cluster_scale, lasting_but_small
from misfire.decide.size import may_be_a_part
from misfire.decide.states import (
    FIRING,
    MISFIRE,
    MISFIRE_FROM,
    MOTORING,
    PARTIAL_FROM,
    UNUSABLE,
    Decision,
    Reason,
)
from misfire.decide.wheel import (
    SHARED_FROM,
    Spacing,
    companions_down,
    grows_with_speed,
    shared_offsets,
    steady_part,
    swept,
    wheel_like,
)
from misfire.engine import Engine, FloatArray
from misfire.work import Events

LEAST_CYCLES = 5  # fired cycles that a log must hold before one of them can be called unlike the rest
GHOST_BELOW = 0.35  # lost work by the short look below which a misfire of the long one is not believed
NOISE_LIMIT = 0.19  # sd of lost work beyond which 0.75 is fewer than 4 sd from a healthy event


def decide(events: Events, engine: Engine, fuel_cut: FloatArray, spacing: Spacing) -> Decision:
    """Two or more cylinders; see the module for the definition.

    Parameters
    ----------
    fuel_cut : array, shape (events,)
        1 cut, 0 not, NaN unknown (then the motion decides).
    spacing : Spacing
        What is known of the wheel.
    """
    log = _look(events, engine, fuel_cut, spacing)
    found = _measure(log, _deviation(log))
    calls = _call(log, found)
    _doubt_the_look(log, found, calls)
    _doubt_the_wheel_and_the_size(log, found, calls)
    _doubt_the_moment(log, found, calls)
    _fuel_cut_ends(log, found, calls)
    lost = np.where(np.isfinite(events.energy), found.lost, np.nan)
    lost[calls.state == MOTORING] = np.nan
    work = found.normal * (1 - lost)
    return Decision(
        lost,
        calls.state,
        calls.reason,
        found.normal,
        found.noise,
        found.place_lost,
        found.shared,
        work,
        found.ambiguous,
        found.open_lost,
    )


@dataclass(frozen=True)
class _Log:
    """What is judged, which events count, and the running level [rad^2/s^2] by the ripple.

    `good`: measured and trusted; `use`: good ones that may show what is healthy; `around`: level as a mean over one
    cycle, `level` the calm run of it.
    """

    events: Events
    engine: Engine
    spacing: Spacing
    good: BoolArray
    use: BoolArray
    motoring: BoolArray
    around: FloatArray
    level: FloatArray

    @property
    def n_cyl(self) -> int:
        return self.engine.cylinders


@dataclass(frozen=True)
class _Deviation:
    """Energy less the healthy one [rad^2/s^2], and what of it may be the wheel's.

    `dev` by the lower of the healthy levels before and after, `worse` by the higher, both less `wheel`; `steady`: what a
    place lacks for good and nothing tells from the wheel, shape (cylinders,).
    """

    dev: FloatArray
    worse: FloatArray
    wheel: FloatArray
    steady: FloatArray


@dataclass(frozen=True)
class _Measure:
    """Lost work and what it rests on; `normal` = ripple's size times `scale` [rad^2/s^2]; places as in `Decision`.

    `worse`: lost work by the higher of the healthy levels, `either`: may be full misfires or half burns alike.
    """

    lost: FloatArray
    worse: FloatArray
    noise: FloatArray
    normal: FloatArray
    scale: FloatArray
    wheel: FloatArray
    either: BoolArray
    place_lost: FloatArray
    shared: FloatArray
    ambiguous: tuple[int, ...]
    open_lost: FloatArray


class _Calls:
    """The state of each event and the reason where there is none; what comes later overrules."""

    def __init__(self, misfire: BoolArray, motoring: BoolArray) -> None:
        self.state = np.where(misfire, MISFIRE, FIRING)
        self.state[motoring] = MOTORING
        self.reason = np.zeros(misfire.size, dtype=np.int64)

    def unusable(self, where: BoolArray, reason: Reason) -> None:
        self.state[where], self.reason[where] = UNUSABLE, reason

    def among(self, state: int) -> BoolArray:
        return np.asarray(self.state == state, dtype=bool)


def _look(events: Events, engine: Engine, fuel_cut: FloatArray, spacing: Spacing) -> _Log:
    n_cyl = engine.cylinders
    good = events.trusted & np.isfinite(events.energy)
    around = cycle_mean(np.where(good, events.level, np.nan), n_cyl)
    level = calm_level(around, n_cyl)
    motoring = motoring_events(events, level, fuel_cut, n_cyl)
    use = good & ~motoring & ~events.short
    if use.sum() < 2 * n_cyl:
        use = good & ~motoring
    return _Log(events, engine, spacing, good, use, motoring, around, level)


def _deviation(log: _Log) -> _Deviation:
    e, place = log.events, log.events.place
    past, future = healthy_before_and_after(e.energy, log.use, place, log.engine)
    # a misfire lies below what comes before and what comes after; a step of the load only below one of them
    dev = e.energy - np.fmin(past, future)
    worse = e.energy - np.fmax(past, future)
    wheel, steady = np.zeros(dev.size), np.zeros(log.n_cyl)
    if log.spacing.untold:
        steady = -place_offsets(np.where(log.use, dev, np.nan), place, log.n_cyl)
        wheel = wheel_like(dev, log.use, place, log.engine)
        if log.spacing.mean is not None:
            told = steady_part(log.spacing.mean, dev - wheel, log.use, place, log.engine)
            wheel, steady = wheel - np.nan_to_num(told), steady * ~np.isfinite(told).any()
    elif log.spacing.known and log.engine.companions:
        # a wheel learned wrongly, beside misfires or a bent tooth, still shows by how its error grows
        growing = grows_with_speed(dev, log.level, e.rpm, log.use, place, log.engine)
        if growing.any():
            wheel = np.where(growing[place], wheel_like(dev, log.use, place, log.engine), 0.0)
    return _Deviation(dev - wheel, worse - wheel, wheel, steady)


def _measure(log: _Log, d: _Deviation) -> _Measure:
    e, n_cyl, use, known = log.events, log.n_cyl, log.use, log.spacing.known
    normal = _normal_by_ripple(log, d.dev)
    calm = use & ~near_change(log.motoring, 2 * n_cyl) & steady_speed(e.rpm, n_cyl)
    calm &= ~beside_gain(-d.dev / normal, 2 * n_cyl)
    scale, either = cluster_scale(d.dev, normal, e, calm, n_cyl, known)
    normal = normal * scale
    place_lost = -place_offsets(np.where(use, d.dev / normal, np.nan), e.place, n_cyl)
    shared, ambiguous = shared_offsets(place_lost, log.engine, known)
    open_lost = shared
    if log.spacing.untold:
        steady = d.steady / float(np.median(normal[use])) if use.any() else d.steady
        ambiguous, open_lost = _open_places(log.engine, steady)
    lost = _from_the_middle(-d.dev / normal - shared[e.place], log)
    noise = local_noise(lost, e.rpm, use, e.place, n_cyl)
    worse = -d.worse / normal
    return _Measure(
        lost, worse, noise, normal, scale, d.wheel, either, place_lost, shared, ambiguous, open_lost
    )


def _normal_by_ripple(log: _Log, dev: FloatArray) -> FloatArray:
    """Normal work of the moment: around a dead cylinder the level differs from place to place, so a whole cycle's mean,
    and what lost events leave out of it put back."""
    deficit = np.clip(-np.nan_to_num(dev), 0.0, None)
    deficit[~log.use | (deficit < 0.3 * np.abs(np.nan_to_num(log.around, nan=np.inf)))] = 0.0
    level = calm_level(log.around + cycle_mean(deficit, log.n_cyl), log.n_cyl)
    return normal_work(level, log.events, log.use, log.engine)


def _open_places(engine: Engine, steady: FloatArray) -> tuple[tuple[int, ...], FloatArray]:
    """Places whose steady loss may be the wheel, companions that share one and any without companion, and that loss."""
    both_lost, both = shared_offsets(steady, engine, False)
    order = engine.firing_order
    alone = [i for i, c in enumerate(order) if c not in engine.companions and steady[i] > SHARED_FROM]
    lost = both_lost.copy()
    lost[alone] = steady[alone]
    return (*both, *alone), lost


def _from_the_middle(lost: FloatArray, log: _Log) -> FloatArray:
    """Lost work from what is normal, the median of like cylinders: of the middle two of an even number the lower, since
    none burns more than normal."""
    place = log.events.place
    for same in like_places(log.engine):
        own = [np.median(v) if (v := lost[log.use & (place == p)]).size else 0.0 for p in same]
        centre = float(np.sort(own)[(same.size - 1) // 2])
        mine = np.isin(place, same)
        lost = np.where(mine & (abs(centre) < 0.5), lost - centre, lost)
    return lost


def _call(log: _Log, m: _Measure) -> _Calls:
    """Misfire, firing, motoring; and between, where neither is likely enough."""
    chance = misfire_chance(m.lost, m.noise, log.events.place, log.events.rpm, log.use, log.n_cyl)
    calls = _Calls((m.lost >= MISFIRE_FROM) & (chance > 1 - SURE), log.motoring)
    open_ = (m.lost >= PARTIAL_FROM) & (chance > 1 - SURE) & (chance < SURE) & ~calls.among(MOTORING)
    open_ &= m.lost >= MISFIRE_FROM - 2 * m.noise
    calls.unusable(open_, Reason.NOISE)
    return calls


def _doubt_the_look(log: _Log, m: _Measure, calls: _Calls) -> None:
    """A long filter may answer a misfire with a ghost some events away; the short one does not know it."""
    e = log.events
    if e.rough is not None:
        low = np.fmin(*healthy_before_and_after(e.rough, log.use, e.place, log.engine))
        short = (low - e.rough + m.wheel) / m.normal - m.shared[e.place]
        calls.unusable(calls.among(MISFIRE) & (short < GHOST_BELOW), Reason.LOOKS_DISAGREE)


def _doubt_the_wheel_and_the_size(log: _Log, m: _Measure, calls: _Calls) -> None:
    """Where the wheel may be what accuses, and where a full misfire's depth is open."""
    e, untold = log.events, log.spacing.untold
    if untold:
        calls.unusable(calls.among(MISFIRE) & swept(m.wheel, m.normal, e.place, log.n_cyl), Reason.SHAKEN)
        for p in m.ambiguous:
            mine = e.place == p
            if (calls.state[mine] == MISFIRE).sum() < 0.01 * mine.sum():
                calls.unusable(mine & (calls.among(FIRING) | calls.among(MISFIRE)), Reason.WHEEL_OR_WORK)
    either = m.either & calls.among(FIRING)
    if e.level_sd is not None:
        ripple = m.normal / m.scale
        if untold:
            at_least = m.lost * m.normal / (ripple + 2 * e.level_sd)
            small = lasting_but_small(m.lost, at_least, log.use, e.place, log.n_cyl)
            either |= calls.among(MISFIRE) & small
        elif log.spacing.known:
            either |= may_be_a_part(
                calls.state, m.lost * m.scale, e.level_sd / ripple, e.rpm, e.place, log.n_cyl
            )
    calls.unusable(either, Reason.SIZE_OPEN)


def _doubt_the_moment(log: _Log, m: _Measure, calls: _Calls) -> None:
    """Noise, a swinging driveline, a moving wheel, too little to compare with, edge faults, a step of the load."""
    e = log.events
    calls.unusable(_too_noisy(m) & ~calls.among(MOTORING), Reason.NOISE)
    calls.unusable(shaken(m.lost, calls.state, log.n_cyl), Reason.SHAKEN)
    if log.spacing.moving:
        calls.unusable(companions_down(m.lost, log.use, e.place, log.engine), Reason.SPACING_MOVES)
    if log.use.sum() < LEAST_CYCLES * log.n_cyl:
        calls.unusable(calls.among(MISFIRE), Reason.NOTHING_TO_COMPARE)
    calls.unusable(~log.good, Reason.EDGE_FAULT)
    # no cylinder at all works for a cycle or more: that is a short fuel cut, not a misfire of each
    calls.unusable((m.worse >= MISFIRE_FROM) & (m.lost > 0.4) & calls.among(FIRING), Reason.SHAKEN)


def _too_noisy(m: _Measure) -> BoolArray:
    return np.asarray(~(m.noise <= NOISE_LIMIT), dtype=bool)


def _fuel_cut_ends(log: _Log, m: _Measure, calls: _Calls) -> None:
    """The first and last cycles of a cut, which the running level has smeared; and short cuts that nothing flagged."""
    n_cyl, n = log.n_cyl, m.lost.size
    reach = np.cumsum(np.concatenate(([0], log.motoring)))
    at = np.arange(n)
    near = reach[np.minimum(at + 3 * n_cyl + 1, n)] > reach[np.maximum(at - 3 * n_cyl, 0)]
    joined = touching((m.lost > 0.6) & log.good & near, log.motoring)
    calls.state[joined] = MOTORING
    limit = _too_noisy(m) & ~log.motoring
    silent = run_length((m.lost > 0.65) & log.good & ~limit) >= max(n_cyl, 3)
    silent = slowing_runs(silent, log.events.rpm, 0.998) & ~calls.among(MOTORING)
    calls.state[silent] = MOTORING
    cut = log.motoring | joined | silent
    calls.unusable(near_change(cut, 2 * n_cyl) & (m.lost > 0.4) & ~calls.among(MOTORING), Reason.CUT_BORDER)
