"""Per firing event: what its combustion added to the crank's speed energy.

Conventions: a turn of the tooth matrix starts at wheel position 0, which lies `first_deg` after TDC of
cylinder 1 in the first turn of a cycle and 360 deg further in the second. Energies are w^2/2 per
unit of inertia [rad^2/s^2].

Method (science: rigid crank, d/dth [w^2/2] = torque / J). The running integral A = sum of dth^3 / (2 dt^2)
over the intervals carries *white* noise when the edge times do (each time error enters as -w^3 dt), so
least squares on A is the efficient estimator: A = trend (load, driveline, road) + sum of x_k * R(th - tdc_k),
R the integral of the share of combustion work done up to that angle. The solution is linear in A and the
same for all events at the same place on the wheel: one short filter a place, applied to all events at once.

Two filters: a plain one, which knows nothing of the log and gives what is steady (a dead or weak cylinder), and
the one of `motion`, which knows how this log moves and gives what changes from event to event.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import TURN_DEG, FloatArray
from misfire.grid import Grid, make_grid, time_at, time_noise_s, used_teeth
from misfire.work.filters import Span, event_filters, inertia_share, level_filter, masses_unsure
from misfire.work.motion import Moves
from misfire.work.sharpen import Rough, sharpen
from misfire.work.windows import Filter, Laid, Place, apply_filter, range_sound, window

LOST_TURNS = 1.25  # without an edge, over which a TDC's time is still told from the edges around
BEFORE_DEG, AFTER_DEG = 180.0, 300.0  # least edges around a TDC that the contract promises a decision for
_PART_TURNS, _OVERLAP = 20_000, 8  # turns measured in one go; a window reaches less than eight turns


@dataclass(frozen=True)
class Apparent:
    """The spacing as it seems to the mean energy: geometry and what goes with w^2 like it, the masses' ripple.

    Attributes
    ----------
    error_deg : array, shape (teeth,)
        Positive = late [deg].
    unsure_deg : array, shape (teeth,)
        One standard error of it [deg], the same multiple for all teeth at a time.
    """

    error_deg: FloatArray
    unsure_deg: FloatArray


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
    rough: FloatArray | None = (
        None  # `energy` by short windows and the generic shapes alone, a second opinion
    )
    level_sd: FloatArray | None = (
        None  # error of `level` from the masses, or from the pattern that holds them
    )
    energy_sd: FloatArray | None = None  # error of `energy` by the motion's model, NaN where there is none


@dataclass(frozen=True)
class Teeth:
    """What is known of the tooth spacing.

    Attributes
    ----------
    error_deg : array, shape (teeth,), or None
        Learned error [deg] of each tooth; None: the nominal wheel.
    sd_deg : float
        Uncertainty [deg] of the tooth angles that the fit should reckon with.
    apparent : Apparent or None
        Spacing that holds the masses' ripple, for the mean energy.
    """

    error_deg: FloatArray | None = None
    sd_deg: float = 0.012
    apparent: Apparent | None = None


@dataclass(frozen=True)
class _Draft:
    """The events of one place before their energy is known; arrays of shape (events of the place,)."""

    place: Place
    turn: IntArray
    start: IntArray
    at_tdc: FloatArray
    alpha: FloatArray
    rpm: FloatArray
    level: FloatArray
    level_sd: FloatArray


def measure(crank: Crank, laid: Laid, teeth: Teeth | None = None, moves: Moves | None = None) -> Events:
    """Combustion energy, speed and plain angular acceleration of every firing event with enough edges around it.

    Parameters
    ----------
    laid : Laid
        Where the firings stand.
    teeth : Teeth or None
        What is known of the spacing; None: nothing.
    moves : Moves or None
        What the log has shown before of how it moves; filled on the way.
    """
    teeth, moves = teeth or Teeth(), Moves() if moves is None else moves
    grid = make_grid(crank, teeth.error_deg)
    known = np.flatnonzero(np.isfinite(grid.time_s))
    jitter = time_noise_s(grid)
    drafts = [_draft(crank, grid, laid, p, teeth.apparent) for p in laid.places]
    every = np.concatenate([d.level for d in drafts])
    spread = 0.5 * max(float(np.nanmedian(np.abs(every))) if np.isfinite(every).any() else 1.0, 1.0)
    fitted = _Fitted(grid, laid, moves.plain.setdefault((laid.first_deg, grid.angle_deg.tobytes()), {}))
    cols: dict[str, list[npt.NDArray[np.generic]]] = {}
    for d in drafts:
        w = np.nan_to_num(d.rpm, nan=1000.0) * np.pi / 30
        sigma = np.hypot(w**3 * jitter, w**2 * np.radians(teeth.sd_deg))
        for name, values in _rows(grid, d, known, *fitted.energies(d, sigma / spread)).items():
            cols.setdefault(name, []).append(np.asarray(values))
    joined = {k: np.concatenate(v) for k, v in cols.items()}
    joined["energy_sd"] = np.full(joined["energy"].size, np.nan)
    joined["rough"] = joined["energy"].copy()
    if laid.engine.cylinders > 2:
        rough = Rough(*(joined[k] for k in ("place", "turn", "rpm", "energy", "level")))
        joined["energy"], joined["energy_sd"] = sharpen(grid, laid, rough, jitter, moves)
    order = np.argsort(joined["time_s"], kind="stable")
    return Events(**{k: v[order] for k, v in joined.items()})


def _draft(crank: Crank, grid: Grid, laid: Laid, p: Place, apparent: Apparent | None) -> _Draft:
    """Times, speeds, plain accelerations and the mean energy around the events of one place."""
    engine, n = laid.engine, grid.per_turn
    turn = np.flatnonzero(laid.second_turn == bool(p.turn_offset))
    start = turn * n
    half = min(engine.interval_deg, BEFORE_DEG)
    t = [time_at(grid, start, p.angle_deg + d) for d in (-half, 0.0, half)]
    dth = np.radians(half)
    with np.errstate(invalid="ignore", divide="ignore"):
        alpha = ((dth / (t[2] - t[1])) ** 2 - (dth / (t[1] - t[0])) ** 2) / 2 / dth
        rpm = (2 * dth) / (t[2] - t[0]) * 30 / np.pi
    level_grid = grid if apparent is None else make_grid(crank, apparent.error_deg)
    f_level, mass = level_filter(level_grid, engine, p, laid.shape)
    level = apply_filter(level_grid, f_level, start)
    w2 = (rpm * np.pi / 30) ** 2
    if apparent is None:
        masses = mass * inertia_share(engine) * w2
        level, level_sd = level - masses, masses_unsure(engine) * np.abs(masses)
    else:
        # an edge that is late by d takes w^2 d from the running integral
        late = np.radians(np.nan_to_num(apparent.unsure_deg[used_teeth(crank.wheel)]))
        level_sd = abs(float(f_level.weights @ late[f_level.offsets % n])) * w2
    return _Draft(p, turn, start, t[1], alpha, rpm, level, level_sd)


@dataclass(frozen=True)
class _Fitted:
    """The plain filters of a grid, made when first wanted: by noise over work, and by window."""

    grid: Grid
    laid: Laid
    made: dict[tuple[float, Span], list[Filter]]

    def energies(self, d: _Draft, noisy: FloatArray) -> tuple[FloatArray, BoolArray, BoolArray, BoolArray]:
        """Energy of each event of a place, whether a short window gave it, lies in the log, can be trusted.

        `noisy`: noise of the integral over the spread of the work, shape (events of the place,).
        """
        interval, single = self.laid.engine.interval_deg, self.laid.engine.cylinders <= 2
        near = Span(BEFORE_DEG, AFTER_DEG, 1 if single else 2)
        wide = near if single else Span(max(BEFORE_DEG, 2.2 * interval), max(AFTER_DEG, 2.7 * interval), 3)
        # half-decade bins: the filter hardly changes inside one
        key = np.clip(np.rint(2 * np.log10(noisy**2 + 1e-12)), -12, 4)
        energy = np.full(d.turn.size, np.nan)
        short = np.zeros(d.turn.size, dtype=bool)
        tdc = d.place.angle_deg
        inside, trusted = range_sound(self.grid, d.start, window(self.grid, tdc, BEFORE_DEG, AFTER_DEG)[0])
        reach, clean = range_sound(self.grid, d.start, window(self.grid, tdc, wide.before, wide.after)[0])
        far = reach & clean
        for one in np.unique(key):
            for mine, span in ((far, wide), (inside & ~far, near)):
                pick = np.flatnonzero(mine & (key == one))
                if pick.size:
                    f = self._filter(10.0 ** (one / 2), span, d.place)
                    # windows in equal steps are read several times faster: all, where a fair share is wanted
                    if pick.size > 0.3 * d.turn.size:
                        energy[pick] = apply_filter(self.grid, f, d.start)[pick]
                    else:
                        energy[pick] = apply_filter(self.grid, f, d.start[pick])
                    short[pick] = span is not wide
        return energy, short, inside, trusted

    def _filter(self, ridge: float, span: Span, p: Place) -> Filter:
        if (ridge, span) not in self.made:
            engine, shape = self.laid.engine, self.laid.shape
            self.made[ridge, span] = event_filters(self.grid, engine, self.laid.places, shape, span, ridge)
        return self.made[ridge, span][p.index]


def _rows(
    grid: Grid, d: _Draft, known: IntArray, energy: FloatArray, short: BoolArray, *where: BoolArray
) -> dict[str, npt.NDArray[np.generic]]:
    """The columns of one place's events that are kept; `where`: inside the log, and trusted."""
    inside, trusted = where
    at_tdc, rpm = d.at_tdc.copy(), d.rpm.copy()
    keep = inside & np.isfinite(energy) & np.isfinite(at_tdc)
    blind = _among_lost(grid, d.place, d.start, known) & ~keep
    if blind.any():
        at_tdc[blind], rpm[blind] = _guessed(grid, d.place, d.start[blind], known)
        energy[blind], trusted[blind] = np.nan, False
        keep |= blind
    # at the log's ends the edges half a firing away may be missing: the speed is then that of those left
    ends = keep & ~np.isfinite(rpm)
    if ends.any():
        rpm[ends] = _guessed(grid, d.place, d.start[ends], known)[1]
    row = {
        "time_s": at_tdc,
        "turn": d.turn,
        "place": np.full(d.turn.size, d.place.index),
        "rpm": rpm,
        "energy": energy,
        "level": d.level,
        "level_sd": d.level_sd,
        "acceleration_rad_s2": d.alpha,
        "trusted": trusted,
        "short": short,
    }
    return {name: values[keep] for name, values in row.items()}


