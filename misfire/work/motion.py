"""How the crank moves between the firings: a model whose size is read from the log, and filters that use it.

The running integral around a TDC is, for every event of the neighbourhood,

    A(th) = a0 + a1 th + sum of x_k R(th - tdc_k) + double integral of a slow torque + noise of the edges

x_k, the work of an event beyond its usual one, scatters by `spread`; the slow torque (driveline, driver, road)
is a random one with standard deviation `torque` that forgets itself within `memory_deg`; the noise is white.
Mean waves are not modelled: an event is compared with others at the same place. The three sizes are those
under which the log's own windows are most probable (restricted likelihood), and the filter that follows
from them is the linear estimate of least variance (generalised least squares). Nothing else is known of the
engine: the burn is the generic one of `gas`.

Rows of windows have shape (windows, points), the ripple of the masses shape (teeth,) of a turn or as the rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from misfire.crank import IntArray
from misfire.engine import CYCLE_DEG, Engine, FloatArray
from misfire.gas import GasShape
from misfire.grid import Grid
from misfire.work.filters import Draft, Span, answer_alike
from misfire.work.windows import Filter, Place, window

LONG_BEFORE_DEG, LONG_AFTER_DEG = 720.0, 900.0
WINDOWS = 80  # enough for the likelihood
POINTS = 60  # of a window; the likelihood of a part of the points is a likelihood too
LEAST_WINDOWS = 24
NATS = 0.2  # a smoother motion is preferred while each window loses less likelihood than this
TRIM = 0.1  # share of the windows that fit worst, left out: bumps, gear changes
_CELL_DEG = 30.0
_COMPARED = (-3, -2, -1, 1, 2, 3)  # cycles whose mean stands for a window's usual course


@dataclass(frozen=True)
class Motion:
    """Sizes of what moves the crank, per unit of inertia.

    Attributes
    ----------
    noise : float
        Standard deviation [rad^3/s^2] of a point of the running integral.
    spread : float
        Standard deviation [rad^2/s^2] of an event's work about its place's usual one, misfires included.
    torque : float
        Standard deviation [rad/s^2] of the slow torque.
    memory_deg : float
        Angle [deg] within which the slow torque forgets itself (exponential correlation).
    timing : float
        Usual work times the scatter of the burn's place [rad^3/s^2]: a burn that is late by d takes the work
        times d from the running integral.
    """

    noise: float
    spread: float
    torque: float
    memory_deg: float
    timing: float = 0.0


@dataclass(frozen=True)
class Layout:
    """What stands around the TDC of a place: points, angles, shapes of its own work and of the neighbours'."""

    offsets: IntArray
    angle_deg: FloatArray
    own: FloatArray  # (points,)
    others: FloatArray  # (points, neighbours)
    late: FloatArray  # (points, own and neighbours): what a burn late by 1 rad takes, per unit of work
    bends: FloatArray  # (points, cells): answer to unit torque in each cell
    cells_deg: FloatArray  # (cells,)
    # parts of the covariance that only the layout and the memory decide, kept for the next motion tried
    _kept: dict[float, FloatArray] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def trend(self) -> FloatArray:
        """Constant and mean energy, which are free."""
        u = self.angle_deg / 180.0
        return np.column_stack([np.ones_like(u), u])

    @cached_property
    def of_others(self) -> FloatArray:
        """Covariance of the points from unit scatter of the neighbours' work, shape (points, points)."""
        return np.asarray(self.others @ self.others.T, dtype=float)

    @cached_property
    def of_lateness(self) -> FloatArray:
        """The same from unit scatter of the burns' place."""
        return np.asarray(self.late @ self.late.T, dtype=float)

    def of_torque(self, memory_deg: float) -> FloatArray:
        """The same from a slow torque of unit size that forgets itself within `memory_deg`."""
        if memory_deg not in self._kept:
            apart = np.abs(self.cells_deg[:, None] - self.cells_deg)
            self._kept[memory_deg] = self.bends @ np.exp(-apart / memory_deg) @ self.bends.T
        return self._kept[memory_deg]


@dataclass
class Moves:
    """What a log has shown so far of how it moves; filled while its parts are walked.

    Attributes
    ----------
    share : float or None
        Ripple of the reciprocating masses, half of m r^2 / J of one cylinder; None = not seen yet.
    of : dict of int to Motion
        Motion of each group of events (see `sharpen.groups`).
    filters : dict
        Filters made so far, by motion and by the wheel's angles.
    plain : dict
        Filters that know nothing of the motion, by the wheel's angles, then by ridge and span.
    """

    share: float | None = None
    of: dict[int, Motion] = field(default_factory=dict)
    filters: dict[tuple[Motion, float, bytes], tuple[list[Filter], FloatArray]] = field(default_factory=dict)
    plain: dict[tuple[float, bytes], dict[tuple[float, Span], list[Filter]]] = field(default_factory=dict)


