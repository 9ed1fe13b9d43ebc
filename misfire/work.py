"""Per firing event: what its combustion added to the crank's speed energy.

Conventions: a turn of the tooth matrix starts at wheel position 0, which lies `first_deg` after TDC of
cylinder 1 in the first turn of a cycle and 360 deg further in the second. Energies are w^2/2 per
unit of inertia [rad^2/s^2].

Method (science: rigid crank, d/dth [w^2/2] = torque / J). The running integral A = sum of dth^3 / (2 dt^2)
over the intervals carries *white* noise when the edge times do (each time error enters as -w^3 dt), so
ordinary least squares on A is the efficient estimator: A = polynomial (load, driveline, road)
+ sum of x_k * R(th - tdc_k), R the integral of the share of combustion work done up to that angle.
The solution is linear in A and the same for all events at the same place on the wheel: one short filter a
place, applied to all events at once. Neighbouring events are unknowns of the same fit, so consecutive and
overlapping misfires stay separate.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.gas import GasShape
from misfire.grid import Grid as Grid
from misfire.grid import make_grid as make_grid
from misfire.grid import time_at
from misfire.grid import time_noise_s as time_noise_s

BEFORE_DEG, AFTER_DEG = 180.0, 300.0  # least edges around a TDC that the contract promises a decision for
COMPRESSION_SHARE = 0.22  # compression work over combustion work of one charge, generic engine [derived]
HARMONICS = 4
_CHUNK = 2_000  # events filtered in one go: their windows stay in the processor's cache
_PART_TURNS, _OVERLAP = 20_000, 8  # turns measured in one go; a window reaches less than eight turns


@dataclass(frozen=True)
class Place:
    """A firing TDC by its place in the cycle: its row offset and its angle after position 0."""

    index: int  # in firing order
    cylinder: int
    turn_offset: int  # 0 or 1: which turn of the cycle
    angle_deg: float  # 0..360 after position 0


def places(engine: Engine, first_deg: float) -> list[Place]:
    """Where the firing TDCs stand on the wheel, when first turns start at `first_deg` [deg, 0..360)."""
    out = []
    for i, tdc in enumerate(engine.event_deg):
        after = (tdc - first_deg) % CYCLE_DEG
        out.append(Place(i, engine.firing_order[i], int(after // TURN_DEG), float(after % TURN_DEG)))
    return out


@dataclass(frozen=True)
class Filter:
    """Weights on the running integral around a TDC, and the teeth that they stand on."""

    offsets: IntArray  # grid points after the first one of the TDC's turn
    weights: FloatArray


def _window(grid: Grid, tdc_deg: float, before: float, after: float) -> tuple[IntArray, FloatArray]:
    n = grid.per_turn
    turns = int(max(before, after) // TURN_DEG) + 2
    k = np.arange(-turns * n, (turns + 1) * n)
    angle = (k // n) * TURN_DEG + grid.angle_deg[k % n] - tdc_deg
    keep = (angle >= -before) & (angle <= after)
    return k[keep], angle[keep]


def firing_period_deg(engine: Engine) -> float:
    """Smallest rotation [deg] that maps the firing TDCs onto themselves."""
    tdc = np.sort(engine.event_deg)
    for shift in tdc[1:]:
        moved = np.sort((tdc + shift) % CYCLE_DEG)
        if np.allclose(moved, tdc, atol=0.5):
            return float(shift)
    return CYCLE_DEG


@dataclass(frozen=True)
class Span:
    """The teeth that a filter stands on: degrees before and after TDC, and the degree of the trend."""

    before: float
    after: float
    degree: int


def event_filters(
    grid: Grid, engine: Engine, at: list[Place], shape: GasShape, span: Span, ridge: float
) -> list[Filter]:
    """Weights that give the combustion energy of each place's event, neighbours and trend solved beside it.

    The neighbours carry a prior, `ridge` = (noise of the integral / spread of the work)^2, which keeps the
    ones that the window only touches from costing accuracy where the clock is the limit.

    The wheel's gap cuts the window differently at each place, so the wave that all firing intervals share
    would leave a different remainder at each. The filters of like places are therefore made to answer alike
    to the first harmonics of that wave, with the least change in noise.
    """
    drafts = [_draft(grid, engine, p, shape, span, ridge) for p in at]
    if engine.cylinders <= 2:
        return [Filter(k, h) for k, _, h, _, _ in drafts]
    period = firing_period_deg(engine)
    order = TURN_DEG / period
    most = min(HARMONICS, int(grid.per_turn / 2.5 / order))
    tdc = engine.event_deg
    kind = np.round(np.array([tdc[p.index] for p in at]) % period).astype(int) % max(round(period), 1)
    waves = []
    for (_, angle, _, _, _), p in zip(drafts, at, strict=True):
        phase = np.radians(angle + tdc[p.index])
        cols = [f(order * n * phase) for n in range(1, most + 1) for f in (np.cos, np.sin)]
        waves.append(np.column_stack(cols) if cols else np.zeros((angle.size, 0)))
    answer = np.array([d[2] @ w for d, w in zip(drafts, waves, strict=True)])
    out = []
    for i, (k, _, h, fixed, steps) in enumerate(drafts):
        want = answer[kind == kind[i]].mean(axis=0) - answer[i]
        c = np.column_stack([fixed, waves[i]])
        goal = np.concatenate([np.zeros(fixed.shape[1]), want])
        cov = np.eye(k.size) + steps @ steps.T / max(ridge, 1e-9)
        vc = np.linalg.solve(cov, c)
        out.append(Filter(k, h + vc @ (np.linalg.pinv(c.T @ vc) @ goal)))
    return out


def _draft(
    grid: Grid, engine: Engine, place: Place, shape: GasShape, span: Span, ridge: float
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Grid points, angles, weights, the columns answered exactly (trend, target) and the neighbours' steps."""
    k, angle = _window(grid, place.angle_deg, span.before, span.after)
    u = angle / 180.0
    cols = [u**q for q in range(span.degree + 1)]
    tdc = engine.event_deg
    here = tdc[place.index]
    other = np.concatenate([tdc - here - CYCLE_DEG, tdc - here, tdc - here + CYCLE_DEG])
    other = np.sort(other[(np.abs(other) > 1e-6) & (other > -span.before - 100) & (other < span.after + 5)])
    if engine.cylinders <= 2:
        cols.append(np.radians(shape.dip_integral(angle)))
    fixed = np.column_stack([*cols, np.radians(shape.step_integral(angle))])
    steps = np.radians(shape.step_integral(angle[:, None] - other))
    x = np.column_stack([fixed, steps])
    prior = np.zeros(x.shape[1])
    prior[fixed.shape[1] :] = ridge / k.size
    h = np.linalg.solve(x.T @ x / k.size + np.diag(prior), x.T / k.size)[fixed.shape[1] - 1]
    return k, angle, h, fixed, steps


