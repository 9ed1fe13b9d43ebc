"""An event's state, and where no decision is possible.

lost work = (healthy energy of the moment - the event's energy) / (normal combustion energy of the moment).
The healthy energy is the running median of all cylinders, so speed, load and driveline move with it; the
normal energy comes from the engine's own ripple, and from the misfires themselves where there are any.
An offset that both companions share may be the wheel as well as the work: it is only charged to the work
where the learned pattern or the engine (no companions) rules the wheel out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import Engine, FloatArray
from misfire.work import Events, firing_period_deg

FIRING, MISFIRE, MOTORING, UNUSABLE = 0, 1, 2, 3
STATES = ("firing", "misfire", "motoring", "unusable")
REASONS = {
    0: "",
    1: "an extra or lost edge, or a break in the numbering, lies within the event",
    2: "fuel cut begins or ends here and the motion does not say when",
    3: "the noise at this speed does not allow a decision",
    4: "nothing to compare with: too few fired cycles",
    5: "speed changes too fast or the road shakes the driveline here",
    6: "this cylinder was commanded off (known cut)",
    8: "a short and a long look at the crank's motion disagree about this event",
    7: "the tooth spacing moves in this log, and companions deviate together here",
}
MISFIRE_FROM = 0.75  # lost work: halfway between the worst partial burn (0.8, contract) and its noise below
PARTIAL_FROM = 0.30
LEVEL_CYCLES = 9  # a burst of misfires shorter than half of it leaves the normal energy alone
MONITOR_FROM = 0.60
SURE = 0.9  # an event is called misfire above this probability, firing below the rest; between is unusable
FULL_SPREAD = 0.08  # sd of a full misfire's lost work beyond the noise: the scale's own error (our choice)
LEVEL_ERROR = 0.04  # of the normal energy: no more is left to its own noise
FULL_FROM, FULL_TO = 0.65, 1.8  # a population this deep by the ripple's scale is taken as full misfires
DEAD_FROM = 0.65  # a cylinder down this much in every event is dead: one that weak would misfire as well
LEAST_CYCLES = 5  # fired cycles that a log must hold before one of them can be called unlike the rest
OVERRUN_BELOW = 0.12  # of the log's full work
GHOST_BELOW = 0.35  # lost work by the short look below which a misfire of the long one is not believed
NOISE_LIMIT = 0.19  # sd of lost work beyond which 0.75 is fewer than 4 sd from a healthy event


@dataclass(frozen=True)
class Decision:
    """Per event, shape (events,): lost work (NaN where nothing compares), state, reason, monitor's count.

    `expected` is the normal combustion energy [rad^2/s^2], `offset` the place's mean offset as lost work by
    place (geometry plus steady work), `noise` the scatter of healthy events.
    """

    lost_work: FloatArray
    state: IntArray
    reason: IntArray
    expected: FloatArray
    noise: FloatArray
    place_lost: FloatArray  # (cylinders,) mean lost work by place before any charge to the wheel
    place_shared: FloatArray  # (cylinders,) part that companions share, not charged to the work
    work: FloatArray  # (events,) combustion energy [rad^2/s^2]; known even where nothing compares
    ambiguous: tuple[int, ...]  # places whose shared offset neither speed nor pattern assigns
    notes: tuple[str, ...] = ()


def running_median(x: FloatArray, width: int) -> FloatArray:
    """Running median over an odd number of events, ends reflected; NaN are bridged."""
    from scipy.ndimage import median_filter

    ok = np.isfinite(x)
    if not ok.any():
        return np.full(x.size, np.nan)
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    width = min(width | 1, (x.size - 1) | 1)
    if width > 45 and x.size > 100_000:
        # medians of short blocks, then a running median over those: cost stays linear in the events
        step = max(1, width // 15)
        size, longer = divmod(x.size, max(1, x.size // step))
        cut = longer * (size + 1)
        parts = (filled[:cut].reshape(longer, size + 1), filled[cut:].reshape(-1, size))
        blocks = np.concatenate([np.median(b, axis=1) for b in parts if b.size])
        centre = (np.arange(blocks.size) + 0.5) * x.size / blocks.size
        return np.interp(np.arange(x.size), centre, median_filter(blocks, size=15, mode="reflect"))
    return np.asarray(median_filter(filled, size=width, mode="reflect"), dtype=float)


def _cycle_mean(x: FloatArray, n_cyl: int) -> FloatArray:
    """Mean over one cycle's events around each; NaN are bridged."""
    from scipy.ndimage import uniform_filter1d

    ok = np.isfinite(x)
    if not ok.any():
        return x
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    return np.asarray(uniform_filter1d(filled, n_cyl, mode="reflect"), dtype=float)


