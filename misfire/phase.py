"""Where the cycle stands on the wheel: TDC, and which of the two turns is which.

TDC comes from the engine file, or from the engine's own compression and combustion (modulo one firing
interval). The turn comes from cam edges or cylinder-1 marks, or, where no firing has a companion, from the work.

Rows and angles of marks have shape (marks,), rows of a wave shape (turns,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.gas import GasShape
from misfire.grid import Grid
from misfire.work import inertia_share, masses_unsure

LEAST_TURNS = 20  # of a speed that is looked at on its own
_ROWS, _POINTS = 8_000, 1_000_000  # turns and teeth looked at in one go, for the memory


@dataclass(frozen=True)
class Phase:
    """How the rows of the tooth matrix lie in the cycle.

    Attributes
    ----------
    first_deg : float
        Crank angle [deg, 0..360) of position 0 after TDC of cylinder 1 (or of place A when not named).
    second_turn : array of bool, shape (turns,)
        True for rows that are the second turn of the cycle (start at first_deg + 360).
    status : str
        "measured", "assumed" or "unknown".
    named : bool
        False: events carry places A, B, ... instead of cylinder numbers.
    tdc_found : bool
        True when TDC was found from the motion.
    fit : float or None
        Share of the wave that the shapes explain where TDC was found from the motion of several cylinders, 0..1.
    marks_off_deg : float
        Median distance [deg] of the marks that were used from where the engine file has them; infinite without any.
    doubt : str
        What of the motion speaks against the engine given; empty when nothing does.
    untold : array of bool, shape (turns,), or None
        Rows between two breaks of the numbering that hold no mark to tell the turn of the cycle.
    """

    first_deg: float
    second_turn: BoolArray
    status: str
    named: bool
    tdc_found: bool
    notes: tuple[str, ...] = ()
    untold: BoolArray | None = None
    fit: float | None = None
    marks_off_deg: float = np.inf
    doubt: str = ""


def mean_wave(grid: Grid, rows: IntArray, per_cycle: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean speed-energy wave [rad^2/s^2] over one turn, or over two.

    Returns interval start and end angles [deg] after position 0 and the mean of w^2/2 in each interval, the
    slow trend of each turn (through the same tooth one span later) taken out.
    """
    n = grid.per_turn
    span = 2 * n if per_cycle else n
    start = rows * n
    start = start[(start >= 0) & (start + span + 1 < grid.time_s.size)]
    angle = np.concatenate([grid.angle_deg + TURN_DEG * i for i in range(span // n + 1)])[: span + 1]
    total = np.zeros(span)
    count = 0
    width = np.radians(np.diff(angle))
    mid = 0.5 * (angle[1:] + angle[:-1])  # the interval across the gap is a long one
    for lo in range(0, start.size, _ROWS):
        at = start[lo : lo + _ROWS, None] + np.arange(span + 2)
        piece = np.diff(grid.action[at], axis=1)
        ok = grid.sound[at].all(axis=1) & (piece > 0).all(axis=1)
        e = piece[ok][:, :span] / width
        step = piece[ok][:, span] / width[0] - e[:, 0]  # change over the whole span
        e = e - step[:, None] * ((mid - mid[0]) / (angle[-1] - angle[0]))
        total += (e - e.mean(axis=1, keepdims=True)).sum(axis=0)
        count += int(ok.sum())
    return angle[:-1], angle[1:], total / count if count else np.full(span, np.nan)


def find_tdc(grid: Grid, crank: Crank, engine: Engine, shape: GasShape) -> tuple[float, int | None, float]:
    """TDC from compression and combustion, modulo one firing interval (one turn at most).

    Returns
    -------
    angle_deg : float
        Angle [deg] of a firing TDC after position 0.
    turn : int or None
        Where firings differ from turn to turn (one cylinder, odd numbers, odd firing): which of the two turns it is in (0 = even
        rows).
    fit : float
        Share of the wave's power that the shapes explain, 0..1.
    """
    even = engine.even_firing
    n = engine.cylinders
    two = n == 1 or n % 2 == 1 or not even
    rows = longest_block(crank)
    rows = rows[rows % 2 == 0] if two else rows
    if n > 1 and even:
        waves = SpeedWaves.of(grid, rows, engine, shape, two)
        angle, fit = waves.best() if waves is not None else (0.0, 0.0)
    else:
        angle, fit = _tdc_of_cycle(grid, rows, engine, shape)
    return angle % TURN_DEG, int(angle // TURN_DEG) if two else None, fit


def longest_block(crank: Crank) -> IntArray:
    """Rows of the longest unbroken run, shape (turns,), in which even and odd keep their meaning."""
    return np.flatnonzero(crank.block == int(np.argmax(np.bincount(crank.block))))


def _tdc_of_cycle(grid: Grid, rows: IntArray, engine: Engine, shape: GasShape) -> tuple[float, float]:
    """TDC [deg after position 0, in the cycle] and fit, where firings do not share one interval."""
    a, b, wave = mean_wave(grid, rows, per_cycle=True)
    if not np.isfinite(wave).all():
        return 0.0, 0.0
    halves = wave.size % 2 == 0
    if halves:
        wave = turn_difference(wave)  # a wheel error is the same in both turns and drops out
    power = float(wave @ wave)

    def cost(phi: float) -> tuple[float, float]:
        return misfit(a, b, wave, phi + engine.event_deg, CYCLE_DEG, engine, shape, halves), phi

    _, rough = min(cost(phi) for phi in np.arange(0.0, CYCLE_DEG, 1.0))
    left, angle = min(cost(phi) for phi in rough + np.arange(-1, 1.01, 0.25))
    return angle % CYCLE_DEG, 1 - left / power if power > 0 else 0.0


@dataclass(frozen=True)
class SpeedWaves:
    """The waves of all speeds at the orders of the firing frequency, and the shapes they are made of: where does TDC fit?

    Only those orders are looked at, so single cylinders drop out. The wave of each speed, over w^2, is c (combustion)/w^2 +
    d (compression)/w^2 + m (masses), c, d >= 0 of that speed and m >= 0 of all: at one speed the masses of a four look like a
    combustion a quarter turn away, over several they cannot [derived]. A wrong tooth is white in angle, so order k of the
    wave is over k; and the same share at each speed, so all weigh alike.

    `waves` and `shapes` have shape (orders,) each, `square` the speeds squared [rad^2/s^2].
    """

    engine: Engine
    order: FloatArray
    waves: list[npt.NDArray[np.complex128]]
    square: list[float]
    shapes: list[npt.NDArray[np.complex128]]

    @classmethod
    def of(
        cls, grid: Grid, rows: IntArray, engine: Engine, shape: GasShape, per_cycle: bool
    ) -> SpeedWaves | None:
        """From turns `rows`, even ones `per_cycle`; None where there is no wave."""
        # a third of the teeth of a turn: what a wheel can show
        order = _firing_orders(engine.interval_deg, grid.per_turn)
        waves, square = [], []
        for some, w in by_speed(grid, rows) if order.size else []:
            a, b, wave = mean_wave(grid, some, per_cycle)
            if np.isfinite(wave).all() and wave.any():
                waves.append(amplitudes_at((a + b) / 2, wave, order) / order / w**2)
                square.append(w**2)
        if not waves:
            return None
        step = TURN_DEG / grid.per_turn
        fine = np.arange(0.0, CYCLE_DEG, 1.0)
        first, last = fine - step / 2, fine + step / 2
        repeats = np.concatenate([engine.event_deg + CYCLE_DEG * i for i in (-2, -1, 0, 1, 2)])
        comb, dip = (
            np.sum([of(last - o) - of(first - o) for o in repeats], axis=0) / step
            for of in (shape.step_integral, shape.dip_integral)
        )
        comb = comb - fine * engine.cylinders / CYCLE_DEG
        masses = [
            shape.inertia_integral(last - o) - shape.inertia_integral(first - o) for o in engine.event_deg
        ]
        mass = np.sum(masses, axis=0) / step
        shapes = [amplitudes_at(fine, x - x.mean(), order) / order for x in (comb, dip, mass)]
        return cls(engine, order, waves, square, shapes)

    def at(self, angle_deg: float) -> tuple[float, float]:
        """Misfit of a TDC at that angle [deg] after position 0, the masses' belief in it, and share of the power explained."""
        turned = [x * np.exp(-1j * self.order * np.radians(angle_deg)) for x in self.shapes]
        size = self.order.size
        x = np.zeros((len(self.waves) * size, 2 * len(self.waves) + 1), dtype=complex)
        for i, w2 in enumerate(self.square):
            x[i * size : (i + 1) * size, 2 * i] = turned[0] / w2
            x[i * size : (i + 1) * size, 2 * i + 1] = turned[1] / w2
            x[i * size : (i + 1) * size, -1] = turned[2]
        real = np.vstack([x.real, x.imag])
        y = np.concatenate(self.waves)
        y = np.concatenate([y.real, y.imag])
        power = float(y @ y)
        # the masses of common engines, believed as far as they differ: what one of them may be off costs an rms of the data
        sd = np.sqrt(power / y.size) / masses_unsure(self.engine)
        scale = np.sqrt((real**2).sum(axis=0)) + 1e-15
        belief = np.zeros(real.shape[1])
        belief[-1] = sd / inertia_share(self.engine) / scale[-1]
        found, misfit = non_negative(np.vstack([real / scale, belief]), np.append(y, sd))
        return misfit, 1 - float(((real / scale @ found - y) ** 2).sum()) / power

    def best(self) -> tuple[float, float]:
        """TDC [deg after position 0, below one firing interval] where the misfit is least, and the share explained there."""
        interval = self.engine.interval_deg
        rough = min(np.arange(0.0, interval, 1.0).tolist(), key=lambda angle: self.at(angle)[0])
        angle = min((rough + np.arange(-1, 1.01, 0.25)).tolist(), key=lambda angle: self.at(angle)[0])
        return angle % interval, self.at(angle)[1]


def non_negative(x: FloatArray, y: FloatArray) -> tuple[FloatArray, float]:
    """Non-negative least squares: coefficients, shape (columns,), and the power of `y`, shape (rows,), that is left."""
    found = np.linalg.lstsq(x, y, rcond=None)[0]
    if (found >= 0).all():
        return np.asarray(found, dtype=float), float(np.sum((y - x @ found) ** 2))
    # its package takes long to import, and where the shapes fit no coefficient wants to be negative
    from scipy.optimize import nnls

    found, rest = nnls(x, y)
    return np.asarray(found, dtype=float), float(rest) ** 2


def by_speed(grid: Grid, rows: IntArray) -> list[tuple[IntArray, float]]:
    """Rows of like speed, steps of a quarter, with that speed [rad/s]; all together where none has turns enough."""
    n = grid.per_turn
    rows = rows[(rows + 1) * n < grid.time_s.size]
    w = 2 * np.pi / (grid.time_s[(rows + 1) * n] - grid.time_s[rows * n])
    ok = np.isfinite(w) & (w > 0)
    rows, w = rows[ok], w[ok]
    if not rows.size:
        return []
    key = np.floor(np.log(w) / np.log(1.25)).astype(np.int64)
    parts = [key == k for k in np.unique(key)]
    parts = [p for p in parts if p.sum() >= LEAST_TURNS] or [np.ones(rows.size, dtype=bool)]
    return [(rows[p], float(np.median(w[p]))) for p in parts]


def _firing_orders(interval_deg: float, teeth: int) -> FloatArray:
    """Crank orders of the firing frequency, six at most, up to a third of the teeth."""
    order = np.arange(1, 7) * TURN_DEG / interval_deg
    return np.asarray(order[order <= teeth / 3], dtype=float)


def amplitudes_at(angle_deg: FloatArray, wave: FloatArray, order: FloatArray) -> npt.NDArray[np.complex128]:
    """Least-squares amplitudes c of Re(c exp(i order angle)) in a wave, shape (orders,), in its unit."""
    turn = np.radians(angle_deg)[:, None] * order
    x = np.linalg.lstsq(np.column_stack([np.cos(turn), np.sin(turn)]), wave, rcond=None)[0]
    return np.asarray(x[: order.size] - 1j * x[order.size :], dtype=np.complex128)


def shared_part(a: FloatArray, b: FloatArray, wave: FloatArray, interval: float, period: float) -> FloatArray:
    """Least-squares part of the wave at the orders of the firing frequency; `interval` of firings and `period` of the wave [deg]."""
    mid = (a + b) / 2
    order = _firing_orders(interval, int(wave.size / (period / TURN_DEG)))
    found = amplitudes_at(mid, wave, order)
    return np.asarray((found * np.exp(1j * np.radians(mid)[:, None] * order)).real.sum(axis=1), dtype=float)


def turn_difference(wave: FloatArray) -> FloatArray:
    """The part of a two-turn wave that changes sign from one turn to the other: half orders only."""
    first, second = np.split(wave, 2)
    return np.concatenate([first - second, second - first]) / 2


def misfit(
    a: FloatArray,
    b: FloatArray,
    wave: FloatArray,
    tdc: FloatArray,
    period: float,
    engine: Engine,
    shape: GasShape,
    difference: bool,
) -> float:
    """Power [rad^4/s^4] of a wave of `period` [deg] that firings at `tdc` [deg] cannot explain: combustion, compression, masses.

    `a`, `b` are the intervals' ends [deg], `wave` [rad^2/s^2], all of shape (intervals,); `difference` says that only
    what changes sign between the two turns of the wave is left in it.
    """
    repeats = np.concatenate([tdc + period * i for i in (-2, -1, 0, 1, 2)])
    comb = sum(shape.step_integral(b - o) - shape.step_integral(a - o) for o in repeats) / (b - a)
    comb = comb - (a + b) / 2 * tdc.size / period
    dip = sum(shape.dip_integral(b - o) - shape.dip_integral(a - o) for o in repeats) / (b - a)
    cols = [comb, dip]
    if engine.cylinders in (2, 4):
        inertia = (shape.inertia_integral(b - tdc[0]) - shape.inertia_integral(a - tdc[0])) / (b - a)
        cols.append(inertia)
    x = np.column_stack([turn_difference(c) if difference else c - c.mean() for c in cols])
    scale = np.sqrt((x**2).sum(axis=0)) + 1e-12
    return non_negative(x / scale, wave - wave.mean())[1]


def mark_angles(grid: Grid, crank: Crank, mark_s: FloatArray) -> tuple[IntArray, FloatArray]:
    """Row and angle [deg] after position 0 of every mark that falls between numbered teeth."""
    lefts, rights, marks = [], [], []
    for lo in range(0, grid.time_s.size, _POINTS):
        # neighbours stand at most two points apart
        part = grid.time_s[lo : lo + _POINTS + 3]
        known = np.flatnonzero(np.isfinite(part))
        t = part[known]
        i = np.searchsorted(t, mark_s) - 1
        near = (i >= 0) & (i + 1 < t.size)
        i, mark = i[near], mark_s[near]
        ok = (known[i] < _POINTS) & (known[i + 1] - known[i] <= 2)
        lefts.append(known[i[ok]] + lo)
        rights.append(known[i[ok] + 1] + lo)
        marks.append(mark[ok])
    left, right, mark = np.concatenate(lefts), np.concatenate(rights), np.concatenate(marks)
    n = grid.per_turn
    full = (left // n) * TURN_DEG + grid.angle_deg[left % n]
    full_r = (right // n) * TURN_DEG + grid.angle_deg[right % n]
    share = (mark - grid.time_s[left]) / (grid.time_s[right] - grid.time_s[left])
    angle = full + share * (full_r - full)
    row = np.floor_divide(angle, TURN_DEG).astype(np.int64)
    return row, angle - row * TURN_DEG
