"""An event's state, and where no decision is possible.

lost work = (healthy energy of the moment - the event's energy) / (normal combustion energy of the moment).
The healthy energy is a running high percentile of all cylinders, so speed, load and driveline move with it; the
normal energy comes from the engine's own ripple, and from the misfires themselves where there are any.
An offset that both companions share may be the wheel as well as the work: it is only charged to the work
where the learned pattern or the engine (no companions) rules the wheel out.
"""

from __future__ import annotations

import numpy as np

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
from misfire.decide.scale import (
    SHARED_FROM,
    cluster_scale,
    companions_down,
    grows_with_speed,
    lasting_but_small,
    shared_offsets,
    steady_part,
    swept,
    wheel_like,
)
from misfire.decide.states import (
    FIRING,
    MISFIRE,
    MISFIRE_FROM,
    MOTORING,
    PARTIAL_FROM,
    SIZE_OPEN,
    UNUSABLE,
    WHEEL_OR_WORK,
    Decision,
)
from misfire.engine import Engine, FloatArray
from misfire.work import Events

LEAST_CYCLES = 5  # fired cycles that a log must hold before one of them can be called unlike the rest
GHOST_BELOW = 0.35  # lost work by the short look below which a misfire of the long one is not believed
NOISE_LIMIT = 0.19  # sd of lost work beyond which 0.75 is fewer than 4 sd from a healthy event


