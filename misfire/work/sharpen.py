"""From a rough estimate of every event's work to the sharp one: how the log moves, group by group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import Engine, FloatArray
from misfire.grid import Grid
from misfire.work.filters import inertia_share
from misfire.work.motion import (
    LEAST_WINDOWS,
    Layout,
    Moves,
    departures,
    find_motion,
    inertia_sums,
    inertia_wave,
    layout,
    motion_filters,
    without_inertia,
)
from misfire.work.windows import Laid, Place, apply_filter

LEAST_EVENTS = 12  # of a place in a group, to lay its sharp values on the rough ones
STRETCH_TURNS = 24  # a longer absence from a group begins a new stretch
ALIGN_CYCLES = (
    1001  # what sets a place apart for good; the rough values drift with the speed more than the sharp ones
)
COMMON_CYCLES = 15  # what all places share follows speed and load this fast
BINS_PER_OCTAVE = 2
CHANGING_FROM = 0.3  # of the mean work, as change of the speed energy from one firing to the next
TIMING_DEG = 1.5  # scatter of the burn's place from cycle to cycle (common practice, no source)
STEP_FROM = 0.4  # of the mean work, as step of it within six cycles
SHARE_SPREAD, SHARE_KNOWN = (
    0.5,
    0.02,
)  # of the masses' ripple: common engines differ (no source); from the file


@dataclass(frozen=True)
class Rough:
    """What is known of each event before; every array has shape (events,), events of a place in time order."""

    place: IntArray
    turn: IntArray
    rpm: FloatArray
    energy: FloatArray
    level: FloatArray


@dataclass(frozen=True)
class _Seen:
    """A log's rough events in groups that move alike, and the long windows through which their motion is seen."""

    grid: Grid
    laid: Laid
    rough: Rough
    group: IntArray  # shape (events,)
    lays: list[Layout]
    wave: FloatArray  # of the masses, shape (used teeth,)
    jitter_s: float

    @property
    def groups(self) -> list[int]:
        """Numbers of the groups that hold events."""
        return [int(g) for g in np.unique(self.group) if g >= 0]


