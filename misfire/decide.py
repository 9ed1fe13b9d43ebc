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
from misfire.work import Events

FIRING, MISFIRE, MOTORING, UNUSABLE = 0, 1, 2, 3
STATES = ("firing", "misfire", "motoring", "unusable")
REASONS = {
    0: "",
    1: "an extra or lost edge, or a break in the numbering, lies within the event",
    2: "fuel cut begins or ends here and the motion does not say when",
    3: "the noise at this speed does not allow a decision",
    4: "nothing to compare with: no fired cycle at this speed",
    5: "speed changes too fast or the road shakes the driveline here",
}
MISFIRE_FROM = 0.75  # lost work: halfway between the worst partial burn (0.8, contract) and its noise below
PARTIAL_FROM = 0.30
MONITOR_FROM = 0.60
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
        blocks = np.array([np.median(b) for b in np.array_split(filled, max(1, x.size // step))])
        centre = (np.arange(blocks.size) + 0.5) * x.size / blocks.size
        return np.interp(np.arange(x.size), centre, median_filter(blocks, size=15, mode="reflect"))
    return np.asarray(median_filter(filled, size=width, mode="reflect"), dtype=float)


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
    return Decision(lost, state, reason, expected, noise, zero, zero, (), notes)


def _run_length(flag: BoolArray) -> IntArray:
    """Length of the run of True that each event belongs to, 0 for False."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8)))
    out = np.zeros(flag.size, dtype=np.int64)
    for lo, hi in edges.reshape(-1, 2):
        out[lo:hi] = hi - lo
    return out


def decide(events: Events, engine: Engine, fuel_cut: FloatArray, pattern_known: bool) -> Decision:
    """Two or more cylinders; see the module for the definition.

    Parameters
    ----------
    fuel_cut : array, shape (events,)
        1 cut, 0 not, NaN unknown (then the motion decides).
    pattern_known : bool
        True when the angles were corrected with a learned pattern: shared offsets then belong to the work.
    """
    n_cyl, n = engine.cylinders, events.energy.size
    reason = np.zeros(n, dtype=np.int64)
    good = events.trusted & np.isfinite(events.energy)
    level = running_median(np.where(good, events.level, np.nan), 3 * n_cyl)
    motoring = motoring_events(events, level, fuel_cut, n_cyl)
    use = good & ~motoring & ~events.short
    if use.sum() < 2 * n_cyl:
        use = good & ~motoring
    x = np.where(use, events.energy, np.nan)
    width = max(6 * n_cyl + 1, 25)
    base = running_median(x, width)
    offset = _place_offsets(x - base, events.place, n_cyl)
    # once more with the places' own offsets out of the way of the median
    base = running_median(x - offset[events.place], width)
    dev = events.energy - base
    expected = _expected(level, events, use, engine)
    rough = -(dev - offset[events.place]) / expected
    scale = _cluster_scale(dev, offset, events.place, expected, use)
    expected = expected * scale
    place_lost = -_place_offsets(np.where(use, dev / expected, np.nan), events.place, n_cyl, mean_of="median")
    shared, ambiguous = _shared(place_lost, engine, pattern_known, rough[use].size)
    lost = -dev / expected - shared[events.place]
    healthy = use & (np.abs(lost) < 0.6)
    if healthy.any():
        centre = float(np.median(lost[healthy]))
        lost = lost - (centre if abs(centre) < 0.2 else 0.0)
    noise = _noise(lost, events.rpm, use, events.place, n_cyl)
    state = np.where(lost >= MISFIRE_FROM, MISFIRE, FIRING)
    state[motoring] = MOTORING
    limit = ~(noise <= NOISE_LIMIT) & (state != MOTORING)
    state[limit], reason[limit] = UNUSABLE, 3
    shaky = _shaken(lost, state, n_cyl)
    state[shaky], reason[shaky] = UNUSABLE, 5
    state[~good], reason[~good] = UNUSABLE, 1
    edge = _edge_of_cut(motoring, fuel_cut, lost, state)
    state[edge], reason[edge] = UNUSABLE, 2
    lost = np.where(np.isfinite(events.energy), lost, np.nan)
    lost[state == MOTORING] = np.nan
    return Decision(lost, state, reason, expected, noise, place_lost, shared, ambiguous)


def _place_offsets(dev: FloatArray, place: IntArray, n_cyl: int, mean_of: str = "median") -> FloatArray:
    out = np.zeros(n_cyl)
    for p in range(n_cyl):
        mine = dev[(place == p) & np.isfinite(dev)]
        if mine.size:
            out[p] = np.median(mine)
    # the healthy majority is the zero: the median place of an even number is the upper of the middle two,
    # since nobody burns more than normal
    return out - np.sort(out)[n_cyl // 2]


def motoring_events(events: Events, level: FloatArray, fuel_cut: FloatArray, n_cyl: int) -> BoolArray:
    """Fuel cut, from the flag where there is one, else from a level near nothing while the engine slows."""
    ke = (events.rpm * np.pi / 30) ** 2 / 2
    if ke.size < 4 * n_cyl:
        return fuel_cut == 1
    span = 2 * n_cyl
    slope = np.zeros(ke.size)
    smooth = running_median(ke, n_cyl | 1)
    slope[span:-span] = (smooth[2 * span :] - smooth[: -2 * span]) / (2 * span)
    slope[:span], slope[-span:] = slope[span], slope[-span - 1]
    driving = slope > -0.02 * np.abs(level)
    top = np.nanmedian(level[driving]) if driving.sum() > n_cyl else np.nanpercentile(level, 75)
    moved = (level < 0.25 * top) & (slope < -0.15 * max(float(top), 1e-9))
    moved &= _run_length(moved) >= 3 * n_cyl
    known = np.isfinite(fuel_cut)
    return np.where(known, fuel_cut == 1, moved)


def _expected(level: FloatArray, events: Events, use: BoolArray, engine: Engine) -> FloatArray:
    """Normal combustion energy of the moment, at least a tenth of the log's typical one."""
    typical = float(np.nanmedian(level[use])) if use.any() else np.nan
    spread = (
        _mad(events.energy[use] - running_median(events.energy[use], 6 * engine.cylinders + 1))
        if use.any()
        else 1.0
    )
    floor = max(0.1 * typical, 2.0 * spread, 1e-6) if np.isfinite(typical) else max(spread, 1e-6)
    out = np.where(np.isfinite(level), level, typical)
    return np.maximum(out, floor)


def _cluster_scale(
    dev: FloatArray, offset: FloatArray, place: IntArray, expected: FloatArray, use: BoolArray
) -> float:
    """Scale of the normal energy from a separate population of deep events, where there is one.

    The ripple gives the normal energy to a few ten per cent only; a population far outside the healthy
    scatter that is compatible with a full misfire sets it exactly.
    """
    ok = use & np.isfinite(dev)
    lost = -(dev / expected)[ok]
    if lost.size < 30:
        return 1.0
    typical = float(np.median(expected[ok]))
    still = lost + offset[place[ok]] / typical  # each place about its own mean
    sd = max(_mad(still), 0.01)
    steady = -offset / typical
    dead = int(np.argmax(steady))
    if steady[dead] > 0.45 and steady[dead] > 2.5 * np.partition(steady, -2)[-2]:
        deep = lost[place[ok] == dead]
    else:
        deep = lost[lost > max(0.35, 4.5 * sd)]
        if deep.size < 4:
            return 1.0
    # the deepest population decides: partial burns may lie above it
    top = np.percentile(deep, 90)
    peak = float(np.median(deep[deep > 0.75 * top]))
    return peak if 0.5 <= peak <= 3.5 else 1.0


def _shared(
    place_lost: FloatArray, engine: Engine, pattern_known: bool, events: int
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
    return out


def _shaken(lost: FloatArray, state: IntArray, n_cyl: int) -> BoolArray:
    """Turns where gains are as large as losses: a rough road or a gear change, not combustion."""
    gain = np.where(np.isfinite(lost) & (lost < -0.45), 1.0, 0.0)
    loss = np.where(np.isfinite(lost) & (lost > 0.45), 1.0, 0.0)
    width = 4 * n_cyl + 1
    if lost.size < width:
        return np.zeros(lost.size, dtype=bool)
    kernel = np.ones(width)
    g = np.convolve(gain, kernel, mode="same")
    m = np.convolve(loss, kernel, mode="same")
    return (g >= 3) & (g >= 0.5 * m) & (state != MOTORING)


def _edge_of_cut(motoring: BoolArray, fuel_cut: FloatArray, lost: FloatArray, state: IntArray) -> BoolArray:
    """Events beside a change of fuel cut that look like a misfire: the cut came within the event's reach."""
    change = np.zeros(motoring.size, dtype=bool)
    at = np.flatnonzero(np.diff(motoring.astype(np.int8)) != 0)
    for shift in (-3, -2, -1, 0, 1, 2, 3, 4):
        k = np.clip(at + shift, 0, motoring.size - 1)
        change[k] = True
    return change & (state == MISFIRE)