def layout(grid: Grid, engine: Engine, place: Place, shape: GasShape) -> Layout:
    """The long window of a place."""
    k, angle = window(grid, place.angle_deg, LONG_BEFORE_DEG, LONG_AFTER_DEG)
    tdc = engine.event_deg - engine.event_deg[place.index]
    other = np.concatenate([tdc + CYCLE_DEG * c for c in (-2, -1, 0, 1, 2)])
    near = (np.abs(other) > 1e-6) & (other > -LONG_BEFORE_DEG - 100) & (other < LONG_AFTER_DEG + 5)
    other = np.sort(other[near])
    start = np.arange(angle[0], angle[-1], _CELL_DEG)
    since = np.clip(np.radians(angle[:, None] - start), 0.0, None)
    past = np.clip(np.radians(angle[:, None] - start - _CELL_DEG), 0.0, None)
    return Layout(
        k,
        angle,
        np.radians(shape.step_integral(angle)),
        np.radians(shape.step_integral(angle[:, None] - other)),
        shape.step(angle[:, None] - np.append(other, 0.0)),
        0.5 * (since**2 - past**2),
        start + _CELL_DEG / 2,
    )


def disturbance(lay: Layout, motion: Motion) -> FloatArray:
    """Covariance of the window's points without the event's own work, shape (points, points)."""
    cov = motion.spread**2 * lay.of_others + motion.torque**2 * lay.of_torque(motion.memory_deg)
    cov += motion.timing**2 * lay.of_lateness
    cov.flat[:: cov.shape[0] + 1] += motion.noise**2
    return cov


def draft(lay: Layout, motion: Motion) -> Draft:
    """Generalised least squares: weights that answer 1 to the event's own work and least to all else."""
    fixed = np.column_stack([lay.trend, lay.own])
    cov = disturbance(lay, motion)
    inner = np.linalg.solve(cov, fixed)
    weights = np.linalg.solve(fixed.T @ inner, inner.T)[-1]
    return Draft(lay.offsets, lay.angle_deg, weights, fixed, cov)


def motion_filters(
    grid: Grid, engine: Engine, at: list[Place], lays: list[Layout], motion: Motion
) -> tuple[list[Filter], FloatArray]:
    """A filter for each place, and the standard deviation [rad^2/s^2] of its error; shape (places,)."""
    drafts = [draft(lay, motion) for lay in lays]
    filters = answer_alike(grid, engine, at, drafts)
    sd = [np.sqrt(f.weights @ d.cov @ f.weights) for f, d in zip(filters, drafts, strict=True)]
    return filters, np.array(sd)


def departures(grid: Grid, lay: Layout, start: IntArray) -> FloatArray:
    """Windows less the mean of the same place's windows in the cycles around, shape (windows, points).

    Events whose neighbouring cycles are not all sound are left out.
    """
    cycle = 2 * grid.per_turn
    lo, hi = lay.offsets[0] + _COMPARED[0] * cycle, lay.offsets[-1] + _COMPARED[-1] * cycle
    start = start[(start + lo >= 0) & (start + hi < grid.action.size)]
    bad = grid.unsound_before
    start = start[bad[start + hi + 1] == bad[start + lo]]
    if start.size > WINDOWS:
        start = start[np.linspace(0, start.size - 1, WINDOWS).astype(int)]

    def rows(shift: int) -> FloatArray:
        a = grid.action[start[:, None] + lay.offsets + shift * cycle]
        return np.asarray(a - a[:, :1], dtype=float)

    usual = sum(rows(c) for c in _COMPARED) / len(_COMPARED)
    return np.asarray((rows(0) - usual) / np.sqrt(1 + 1 / len(_COMPARED)), dtype=float)


def log_likelihood(rows: FloatArray, lay: Layout, motion: Motion) -> float:
    """Mean restricted log likelihood of a window, over the share that fits best."""
    cov = disturbance(lay, motion) + motion.spread**2 * np.outer(lay.own, lay.own)
    root = np.linalg.cholesky(cov)
    z = np.linalg.solve(root, np.column_stack([rows.T, lay.trend]))
    q, r = np.linalg.qr(z[:, rows.shape[0] :])
    z = z[:, : rows.shape[0]]
    misfit = np.sort((z**2).sum(axis=0) - ((q.T @ z) ** 2).sum(axis=0))
    kept = misfit[: max(1, int((1 - TRIM) * misfit.size))]
    constant = np.log(np.diag(root)).sum() + np.log(np.abs(np.diag(r))).sum()
    return float(-0.5 * kept.mean() - constant)