def sharpen(
    grid: Grid, laid: Laid, rough: Rough, jitter_s: float, moves: Moves
) -> tuple[FloatArray, FloatArray]:
    """Combustion energy of every event by the motion that the log itself shows.

    How it moves is read from the first part of a log that shows it, kept in `moves`, and used from then on.

    Returns
    -------
    energy : array, shape (events,)
        [rad^2/s^2]; the rough one where the log is too short or too broken for better.
    sd : array, shape (events,)
        Standard deviation [rad^2/s^2] of its error by the model; NaN where the rough one stands.
    """
    engine, at = laid.engine, laid.places
    energy, sd = rough.energy.copy(), np.full(rough.energy.size, np.nan)
    lays = [layout(grid, engine, p, laid.shape) for p in at]
    wave = inertia_wave(grid, engine, laid.first_deg, laid.shape)
    log = _Seen(grid, laid, rough, groups(rough, engine), lays, wave, jitter_s)
    _learn(log, moves)
    if not moves.of or moves.share is None:
        return energy, sd
    mended = without_inertia(grid, wave, moves.share)
    start = rough.turn * grid.per_turn
    for g in log.groups:
        nearest = min(moves.of, key=lambda m: (abs(m // 2 - g // 2), abs(m % 2 - g % 2)))
        key = moves.of[nearest], laid.first_deg, grid.angle_deg.tobytes()
        if key not in moves.filters:
            moves.filters[key] = motion_filters(grid, engine, at, lays, moves.of[nearest])
        filters, errors = moves.filters[key]
        rows, sharp = [], []
        for p, f in enumerate(filters):
            mine = np.flatnonzero((log.group == g) & (rough.place == p))
            value = apply_filter(mended, f, start[mine])
            ok = np.isfinite(value) & np.isfinite(rough.energy[mine])
            ok &= _sound(grid, f.offsets, start[mine])
            rows.append(mine[ok])
            sharp.append(value[ok])
        mine, value = _laid_on(rough, np.concatenate(rows), np.concatenate(sharp), at)
        energy[mine], sd[mine] = value, errors[rough.place[mine]]
    return energy, sd


def _laid_on(rough: Rough, mine: IntArray, sharp: FloatArray, at: list[Place]) -> tuple[IntArray, FloatArray]:
    """Sharp values on the level of the rough ones, stretch by stretch; rows where a stretch is long enough.

    The filters do not know the mean wave, so their values are off by what they make of it: by something that
    follows speed and load and is the same for all places, and by a constant of each place.
    """
    angle = np.array([p.angle_deg + 360.0 * p.turn_offset for p in at]) / 360.0
    when = rough.turn[mine] + angle[rough.place[mine]] % 1.0
    order = np.argsort(when, kind="stable")
    mine, sharp, when = mine[order], sharp[order], when[order]
    value, keep = np.empty(mine.size), np.zeros(mine.size, dtype=bool)
    bounds = np.flatnonzero(np.diff(when) > STRETCH_TURNS) + 1
    for lo, hi in zip([0, *bounds.tolist()], [*bounds.tolist(), mine.size], strict=True):
        if hi - lo < LEAST_EVENTS:
            continue
        place = rough.place[mine[lo:hi]]
        where = [np.flatnonzero(place == p) for p in range(len(at))]
        off = rough.energy[mine[lo:hi]] - sharp[lo:hi]
        own = np.zeros(off.size)
        for _ in range(2):
            common = _common(off - own, len(at))
            left = off - common
            for one in where:
                own[one] = _running(left[one])
        value[lo:hi] = sharp[lo:hi] + common + own
        keep[lo:hi] = np.array([one.size for one in where])[place] >= LEAST_EVENTS
    return mine[keep], value[keep]


def _common(off: FloatArray, places: int) -> FloatArray:
    """What all places share at a time: a cycle's mean, of which the running median; shape (events,)."""
    cycles = off.size // places
    if cycles < 2:
        return np.full(off.size, float(np.median(off)) if off.size else 0.0)
    mean = off[: cycles * places].reshape(cycles, places).mean(axis=1)
    middle = np.arange(cycles) * places + 0.5 * (places - 1)
    return np.interp(np.arange(off.size), middle, _running(mean, COMMON_CYCLES))


def _learn(log: _Seen, moves: Moves) -> None:
    """Motions of the groups not seen before, and the share of the masses when nothing has shown it yet."""
    windows = _windows(log, [g for g in log.groups if g not in moves.of])
    if not windows:
        return
    rough, engine = log.rough, log.laid.engine
    spread = {g: _spread(rough, log.group == g) for g in windows}
    usual = inertia_share(engine)
    named = engine.reciprocating_mass_kg and engine.stroke_mm and engine.rotating_inertia_kg_m2
    unsure = SHARE_KNOWN if named else SHARE_SPREAD
    share = usual if moves.share is None else moves.share
    for _ in range(2 if moves.share is None else 1):
        change, weight = 0.0, 1.0 / (unsure * usual) ** 2
        for g, parts in windows.items():
            w = float(np.median(rough.rpm[log.group == g])) * np.pi / 30
            timing = np.radians(TIMING_DEG) * float(np.nanmedian(np.abs(rough.level[log.group == g])))
            step = np.radians(engine.interval_deg)
            now = [(rows - share * masses, lay) for rows, masses, lay in parts]
            moves.of[g] = find_motion(now, w**3 * log.jitter_s, spread[g], step, timing)
            for (rows, lay), (_, masses, _) in zip(now, parts, strict=True):
                top, below = inertia_sums(rows, masses, lay, moves.of[g])
                change, weight = change + top, weight + below
        if moves.share is None:
            share += change / weight
    moves.share = share


def _windows(log: _Seen, fresh: list[int]) -> dict[int, list[tuple[FloatArray, FloatArray, Layout]]]:
    """Windows of each group as they are, and what of them goes with the ripple of the masses, linear in their share."""
    found: dict[int, list[tuple[FloatArray, FloatArray, Layout]]] = {}
    if not fresh:
        return found
    start = log.rough.turn * log.grid.per_turn
    ripple = without_inertia(log.grid, log.wave, 1.0)
    for g in fresh:
        parts = []
        for p, lay in enumerate(log.lays[:2]):
            mine = start[(log.group == g) & (log.rough.place == p)]
            rows = departures(log.grid, lay, mine)
            if rows.shape[0]:  # a place may stand beside a broken stretch wherever the other one is sound
                parts.append((rows, rows - departures(ripple, lay, mine), lay))
        if sum(rows.shape[0] for rows, _, _ in parts) >= LEAST_WINDOWS:
            found[g] = parts
    return found


def groups(rough: Rough, engine: Engine) -> IntArray:
    """Events that move alike: half octaves of speed, steady (even numbers) and changing speed (odd); -1 = none."""
    from scipy.ndimage import median_filter

    out = np.full(rough.place.size, -1, dtype=np.int64)
    typical = float(np.nanmedian(np.abs(rough.level))) if np.isfinite(rough.level).any() else 1.0
    limit = CHANGING_FROM * typical
    for p in range(engine.cylinders):
        mine = np.flatnonzero((rough.place == p) & np.isfinite(rough.rpm) & np.isfinite(rough.energy))
        if mine.size < 6:
            continue
        rpm = rough.rpm[mine]
        ke = 0.5 * (rpm * np.pi / 30) ** 2
        near = np.clip(np.arange(mine.size)[:, None] + np.array([-2, 2]), 0, mine.size - 1)
        cycles = np.maximum(near[:, 1] - near[:, 0], 1)
        slope = (ke[near[:, 1]] - ke[near[:, 0]]) / cycles / engine.cylinders
        changing = np.abs(median_filter(slope, 5, mode="nearest")) > limit
        speed = np.floor(BINS_PER_OCTAVE * np.log2(np.maximum(rpm, 50.0) / 50.0)).astype(np.int64)
        # where the load steps or the fuel is cut the motion follows no model: the rough value stands there
        level = median_filter(np.nan_to_num(rough.level[mine]), 5, mode="nearest")
        around = np.clip(np.arange(mine.size)[:, None] + np.array([-3, 3]), 0, mine.size - 1)
        step = np.abs(level[around[:, 1]] - level[around[:, 0]])
        steps = step > max(STEP_FROM * typical, 6.0 * float(np.median(step)))
        out[mine] = np.where(steps, -1, 2 * speed + changing)
    return out


def _spread(rough: Rough, mine: BoolArray) -> float:
    """Scatter of the rough work about its place's running median, misfires included."""
    total, count = 0.0, 0
    level = np.abs(rough.level[mine])
    top = 3.0 * float(np.nanmedian(level)) if np.isfinite(level).any() else 1.0
    for p in np.unique(rough.place[mine]):
        x = rough.energy[mine & (rough.place == p)]
        x = x[np.isfinite(x)]
        if x.size > 2:
            d = np.clip(x - _running(x, 41), -top, top)
            total, count = total + float((d**2).sum()), count + x.size
    return max(float(np.sqrt(total / count)) if count else 0.0, 1e-3 * top, 1e-6)


def _running(x: FloatArray, width: int = ALIGN_CYCLES) -> FloatArray:
    from scipy.ndimage import median_filter

    if x.size <= width:
        # one middle for all; numpy's median costs several times as much on the many short stretches of a long log
        return np.full(x.size, np.partition(x, x.size // 2)[x.size // 2]) if x.size else x
    return np.asarray(median_filter(x, size=width, mode="reflect"), dtype=float)


def _sound(grid: Grid, offsets: IntArray, start: IntArray) -> BoolArray:
    bad = grid.unsound_before
    last = np.clip(start + offsets[-1], 0, grid.sound.size - 1)
    first = np.clip(start + offsets[0], 0, grid.sound.size - 1)
    return np.asarray(bad[last + 1] == bad[first])