def decide(
    events: Events,
    engine: Engine,
    fuel_cut: FloatArray,
    pattern_known: bool,
    moving: bool = False,
    wheel_open: bool = False,
    mean: FloatArray | None = None,
) -> Decision:
    """Two or more cylinders; see the module for the definition.

    Parameters
    ----------
    fuel_cut : array, shape (events,)
        1 cut, 0 not, NaN unknown (then the motion decides).
    pattern_known : bool
        True when the angles were corrected with a learned pattern: shared offsets then belong to the work.
    moving : bool
        The tooth spacing changes inside the log: what companions share at a time cannot be the work for sure.
    wheel_open : bool
        Nothing in the log told the wheel: only what stands out from a place's habit is charged to the work.
    mean : array, shape (events,), or None
        Mean work of each event's place free of the wheel, where the engine lets it be told (`work.mean_work`).
    """
    n_cyl, n = engine.cylinders, events.energy.size
    reason = np.zeros(n, dtype=np.int64)
    good = events.trusted & np.isfinite(events.energy)
    level = calm_level(cycle_mean(np.where(good, events.level, np.nan), n_cyl), n_cyl)
    motoring = motoring_events(events, level, fuel_cut, n_cyl)
    use = good & ~motoring & ~events.short
    if use.sum() < 2 * n_cyl:
        use = good & ~motoring
    past, future = healthy_before_and_after(events.energy, use, events.place, engine)
    # a misfire lies below what comes before and what comes after; a step of the load only below one of them
    dev = events.energy - np.fmin(past, future)
    worse = events.energy - np.fmax(past, future)
    wheel, steady = np.zeros(n), np.zeros(n_cyl)
    if wheel_open:
        steady = -place_offsets(np.where(use, dev, np.nan), events.place, n_cyl)
        wheel = wheel_like(dev, use, events.place, engine)
        if mean is not None:
            told = steady_part(mean, dev - wheel, use, events.place, engine)
            wheel, steady = wheel - np.nan_to_num(told), steady * ~np.isfinite(told).any()
    elif pattern_known and engine.companions:
        # a wheel learned wrongly, beside misfires or a bent tooth, still shows by how its error grows
        growing = grows_with_speed(dev, level, events.rpm, use, events.place, engine)
        if growing.any():
            wheel = np.where(growing[events.place], wheel_like(dev, use, events.place, engine), 0.0)
    dev, worse = dev - wheel, worse - wheel
    # around a dead cylinder the level differs from place to place: a whole cycle's mean, and what lost events
    # leave out of it put back
    around = cycle_mean(np.where(good, events.level, np.nan), n_cyl)
    deficit = np.clip(-np.nan_to_num(dev), 0.0, None)
    deficit[~use | (deficit < 0.3 * np.abs(np.nan_to_num(around, nan=np.inf)))] = 0.0
    expected = normal_work(calm_level(around + cycle_mean(deficit, n_cyl), n_cyl), events, use, engine)
    calm = use & ~near_change(motoring, 2 * n_cyl) & steady_speed(events.rpm, n_cyl)
    calm &= ~beside_gain(-dev / expected, 2 * n_cyl)
    scale, either = cluster_scale(
        dev / expected,
        events.place,
        events.rpm,
        calm,
        n_cyl,
        pattern_known,
        expected / (events.rpm * np.pi / 30) ** 2,
    )
    expected = expected * scale
    place_lost = -place_offsets(np.where(use, dev / expected, np.nan), events.place, n_cyl, mean_of="median")
    shared, ambiguous = shared_offsets(place_lost, engine, pattern_known)
    if wheel_open:
        steady = steady / float(np.median(expected[use])) if use.any() else steady
        _, ambiguous = shared_offsets(steady, engine, False)
        alone = [
            i
            for i, c in enumerate(engine.firing_order)
            if c not in engine.companions and steady[i] > SHARED_FROM
        ]
        ambiguous = (*ambiguous, *alone)
    lost = -dev / expected - shared[events.place]
    # normal is the median of all cylinders: of the middle two of an even number the lower, since none burns
    # more than normal
    for same in like_places(engine):
        own = [np.median(v) if (v := lost[use & (events.place == p)]).size else 0.0 for p in same]
        centre = float(np.sort(own)[(same.size - 1) // 2])
        mine = np.isin(events.place, same)
        lost = np.where(mine & (abs(centre) < 0.5), lost - centre, lost)
    noise = local_noise(lost, events.rpm, use, events.place, n_cyl)
    chance = misfire_chance(lost, noise, events.place, events.rpm, use, n_cyl)
    state = np.where((lost >= MISFIRE_FROM) & (chance > 1 - SURE), MISFIRE, FIRING)
    state[motoring] = MOTORING
    open_ = (lost >= PARTIAL_FROM) & (chance > 1 - SURE) & (chance < SURE) & (state != MOTORING)
    open_ &= lost >= MISFIRE_FROM - 2 * noise
    state[open_], reason[open_] = UNUSABLE, 3
    if events.rough is not None:
        # a long filter may answer a misfire with a ghost some events away; the short one does not know it
        low = np.fmin(*healthy_before_and_after(events.rough, use, events.place, engine))
        short = (low - events.rough + wheel) / expected - shared[events.place]
        ghost = (state == MISFIRE) & (short < GHOST_BELOW)
        state[ghost], reason[ghost] = UNUSABLE, 8
    if wheel_open:
        between = (state == MISFIRE) & swept(wheel, expected, events.place, n_cyl)
        state[between], reason[between] = UNUSABLE, 5
        for p in ambiguous:
            mine = events.place == p
            if (state[mine] == MISFIRE).sum() < 0.01 * mine.sum():
                untold = mine & ((state == FIRING) | (state == MISFIRE))
                state[untold], reason[untold] = UNUSABLE, WHEEL_OR_WORK
    either &= state == FIRING
    if wheel_open and events.level_sd is not None:
        most = expected / scale + 2 * events.level_sd
        either |= (state == MISFIRE) & lasting_but_small(
            lost, lost * expected / most, use, events.place, n_cyl
        )
    state[either], reason[either] = UNUSABLE, SIZE_OPEN
    limit = ~(noise <= NOISE_LIMIT) & (state != MOTORING)
    state[limit], reason[limit] = UNUSABLE, 3
    shaky = shaken(lost, state, n_cyl)
    state[shaky], reason[shaky] = UNUSABLE, 5
    if moving:
        together = companions_down(lost, use, events.place, engine)
        state[together], reason[together] = UNUSABLE, 7
    if use.sum() < LEAST_CYCLES * n_cyl:
        alone = state == MISFIRE
        state[alone], reason[alone] = UNUSABLE, 4
    state[~good], reason[~good] = UNUSABLE, 1
    # no cylinder at all works for a cycle or more: that is a short fuel cut, not a misfire of each
    unclear = (-worse / expected >= MISFIRE_FROM) & (lost > 0.4) & (state == FIRING)
    state[unclear], reason[unclear] = UNUSABLE, 5
    # the first and last cycles of a cut, which the running level has smeared
    reach = np.cumsum(np.concatenate(([0], motoring)))
    n_all = np.arange(n)
    near = reach[np.minimum(n_all + 3 * n_cyl + 1, n)] > reach[np.maximum(n_all - 3 * n_cyl, 0)]
    joined = touching((lost > 0.6) & good & near, motoring)
    motoring = motoring | joined
    state[joined] = MOTORING
    silent = run_length((lost > 0.65) & good & ~limit) >= max(n_cyl, 3)
    silent = slowing_runs(silent, events.rpm, 0.998) & (state != MOTORING)
    state[silent] = MOTORING
    edge = near_change(motoring | silent, 2 * n_cyl) & (lost > 0.4) & (state != MOTORING)
    state[edge], reason[edge] = UNUSABLE, 2
    lost = np.where(np.isfinite(events.energy), lost, np.nan)
    lost[state == MOTORING] = np.nan
    work = expected * (1 - lost)
    return Decision(lost, state, reason, expected, noise, place_lost, shared, work, ambiguous)