def running_high(x: FloatArray, width: int, side: int = 0) -> FloatArray:
    """Running 70th percentile: the healthy level even where up to half of the events are lost.

    `side` -1 looks at the events before, +1 at those after, 0 at both.
    """
    from scipy.ndimage import percentile_filter

    ok = np.isfinite(x)
    if not ok.any():
        return np.full(x.size, np.nan)
    filled = x if ok.all() else np.interp(np.arange(x.size), np.flatnonzero(ok), x[ok])
    width = min(width | 1, (x.size - 1) | 1)
    if x.size > 100_000:
        step = max(1, width // 4)
        whole = x.size // step * step
        blocks = np.sort(filled[:whole].reshape(-1, step), axis=1)[:, int(0.7 * (step - 1) + 0.5)]
        centre = (np.arange(blocks.size) + 0.5) * step
        where = np.arange(x.size) + side * (width // 2 + 1)
        return np.interp(where, centre, running_median(blocks, 3))
    high = np.asarray(percentile_filter(filled, 70, size=width, mode="reflect"), dtype=float)
    if side:
        at = np.arange(x.size) + side * (width // 2 + 1)
        inside = (at >= 0) & (at < x.size)
        # at the ends of the log one side has too few events: the other one serves
        high = np.where(inside, high[np.clip(at, 0, x.size - 1)], high)
    return high


def _mad(x: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(x - np.median(x)))) if x.size else np.nan


def decide_single(events: Events, opposite: FloatArray, fuel_cut: FloatArray) -> Decision:
    """Single cylinder: the turn without combustion, at the same wheel angles, is the reference.

    Parameters
    ----------
    opposite : array, shape (events,)
        Energy by the same weights half a cycle away, where the cylinder cannot fire.
    fuel_cut : array, shape (events,)
        1 cut, 0 not, NaN unknown.
    """
    own = events.energy - opposite
    n = own.size
    state = np.full(n, FIRING)
    reason = np.zeros(n, dtype=np.int64)
    loss = np.abs(np.nanmedian(opposite)) * 1.5
    with np.errstate(all="ignore"):
        top = np.nanpercentile(own, 75) if n else np.nan
    slope = np.gradient((events.rpm * np.pi / 30) ** 2 / 2) if n > 2 else np.zeros(n)
    nothing = not top > max(0.45 * loss, 0.0) and float(np.median(slope)) < 0
    if nothing:
        lost = np.full(n, np.nan)
        state[:] = MOTORING
        note = ("no fired cycle in this log: there is nothing to compare with",)
        return _single_result(events, lost, state, reason, np.full(n, np.nan), own, note)
    working = own > 0.35 * top
    expected = np.full(n, np.median(own[working]))
    wide = running_median(np.where(working, own, np.nan), 41)
    if n > 60:
        expected = wide
    lost = 1 - own / expected
    idle = lost > 0.6
    run = _run_length(idle)
    state[(lost >= MISFIRE_FROM) & (run < 3)] = MISFIRE
    state[idle & (run >= 3)] = MOTORING
    state[fuel_cut == 1] = MOTORING
    return _single_result(events, lost, state, reason, expected, own, ())


def _single_result(
    events: Events,
    lost: FloatArray,
    state: IntArray,
    reason: IntArray,
    expected: FloatArray,
    own: FloatArray,
    notes: tuple[str, ...],
) -> Decision:
    bad = ~events.trusted | ~np.isfinite(own)
    state[bad], reason[bad] = UNUSABLE, 1
    fired = state == FIRING
    noise = np.full(lost.size, _mad(lost[fired]) if fired.any() else np.nan)
    zero = np.zeros(1)
    return Decision(lost, state, reason, expected, noise, zero, zero, own, (), notes)


def _run_length(flag: BoolArray) -> IntArray:
    """Length of the run of True that each event belongs to, 0 for False."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8)))
    out = np.zeros(flag.size, dtype=np.int64)
    for lo, hi in edges.reshape(-1, 2):
        out[lo:hi] = hi - lo
    return out


def decide(
    events: Events, engine: Engine, fuel_cut: FloatArray, pattern_known: bool, moving: bool = False
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
    """
    n_cyl, n = engine.cylinders, events.energy.size
    reason = np.zeros(n, dtype=np.int64)
    good = events.trusted & np.isfinite(events.energy)
    level = _calm_level(np.where(good, events.level, np.nan), n_cyl)
    motoring = motoring_events(events, level, fuel_cut, n_cyl)
    use = good & ~motoring & ~events.short
    if use.sum() < 2 * n_cyl:
        use = good & ~motoring
    past, future = _healthy_before_and_after(events.energy, use, events.place, engine)
    # a misfire lies below what comes before and what comes after; a step of the load only below one of them
    dev = events.energy - np.fmin(past, future)
    worse = events.energy - np.fmax(past, future)
    # around a dead cylinder the level differs from place to place: a whole cycle's mean, and what lost events
    # leave out of it put back
    mean = _cycle_mean(np.where(good, events.level, np.nan), n_cyl)
    deficit = np.clip(-np.nan_to_num(dev), 0.0, None)
    deficit[~use | (deficit < 0.3 * np.abs(np.nan_to_num(mean, nan=np.inf)))] = 0.0
    expected = _expected(_calm_level(mean + _cycle_mean(deficit, n_cyl), n_cyl), events, use, engine)
    calm = use & ~_near_change(motoring, 2 * n_cyl) & _steady_speed(events.rpm, n_cyl)
    calm &= ~_beside_gain(-dev / expected, 2 * n_cyl)
    scale = _cluster_scale(
        dev / expected,
        events.place,
        events.rpm,
        calm,
        n_cyl,
        pattern_known,
        expected / (events.rpm * np.pi / 30) ** 2,
    )
    expected = expected * scale
    place_lost = -_place_offsets(np.where(use, dev / expected, np.nan), events.place, n_cyl, mean_of="median")
    shared, ambiguous = _shared(place_lost, engine, pattern_known)
    lost = -dev / expected - shared[events.place]
    # normal is the median of all cylinders: of the middle two of an even number the lower, since none burns
    # more than normal
    for same in like_places(engine):
        own = [np.median(v) if (v := lost[use & (events.place == p)]).size else 0.0 for p in same]
        centre = float(np.sort(own)[(same.size - 1) // 2])
        mine = np.isin(events.place, same)
        lost = np.where(mine & (abs(centre) < 0.5), lost - centre, lost)
    noise = _noise(lost, events.rpm, use, events.place, n_cyl)
    chance = misfire_chance(lost, noise, events.place, events.rpm, use, n_cyl)
    state = np.where((lost >= MISFIRE_FROM) & (chance > 1 - SURE), MISFIRE, FIRING)
    state[motoring] = MOTORING
    open_ = (lost >= PARTIAL_FROM) & (chance > 1 - SURE) & (chance < SURE) & (state != MOTORING)
    open_ &= lost >= MISFIRE_FROM - 2 * noise
    state[open_], reason[open_] = UNUSABLE, 3
    if events.rough is not None:
        # a long filter may answer a misfire with a ghost some events away; the short one does not know it
        low = np.fmin(*_healthy_before_and_after(events.rough, use, events.place, engine))
        ghost = (state == MISFIRE) & ((low - events.rough) / expected - shared[events.place] < GHOST_BELOW)
        state[ghost], reason[ghost] = UNUSABLE, 8
    limit = ~(noise <= NOISE_LIMIT) & (state != MOTORING)
    state[limit], reason[limit] = UNUSABLE, 3
    shaky = _shaken(lost, state, n_cyl)
    state[shaky], reason[shaky] = UNUSABLE, 5
    if moving:
        together = _companions_down(lost, use, events.place, engine)
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
    joined = _touching((lost > 0.6) & good & near, motoring)
    motoring = motoring | joined
    state[joined] = MOTORING
    silent = _run_length((lost > 0.65) & good & ~limit) >= max(n_cyl, 3)
    silent = _slowing_runs(silent, events.rpm, 0.998) & (state != MOTORING)
    state[silent] = MOTORING
    edge = _near_change(motoring | silent, 2 * n_cyl) & (lost > 0.4) & (state != MOTORING)
    state[edge], reason[edge] = UNUSABLE, 2
    lost = np.where(np.isfinite(events.energy), lost, np.nan)
    lost[state == MOTORING] = np.nan
    work = expected * (1 - lost)
    return Decision(lost, state, reason, expected, noise, place_lost, shared, work, ambiguous)


def _healthy_before_and_after(
    energy: FloatArray, use: BoolArray, place: IntArray, engine: Engine
) -> tuple[FloatArray, FloatArray]:
    """Running healthy level of the events before and after each, shape (events,) both."""
    x = np.where(use, energy, np.nan)
    past, future = np.full(x.size, np.nan), np.full(x.size, np.nan)
    for same in like_places(engine):
        # places that follow another interval answer differently to the common wave: each sort has its own zero
        mine = np.isin(place, same)
        width = max(2 * same.size + 1, 9)
        past[mine], future[mine] = running_high(x[mine], width, -1), running_high(x[mine], width, 1)
    return past, future


def like_places(engine: Engine) -> list[IntArray]:
    """Places in firing order, those together that a rotation of the engine maps onto each other."""
    period = firing_period_deg(engine)
    kind = np.round(engine.event_deg % period).astype(np.int64) % max(round(period), 1)
    sorts = [np.flatnonzero(kind == k) for k in np.unique(kind)]
    # a sort of one or two has no majority that could be its zero
    return sorts if min(v.size for v in sorts) >= 3 else [np.arange(engine.cylinders)]


def _place_offsets(dev: FloatArray, place: IntArray, n_cyl: int, mean_of: str = "median") -> FloatArray:
    out = np.zeros(n_cyl)
    for p in range(n_cyl):
        mine = dev[(place == p) & np.isfinite(dev)]
        if mine.size:
            out[p] = np.median(mine)
    # the healthy majority is the zero: the median place of an even number is the upper of the middle two,
    # since nobody burns more than normal
    return np.asarray(out - np.sort(out)[n_cyl // 2], dtype=float)


def motoring_events(events: Events, level: FloatArray, fuel_cut: FloatArray, n_cyl: int) -> BoolArray:
    """Fuel cut, from the flag where there is one, else from a level near nothing while the engine slows."""
    ke = (events.rpm * np.pi / 30) ** 2 / 2
    if ke.size < 4 * n_cyl:
        return np.asarray(fuel_cut == 1, dtype=bool)
    span = 2 * n_cyl
    slope = np.zeros(ke.size)
    smooth = running_median(ke, n_cyl | 1)
    slope[span:-span] = (smooth[2 * span :] - smooth[: -2 * span]) / (2 * span)
    slope[:span], slope[-span:] = slope[span], slope[-span - 1]
    driving = slope > -0.02 * np.abs(level)
    top = np.nanmedian(level[driving]) if driving.sum() > n_cyl else np.nanpercentile(level, 75)
    moved = (level < 0.25 * top) & (slope < -0.05 * max(float(top), 1e-9))
    moved &= _run_length(moved) >= 3 * n_cyl
    # in gear the vehicle carries the engine and it slows gently; so little work for so long is overrun, where
    # the fuel is cut on nearly every engine (common practice, no source) and no monitor counts
    full = float(np.nanpercentile(level, 90)) if np.isfinite(level).any() else 0.0
    gentle = (level < OVERRUN_BELOW * full) & (slope < 0)
    gentle &= _run_length(gentle) >= 10 * n_cyl
    gentle = _touching((level < 1.4 * OVERRUN_BELOW * full) & (slope < 0), gentle)
    moved = _slowing_runs(moved | gentle, events.rpm, 0.97)
    known = np.isfinite(fuel_cut)
    return np.where(known, fuel_cut == 1, moved)


def _own_spread(energy: FloatArray, place: IntArray, use: BoolArray, n_cyl: int) -> float:
    """Scatter of the events of a place from one cycle to the next; 1 without events."""
    steps = [np.diff(energy[use & (place == p)]) for p in range(n_cyl)]
    every = np.concatenate(steps)
    return _mad(every) / np.sqrt(2) if every.size else 1.0


def _calm_level(level: FloatArray, n_cyl: int) -> FloatArray:
    """Running median of the level over LEVEL_CYCLES, over more where its own noise asks for it."""
    smooth = running_median(level, LEVEL_CYCLES * n_cyl)
    ok = np.isfinite(level)
    if ok.sum() < 20 * n_cyl:
        return smooth
    noise = _mad((level - smooth)[ok])
    typical = abs(float(np.median(smooth[ok])))
    # the error of a median of some LEVEL_CYCLES independent values
    error = 1.25 * noise / np.sqrt(LEVEL_CYCLES) / max(typical, 1e-9)
    if error <= LEVEL_ERROR:
        return smooth
    more = min((error / LEVEL_ERROR) ** 2, 6.0)
    return running_median(level, int(LEVEL_CYCLES * more) * n_cyl)


def _expected(level: FloatArray, events: Events, use: BoolArray, engine: Engine) -> FloatArray:
    """Normal combustion energy of the moment, at least a tenth of the log's typical one."""
    typical = float(np.nanmedian(level[use])) if use.any() else np.nan
    spread = _own_spread(events.energy, events.place, use, engine.cylinders)
    floor = max(0.1 * typical, 2.0 * spread, 1e-6) if np.isfinite(typical) else max(spread, 1e-6)
    out = np.where(np.isfinite(level), level, typical)
    return np.maximum(out, floor)


def _cluster_scale(
    share: FloatArray,
    place: IntArray,
    rpm: FloatArray,
    calm: BoolArray,
    n_cyl: int,
    known: bool,
    trust: FloatArray,
) -> FloatArray:
    """Scale of the normal energy from the misfires themselves, by third octaves of speed; shape (events,).

    The ripple gives the normal energy to a few ten per cent only; a population far outside the healthy
    scatter that is compatible with a full misfire sets it exactly.

    Parameters
    ----------
    share : array, shape (events,)
        Deviation over normal energy, negative = lost.
    calm : array of bool
        Events away from fuel cut and faults.
    known : bool
        The tooth pattern is known, so the ripple's scale can be trusted; if not, tooth errors at the firing
        order falsify it more and more with speed, and a wider range of depths is taken as full misfires.
    """
    out = np.ones(share.size)
    ok = calm & np.isfinite(share) & np.isfinite(rpm)
    lost = -share
    full = (FULL_FROM, FULL_TO) if known else (FULL_FROM / 2, 2 * FULL_TO)
    whole = _population(lost[ok], place[ok], n_cyl, (FULL_FROM, FULL_TO))
    out[:] = whole
    key = np.zeros(share.size, dtype=np.int64)
    key[ok] = np.floor(3 * np.log2(np.maximum(rpm[ok], 50.0))).astype(np.int64)
    bins = np.unique(key[ok])
    dead = _dead_places(lost, place, key, ok, trust, n_cyl)
    for k in bins:
        mine = ok & (key == k)
        if dead.size:
            down = np.isin(place, dead)
            own, others = mine & down, mine & ~down
            if own.sum() >= 5 and others.any():
                depth = float(np.median(lost[own]) - np.median(lost[others]))
                out[key == k] = depth if depth >= 0.4 else 1.0
            continue
        fast = float(np.median(rpm[mine])) > 2500.0
        part = _population(lost[mine], place[mine], n_cyl, full if fast else (FULL_FROM, FULL_TO))
        if part != 1.0:
            out[key == k] = part
    return out


def _dead_places(
    lost: FloatArray, place: IntArray, key: IntArray, ok: BoolArray, trust: FloatArray, n_cyl: int
) -> IntArray:
    """Places that never fire, up to half of all, judged where the ripple's scale can be trusted most."""
    nobody = np.zeros(0, dtype=np.int64)
    if n_cyl < 3 or ok.sum() < 30 * n_cyl:
        return nobody
    own = [lost[ok & (place == p)] for p in range(n_cyl)]
    medians = np.array([np.median(v) if v.size else 0.0 for v in own])
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


def _population(lost: FloatArray, place: IntArray, n_cyl: int, full: tuple[float, float]) -> float:
    """Depth of the deep population of lost work, 1 when there is none that may be full misfires."""
    if lost.size < 30:
        return 1.0
    medians = np.array([np.median(lost[place == p]) if (place == p).any() else 0.0 for p in range(n_cyl)])
    zero = np.sort(medians)[(n_cyl - 1) // 2] if n_cyl > 2 else medians.min()
    own = lost - medians[place]
    sd = max(_mad(own), 0.01)
    # single events far below their own cylinder's habit; a weak cylinder's tail is no misfire
    deep = lost[(own > max(0.6 * full[0], 4.5 * sd)) & (medians[place] - zero < 0.25)] - zero
    if deep.size >= 4:
        peak = float(np.median(deep))
        return peak if full[0] <= peak <= full[1] else 1.0
    # cylinders that are down in every event: only near a full misfire, else they may as well be weak
    dead = int(np.argmax(medians))
    peak = float(medians[dead] - zero)
    return peak if max(full[0], DEAD_FROM) <= peak <= full[1] else 1.0


def _shared(
    place_lost: FloatArray, engine: Engine, pattern_known: bool
) -> tuple[FloatArray, tuple[int, ...]]:
    """What companions share: at least one of two is taken as healthy; both down is ambiguous without a pattern."""
    n = engine.cylinders
    shared = np.zeros(n)
    if pattern_known:
        return shared, ()
    ambiguous: list[int] = []
    where = {c: i for i, c in enumerate(engine.firing_order)}
    for i, c in enumerate(engine.firing_order):
        mate = engine.companions.get(c)
        if mate is None:
            continue
        both = float(min(place_lost[i], place_lost[where[mate]]))
        shared[i] = both
        if both > 0.25:
            ambiguous.append(i)
    return shared, tuple(ambiguous)


def _companions_down(lost: FloatArray, use: BoolArray, place: IntArray, engine: Engine) -> BoolArray:
    """Events of companions that both deviate by a quarter or more over some 15 cycles, shape (events,)."""
    out = np.zeros(lost.size, dtype=bool)
    where = {c: i for i, c in enumerate(engine.firing_order)}
    for a, b in {tuple(sorted((where[c], where[m]))) for c, m in engine.companions.items()}:
        both = []
        for p in (a, b):
            mine = np.flatnonzero(use & (place == p))
            if mine.size < 15:
                break
            both.append(np.interp(np.arange(lost.size), mine, running_median(lost[mine], 15)))
        if len(both) == 2:
            out |= (np.minimum(both[0], both[1]) > 0.25) & ((place == a) | (place == b))
    return out


def _noise(lost: FloatArray, rpm: FloatArray, use: BoolArray, place: IntArray, n_cyl: int) -> FloatArray:
    """Scatter of the healthy events, by speed bins of 1/12 octave joined until each holds enough."""
    out = np.full(lost.size, np.nan)
    if not use.any():
        return out
    key = np.floor(12 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(int)
    healthy = use & (lost < 0.5)
    overall = _mad(lost[healthy])
    for k in np.unique(key):
        mine = key == k
        some = lost[mine & healthy]
        local = _mad(some) if some.size >= 40 else overall
        out[mine] = local
    # at one speed the load may still differ: where the events around scatter more, that counts
    width = max(61, 10 * n_cyl)
    if healthy.sum() > 3 * width:
        where = np.flatnonzero(healthy)
        x = lost[where]
        around = 1.4826 * running_median(np.abs(x - running_median(x, width)), width)
        near = np.interp(np.arange(lost.size), where, around)
        # a calm stretch is not spoilt by a rough one at the same speed, and the other way round
        out = np.maximum(near, 0.5 * out)
    return out


def misfire_chance(
    lost: FloatArray, noise: FloatArray, place: IntArray, rpm: FloatArray, use: BoolArray, n_cyl: int
) -> FloatArray:
    """Probability that each event is a full misfire, shape (events,).

    Two populations per place and third octave of speed: events about the place's own habit, with the heavy
    tails of a Student t with four degrees of freedom, and full misfires about 1. The share of misfires is
    found from the events themselves (expectation-maximisation), never below one in ten thousand.
    """
    width = np.hypot(np.maximum(noise, 0.02), FULL_SPREAD)
    sd = np.maximum(noise, 0.02)
    out = np.zeros(lost.size)
    ok = use & np.isfinite(lost) & np.isfinite(noise)
    key = np.floor(3 * np.log2(np.clip(np.nan_to_num(rpm, nan=50.0), 50.0, 1e5))).astype(np.int64)
    for p in range(n_cyl):
        own = ok & (place == p)
        if not own.any():
            continue
        habit_all = _habit(lost[own])
        share = float(np.mean(lost[own] >= MISFIRE_FROM))
        habit = np.full(lost.size, habit_all)
        for k in np.unique(key[own]):
            mine = own & (key == k)
            if mine.sum() >= 40:
                habit[mine] = _habit(lost[mine])
        for _ in range(8):
            x = lost[own]
            z = (x - habit[own]) / sd[own]
            normal = 0.375 * (1 + z * z / 4) ** -2.5 / sd[own]
            deep = np.exp(-0.5 * ((x - 1) / width[own]) ** 2) / (width[own] * np.sqrt(2 * np.pi))
            deep = np.where(
                x > 1, 1 / (width[own] * np.sqrt(2 * np.pi)), deep
            )  # deeper than full is no less a misfire
            share = min(max(share, 1e-4), 0.9999)
            chance = share * deep / (share * deep + (1 - share) * normal)
            share = float(np.mean(chance))
        out[own] = chance
    return out


def _habit(lost: FloatArray) -> float:
    """Where a place's events lie when it fires; 0 when nearly all of them are lost."""
    middle = float(np.median(lost))
    if middle < 0.6:
        return max(middle, 0.0)
    rest = lost[lost < 0.6]
    return max(float(np.median(rest)), 0.0) if rest.size >= 10 else 0.0


def _beside_gain(lost: FloatArray, reach: int) -> BoolArray:
    """True within `reach` events of one that gains more than half a combustion: the driveline swings there."""
    from scipy.ndimage import minimum_filter1d

    return np.asarray(minimum_filter1d(np.nan_to_num(lost), 2 * reach + 1) < -0.5, dtype=bool)


def _shaken(lost: FloatArray, state: IntArray, n_cyl: int) -> BoolArray:
    """Turns where gains are as large as losses: a rough road or a gear change, not combustion."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    gain = np.where(np.isfinite(lost) & (lost < -0.45), 1.0, 0.0)
    loss = np.where(np.isfinite(lost) & (lost > 0.45), 1.0, 0.0)
    width = 4 * n_cyl + 1
    if lost.size < width:
        return np.zeros(lost.size, dtype=bool)
    kernel = np.ones(width)
    g = np.convolve(gain, kernel, mode="same")
    m = np.convolve(loss, kernel, mode="same")
    swing = (g >= 3) & (g >= 0.25 * m)
    # beside an event that gains, only the deepest one of its cycle is a misfire: the rest is the driveline's answer
    x = np.nan_to_num(lost)
    gains = minimum_filter1d(x, 2 * n_cyl + 1) < -0.5
    second = (x > 0.45) & (x < maximum_filter1d(x, 2 * n_cyl - 1))
    return np.asarray((swing | (gains & second)) & (state != MOTORING), dtype=bool)


def _touching(low: BoolArray, core: BoolArray) -> BoolArray:
    """Runs of `low` or `core` that hold at least one event of `core`."""
    both = low | core
    edges = np.flatnonzero(np.diff(np.concatenate(([False], both, [False])).astype(np.int8))).reshape(-1, 2)
    held = np.concatenate(([0], np.cumsum(core.astype(np.int64))))
    out = np.zeros(low.size, dtype=bool)
    for lo, hi in edges[held[edges[:, 1]] > held[edges[:, 0]]] if edges.size else ():
        out[lo:hi] = True
    return out


def _steady_speed(rpm: FloatArray, n_cyl: int) -> BoolArray:
    """True where the speed a cycle before and a cycle after differ by less than 3 %."""
    n = rpm.size
    before, after = np.clip(np.arange(n) - n_cyl, 0, n - 1), np.clip(np.arange(n) + n_cyl, 0, n - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.abs(rpm[after] / rpm[before] - 1) < 0.03)


def _slowing_runs(flag: BoolArray, rpm: FloatArray, ratio: float) -> BoolArray:
    """Only those runs of True at whose end the engine is slower than `ratio` of the speed at their start."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8))).reshape(-1, 2)
    out = np.zeros(flag.size, dtype=bool)
    for lo, hi in edges:
        out[lo:hi] = rpm[hi - 1] < ratio * rpm[lo]
    return out


def _near_change(flag: BoolArray, reach: int) -> BoolArray:
    """True within `reach` events of a change of the flag."""
    at = np.concatenate(([0], np.cumsum(np.abs(np.diff(flag.astype(np.int64))))))
    n = flag.size
    lo, hi = np.clip(np.arange(n) - reach, 0, n - 1), np.clip(np.arange(n) + reach, 0, n - 1)
    return np.asarray(at[hi] != at[lo])