def level_filter(grid: Grid, engine: Engine, place: Place, shape: GasShape) -> tuple[Filter, float]:
    """Weights that give the mean combustion energy of the events of a whole cycle around a place.

    The ripple that all cylinders share holds it: combustion steps and their compression against the load's
    slope. The second value is what the reciprocating masses add: level += value * w^2 * m r^2 / (2 J).
    """
    k, angle = _window(grid, place.angle_deg, 360.0, 360.0)
    u = angle / 180.0
    tdc = engine.event_deg - engine.event_deg[place.index]
    all_tdc = np.concatenate([tdc + CYCLE_DEG * c for c in (-2, -1, 0, 1, 2)])
    comb = sum(np.radians(shape.step_integral(angle - o)) for o in all_tdc)
    dip = sum(np.radians(shape.dip_integral(angle - o)) for o in all_tdc)
    mass = sum(np.radians(shape.inertia_integral(angle - o)) for o in tdc)
    h = np.linalg.pinv(np.column_stack([u**0, u, u**2, comb + COMPRESSION_SHARE * dip]))[3]
    return Filter(k, h), float(h @ mass)


def inertia_share(engine: Engine) -> float:
    """Half of m r^2 / J of one cylinder: from the engine file, else a common value (no source)."""
    e = engine
    if e.reciprocating_mass_kg and e.stroke_mm and e.rotating_inertia_kg_m2:
        r2 = (e.stroke_mm / 2000.0) ** 2
        total = e.rotating_inertia_kg_m2 + 0.5 * e.cylinders * e.reciprocating_mass_kg * r2
        return 0.5 * e.reciprocating_mass_kg * r2 / total
    return 0.00275


def inertia_lateness_deg(
    angle_deg: FloatArray, engine: Engine, first_deg: float, shape: GasShape
) -> FloatArray:
    """How late [deg] the edges of a perfect wheel come at constant energy, from the reciprocating masses alone.

    dt/dth = 1/w and w^2 J = constant: lateness = integral of (dJ/J)/2 [derived]. Shape (teeth,), mean 0.
    """
    tdc = engine.event_deg - first_deg
    late = -inertia_share(engine) * sum(shape.inertia_integral(angle_deg - o) for o in tdc)
    return np.asarray(late - np.mean(late), dtype=float)