def thinned(rows: FloatArray, lay: Layout) -> tuple[FloatArray, Layout]:
    """Windows and layout on every second, third, ... point, so that at most about POINTS are left."""
    keep = slice(None, None, max(1, round(lay.angle_deg.size / POINTS)))
    fields = {k: getattr(lay, k)[keep] for k in ("offsets", "angle_deg", "own", "others", "late", "bends")}
    return rows[:, keep], replace(lay, **fields)


def find_motion(
    parts: list[tuple[FloatArray, Layout]], noise: float, spread: float, step_rad: float, timing: float
) -> Motion:
    """The sizes under which the windows are most probable.

    Parameters
    ----------
    parts : list of (windows, layout)
        Departures of some places with their layouts.
    noise : float
        Noise of the running integral [rad^3/s^2], known from the edges themselves.
    spread : float
        Scatter [rad^2/s^2] of a rough estimate of the work: the most that `spread` may be.
    step_rad : float
        Firing interval [rad]; sets the unit of the torques tried.
    timing : float
        See `Motion`.
    """
    parts = [thinned(rows, lay) for rows, lay in parts]
    seen: dict[Motion, float] = {}

    def fit(m: Motion) -> float:
        if m not in seen:
            total = sum(rows.shape[0] for rows, _ in parts)
            seen[m] = sum(rows.shape[0] * log_likelihood(rows, lay, m) for rows, lay in parts) / total
        return seen[m]

    best = Motion(max(noise, 2e-3 * spread), 0.7 * spread, 0.0, 1000.0, timing)
    torques = np.array([0.02, 0.06, 0.2, 0.6, 2.0, 6.0]) * spread / step_rad
    for _ in range(2):
        tries = [replace(best, torque=float(t), memory_deg=m) for m in (1000.0, 200.0) for t in torques]
        top = max(fit(m) for m in tries)
        # equally good: the smallest torque serves, since what a large one explains may be the work itself
        best = min((m for m in tries if fit(m) >= top - NATS), key=lambda m: (m.torque, -fit(m)))
        best = max((replace(best, spread=spread * s) for s in (0.17, 0.25, 0.35, 0.5, 0.7, 1.0)), key=fit)
    return best


def inertia_wave(grid: Grid, engine: Engine, first_deg: float, shape: GasShape) -> FloatArray:
    """Relative ripple of w^2 from unit share m r^2/2J of the reciprocating masses, mean of each tooth interval.

    Interval j runs from used tooth j to the next; shape (used teeth,).
    """
    a = grid.angle_deg
    b = np.append(a[1:], a[0] + 360.0)
    tdc = engine.event_deg - first_deg
    rise = sum(shape.inertia_integral(b - o) - shape.inertia_integral(a - o) for o in tdc)
    return np.asarray(2.0 * rise / (b - a), dtype=float)


def without_inertia(grid: Grid, wave: FloatArray, share: float) -> Grid:
    """The same teeth with the ripple of the masses taken out of the running integral: J(th) w^2/2 over J."""
    action = np.empty(grid.action.size)
    action[0] = 0.0
    np.subtract(grid.action[1:], grid.action[:-1], out=action[1:])
    rows = action.reshape(-1, grid.per_turn)
    rows *= np.roll(1.0 - share * wave, 1)
    return replace(grid, action=np.cumsum(action, out=action))


def inertia_sums(rows: FloatArray, ripple: FloatArray, lay: Layout, motion: Motion) -> tuple[float, float]:
    """Sums for the share of the masses by generalised least squares: share = first / second.

    `rows` are departures of the running integral, `ripple` those of the part that goes with the wave.
    """
    keep = thinned(rows, lay)
    ripple, (rows, lay) = thinned(ripple, lay)[0], keep
    cov = disturbance(lay, motion) + motion.spread**2 * np.outer(lay.own, lay.own)
    root = np.linalg.cholesky(cov)
    n = rows.shape[0]
    z = np.linalg.solve(root, np.column_stack([rows.T, ripple.T, lay.trend]))
    q, _ = np.linalg.qr(z[:, 2 * n :])
    z = z[:, : 2 * n] - q @ (q.T @ z[:, : 2 * n])
    y, x = z[:, :n], z[:, n:]
    misfit = (y**2).sum(axis=0)
    kept = misfit <= np.quantile(misfit, 1 - TRIM)
    return float((y * x)[:, kept].sum()), float((x**2)[:, kept].sum())