def _among_lost(grid: Grid, p: Place, start: IntArray, known: IntArray) -> BoolArray:
    """TDCs with the promised edges around them of which too many are lost, over a turn and a bit at a time."""
    if not known.size:
        return np.zeros(start.size, dtype=bool)
    k = window(grid, p.angle_deg, BEFORE_DEG, AFTER_DEG)[0]
    # over more than a turn that could not be numbered, and what is missing beside it, the place would be a guess
    here = np.searchsorted(known, start + np.searchsorted(grid.angle_deg, p.angle_deg))
    left, right = (known[np.clip(here - d, 0, known.size - 1)] for d in (1, 0))
    inside = (start + k[0] >= known[0]) & (start + k[-1] <= known[-1])
    return np.asarray(inside & (right - left <= LOST_TURNS * grid.per_turn), dtype=bool)


def _guessed(grid: Grid, p: Place, start: IntArray, known: IntArray) -> tuple[FloatArray, FloatArray]:
    """Time [s] of a TDC and the speed [rpm] there from the edges that are left around it."""
    n = grid.per_turn
    angle = (known // n) * TURN_DEG + grid.angle_deg[known % n]
    # half a turn about it, less of it at the ends of the log
    at = (start // n) * TURN_DEG + p.angle_deg + np.array([[-90.0], [0.0], [90.0]])
    at = np.clip(at, angle[0], angle[-1])
    before, middle, after = np.interp(at, angle, grid.time_s[known])
    with np.errstate(divide="ignore", invalid="ignore"):
        return middle, (at[2] - at[0]) / 6.0 / (after - before)


def measure_turns(crank: Crank, laid: Laid, teeth: Teeth | None = None, moves: Moves | None = None) -> Events:
    """`measure` of a whole log, long ones in parts of some turns so that the memory stays small."""
    moves = Moves() if moves is None else moves
    parts = []
    for lo in range(0, max(crank.turns, 1), _PART_TURNS):
        a, b = max(lo - _OVERLAP, 0), min(lo + _PART_TURNS + _OVERLAP, crank.turns)
        part = replace(crank, time_s=crank.time_s[a:b], block=crank.block[a:b], faulty=crank.faulty[a:b])
        events = measure(part, laid.part(a, b), teeth, moves)
        mine = (events.turn >= lo - a) & (events.turn < lo - a + _PART_TURNS)
        columns = {f.name: getattr(events, f.name)[mine] for f in fields(events)}
        columns["turn"] = columns["turn"] + a
        parts.append(columns)
    return Events(**{name: np.concatenate([p[name] for p in parts]) for name in parts[0]})