def apply_filter(grid: Grid, f: Filter, start: IntArray) -> FloatArray:
    """Filter outputs for events whose turns start at grid points `start`; shape (events,), NaN beyond the log."""
    out = np.full(start.size, np.nan)
    ok = np.flatnonzero((start + f.offsets[0] >= 0) & (start + f.offsets[-1] < grid.time_s.size))
    for lo in range(0, ok.size, _CHUNK):
        part = ok[lo : lo + _CHUNK]
        first = start[part] + f.offsets[0]
        window = _windows(grid.action, first, f.offsets.size)
        # from the window's own beginning on: the integral's size would cost digits
        y = (window - window[:, :1]) @ f.weights
        last = first + f.offsets.size - 1
        y[~np.isfinite(grid.time_s[first]) | ~np.isfinite(grid.time_s[last])] = np.nan
        out[part] = y
    return out


def _windows(x: FloatArray, first: IntArray, size: int) -> FloatArray:
    """Windows of x that begin at `first`, shape (windows, size): a view where they follow in equal steps."""
    step = int(first[1] - first[0]) if first.size > 1 else 1
    if step > 0 and first.size > 1 and (np.diff(first) == step).all():
        view = np.lib.stride_tricks.sliding_window_view(x[first[0] : first[-1] + size], size)
        return np.asarray(view[::step])
    return np.asarray(x[first[:, None] + np.arange(size)])


@dataclass(frozen=True)
class Events:
    """Firing events of one log in time order; every array has shape (events,).

    `place` is the index in firing order, `turn` the row of the tooth matrix, `energy` the combustion energy
    by the joint fit (an offset common to a place stays in it), `level` the mean energy of the cycle around,
    `trusted` False where a fault touches the event.
    """

    time_s: FloatArray
    turn: IntArray
    place: IntArray
    rpm: FloatArray
    energy: FloatArray
    level: FloatArray
    acceleration_rad_s2: FloatArray
    trusted: BoolArray
    short: BoolArray  # decided with the short window, at an end of the log or beside a fault


def measure(
    grid: Grid,
    crank: Crank,
    engine: Engine,
    first_deg: float,
    second_turn: BoolArray,
    shape: GasShape,
    tooth_sd_deg: float = 0.012,
    level_grid: Grid | None = None,
) -> Events:
    """Combustion energy, speed and plain angular acceleration of every firing event with enough edges around it.

    Parameters
    ----------
    first_deg : float
        Crank angle [deg, 0..360) of position 0 in the first turn of a cycle.
    second_turn : array of bool, shape (turns,)
        Rows that are the second turn of a cycle.
    tooth_sd_deg : float
        Uncertainty [deg] of the tooth angles that the fit should reckon with.
    level_grid : Grid or None
        The same teeth with the apparent spacing, which holds the inertia ripple, for the mean energy.
    """
    n = grid.per_turn
    interval = engine.interval_deg
    single = engine.cylinders <= 2
    near = Span(BEFORE_DEG, AFTER_DEG, 1 if single else 2)
    wide = near if single else Span(max(BEFORE_DEG, 2.2 * interval), max(AFTER_DEG, 2.7 * interval), 3)
    made: dict[tuple[float, Span], list[Filter]] = {}
    sound_count = np.concatenate(([0], np.cumsum(~grid.sound, dtype=np.int32)), dtype=np.int32)
    jitter = time_noise_s(grid)
    drafts = []
    at = places(engine, first_deg)
    for p in at:
        turn = np.flatnonzero(second_turn == bool(p.turn_offset))
        start = turn * n
        half = min(interval, BEFORE_DEG)
        edges_deg = (-half, 0.0, half)
        t = [time_at(grid, start, p.angle_deg + d) for d in edges_deg]
        dth = np.radians(edges_deg[2])
        with np.errstate(invalid="ignore", divide="ignore"):
            alpha = ((dth / (t[2] - t[1])) ** 2 - (dth / (t[1] - t[0])) ** 2) / 2 / dth
            rpm = (2 * dth) / (t[2] - t[0]) * 30 / np.pi
        f_level, mass = level_filter(level_grid or grid, engine, p, shape)
        level = apply_filter(level_grid or grid, f_level, start)
        if level_grid is None:
            level = level - mass * inertia_share(engine) * (rpm * np.pi / 30) ** 2
        drafts.append((p, turn, start, t[1], alpha, rpm, level))
    every = np.concatenate([d[6] for d in drafts])
    spread = 0.5 * max(float(np.nanmedian(np.abs(every))) if np.isfinite(every).any() else 1.0, 1.0)
    cols: dict[str, list[npt.NDArray[np.generic]]] = {}
    for p, turn, start, at_tdc, alpha, rpm, level in drafts:
        w = np.nan_to_num(rpm, nan=1000.0) * np.pi / 30
        sigma = np.hypot(w**3 * jitter, w**2 * np.radians(tooth_sd_deg))
        # half-decade bins: the filter hardly changes inside one
        key = np.clip(np.rint(2 * np.log10((sigma / spread) ** 2 + 1e-12)), -12, 4)
        energy = np.full(turn.size, np.nan)
        short = np.zeros(turn.size, dtype=bool)
        inside, trusted = _range_sound(
            grid, start, _window(grid, p.angle_deg, BEFORE_DEG, AFTER_DEG)[0], sound_count
        )
        reach, clean = _range_sound(
            grid, start, _window(grid, p.angle_deg, wide.before, wide.after)[0], sound_count
        )
        far = reach & clean
        for one in np.unique(key):
            ridge = 10.0 ** (one / 2)
            for mine, span in ((far, wide), (inside & ~far, near)):
                pick = np.flatnonzero(mine & (key == one))
                if pick.size:
                    if (ridge, span) not in made:
                        made[ridge, span] = event_filters(grid, engine, at, shape, span, ridge)
                    f = made[ridge, span][p.index]
                    # windows in equal steps are read several times faster: all, where a fair share is wanted
                    if pick.size > 0.3 * turn.size:
                        energy[pick] = apply_filter(grid, f, start)[pick]
                    else:
                        energy[pick] = apply_filter(grid, f, start[pick])
                    short[pick] = span is not wide
        keep = inside & np.isfinite(energy) & np.isfinite(at_tdc)
        row = {
            "time_s": at_tdc,
            "turn": turn,
            "place": np.full(turn.size, p.index),
            "rpm": rpm,
            "energy": energy,
            "level": level,
            "acceleration_rad_s2": alpha,
            "trusted": trusted,
            "short": short,
        }
        for name, values in row.items():
            cols.setdefault(name, []).append(np.asarray(values)[keep])
    joined = {k: np.concatenate(v) for k, v in cols.items()}
    order = np.argsort(joined["time_s"], kind="stable")
    return Events(**{k: v[order] for k, v in joined.items()})


def measure_turns(
    crank: Crank,
    engine: Engine,
    first_deg: float,
    second_turn: BoolArray,
    shape: GasShape,
    tooth_error_deg: FloatArray | None = None,
    tooth_sd_deg: float = 0.012,
    apparent_deg: FloatArray | None = None,
) -> Events:
    """`measure` of a whole log, long ones in parts of some turns so that the memory stays small.

    Parameters
    ----------
    tooth_error_deg, apparent_deg : array, shape (teeth,), or None
        Learned error [deg] of each tooth, and the apparent spacing for the mean energy.
    """
    parts = []
    for lo in range(0, max(crank.turns, 1), _PART_TURNS):
        a, b = max(lo - _OVERLAP, 0), min(lo + _PART_TURNS + _OVERLAP, crank.turns)
        part = replace(crank, time_s=crank.time_s[a:b], block=crank.block[a:b], faulty=crank.faulty[a:b])
        events = measure(
            make_grid(part, tooth_error_deg),
            part,
            engine,
            first_deg,
            second_turn[a:b],
            shape,
            tooth_sd_deg,
            None if apparent_deg is None else make_grid(part, apparent_deg),
        )
        mine = (events.turn >= lo - a) & (events.turn < lo - a + _PART_TURNS)
        columns = {f.name: getattr(events, f.name)[mine] for f in fields(events)}
        columns["turn"] = columns["turn"] + a
        parts.append(columns)
    return Events(**{name: np.concatenate([p[name] for p in parts]) for name in parts[0]})


def _range_sound(
    grid: Grid, start: IntArray, k: IntArray, unsound_before: npt.NDArray[np.int32]
) -> tuple[BoolArray, BoolArray]:
    """Whether the grid points k around each start lie in the log, and whether all of them are sound."""
    size = grid.time_s.size
    inside = (start + k[0] >= 0) & (start + k[-1] < size)
    first, last = np.clip(start + k[0], 0, size - 1), np.clip(start + k[-1], 0, size - 1)
    inside &= np.isfinite(grid.time_s[first]) & np.isfinite(grid.time_s[last])
    return inside, unsound_before[last + 1] == unsound_before[first]
