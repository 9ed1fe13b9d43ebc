"""Whether the crank moves like the engine given: its number of cylinders, and where its file puts TDC.

A wrong engine file makes misfires of cylinders that fire. Two things of the motion speak against it: firings of another
number of cylinders, each as strong as it likes, explain the wave of a cycle and those of the engine given do not; or the
shapes of compression and combustion explain the wave well at one angle and badly at the file's.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from misfire.crank import Crank, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.gas import GasShape, late_burn
from misfire.grid import Grid
from misfire.phase import Phase, SpeedWaves, amplitudes_at, by_speed, longest_block, mean_wave, non_negative

LEAST_FIT = 0.5  # of the wave, that a TDC found from the motion must explain (our choice)
# What the shapes explain at the best angle and at the file's. Right files on 250 simulated logs of two engines: where the
# best one explains 0.9 the file's explains 0.85 or more; 30 deg off it explains less than 0.7 in 97 of 100.
WELL, BADLY = 0.9, 0.75
OFF_DEG, MARKED_DEG = 20.0, 15.0  # apart; marks that stand where the file has them are believed
# Of the wave of a cycle, explained by firings of free strength. Right engines below 0.6 (teeth that are off, a spacing that
# moves) leave any other number below 0.55, and no smaller number leaves a fourth of what they do (262 simulated logs of
# two engines).
ENOUGH, OTHERWISE = 0.6, 0.85
FAR_BETTER, FEWER = 0.93, 4.0
COUNTS = (3, 4, 5, 6, 8)
_HALF_ORDERS = 16
_ROWS = 4000  # turns looked at


def doubt_of_engine(grid: Grid, crank: Crank, engine: Engine, shape: GasShape, phase: Phase) -> str:
    """What of the motion speaks against the engine given, as the end of a sentence; empty when nothing does.

    Not asked of one or two cylinders, and of odd-firing engines only whether the TDC found fits.
    """
    n = engine.cylinders
    if n < 3:
        return ""
    if not (phase.tdc_found or phase.marks_off_deg <= MARKED_DEG) and engine.even_firing:
        off = _off_deg(grid, crank, engine, shape, phase.first_deg)
        if off > OFF_DEG:
            return (
                f"compression and combustion stand {off:.0f} deg from where first_tooth_after_tdc1_deg = "
                f"{phase.first_deg:g} puts them; correct it or leave it out"
            )
    looks = _looks_like(grid, crank, engine, shape, phase.first_deg)
    if looks is not None:
        return f"the crank moves like that of {looks} cylinders, {n} are given"
    return _poor_fit(phase, n)


def _off_deg(grid: Grid, crank: Crank, engine: Engine, shape: GasShape, first_deg: float) -> float:
    """How far [deg] the TDC that the motion tells lies from the file's, where it explains far more; else 0."""
    two = engine.cylinders % 2 == 1
    said = np.array([(-first_deg - TURN_DEG * k) % engine.interval_deg for k in range(1 + two)])
    waves = SpeedWaves.of(grid, _rows(crank, two), engine, shape, two)
    if waves is None or max(waves.at(x)[1] for x in said) >= BADLY:
        return 0.0
    angle, best = waves.best()
    half = engine.interval_deg / 2
    off = float(np.abs((angle - said + half) % engine.interval_deg - half).min())
    if off <= OFF_DEG or best < WELL:
        return 0.0
    # a burn far later than the generic one (a cold engine that heats its catalyst) looks like another TDC
    late = SpeedWaves.of(grid, _rows(crank, two), engine, late_burn(shape), two)
    return 0.0 if late is not None and max(late.at(x)[1] for x in said) >= WELL else off


def _poor_fit(phase: Phase, cylinders: int) -> str:
    if phase.fit is None or phase.fit >= LEAST_FIT:
        return ""
    return f"the crank does not move like that of {cylinders} cylinders; if that is right, see --first-tooth"


def _looks_like(grid: Grid, crank: Crank, engine: Engine, shape: GasShape, first_deg: float) -> int | None:
    """The number of cylinders whose firings explain the wave where the given engine's do not; None when none does.

    Not seen: an eight given as a four, or a four as an eight of which every second cylinder is dead; both move so.
    """
    slow = min(by_speed(grid, _rows(crank, True)), key=lambda part: part[1], default=None)
    wave = None if slow is None else mean_wave(grid, slow[0], per_cycle=True)
    if wave is None or not np.isfinite(wave[2]).all():
        return None
    given, mine = engine.cylinders, _explained(wave, engine, shape, first_deg)
    if mine >= WELL:
        return None
    found: dict[int, float] = {}
    for n in sorted({*COUNTS, given}):
        other = Engine.from_order(tuple(range(1, n + 1)), wheel=engine.wheel)
        waves = SpeedWaves.of(grid, _rows(crank, n % 2 == 1), other, shape, n % 2 == 1)
        found[n] = 0.0 if waves is None else _explained(wave, other, shape, -waves.best()[0])
    own = max(mine, found.pop(given))  # at another angle: then the angle is wrong and not the number
    if given == 4:
        del found[8]
    best = max(found, key=lambda n: (round(found[n], 2), -n))
    instead = own < ENOUGH and found[best] >= OTHERWISE
    # with fewer firings to choose from, far better
    better = best < given and found[best] >= FAR_BETTER and 1 - own > FEWER * (1 - found[best])
    return best if instead or better else None


def _explained(
    wave: tuple[FloatArray, FloatArray, FloatArray], engine: Engine, shape: GasShape, first_deg: float
) -> float:
    """Share of a cycle's wave that firings of any strength, like compressions and like masses explain, 0..1.

    `first_deg` of position 0 after TDC; whichever of the two turns fits better.
    """
    first, last, energy = wave
    order: FloatArray = np.arange(1, _HALF_ORDERS + 1) / 2
    order = order[order <= energy.size / 6]  # a third of the teeth of a turn
    fine = np.arange(0.0, CYCLE_DEG, 1.0)

    def at_orders(angle: FloatArray, x: FloatArray) -> FloatArray:
        c = amplitudes_at(angle, x - x.mean(), order)
        return np.concatenate([c.real, c.imag])

    def seen(of: Callable[[FloatArray], FloatArray], tdc: float) -> FloatArray:
        repeats = tdc + CYCLE_DEG * np.arange(-2, 3)
        return np.asarray(sum(of(fine + 0.5 - r) - of(fine - 0.5 - r) for r in repeats), dtype=float)

    y = at_orders((first + last) / 2, energy)
    power = float(y @ y)
    left = [power]
    for turn in (0.0, TURN_DEG):
        tdc = [float(t) for t in (engine.event_deg - first_deg - turn) % CYCLE_DEG]
        burns = [seen(shape.step_integral, t) - fine / CYCLE_DEG for t in tdc]
        common = [
            sum((seen(of, t) for t in tdc), np.zeros(fine.size))
            for of in (shape.dip_integral, shape.inertia_integral)
        ]
        x = np.column_stack([at_orders(fine, c) for c in (*burns, *common)])
        left.append(non_negative(x / (np.sqrt((x**2).sum(axis=0)) + 1e-12), y)[1])
    return 1 - min(left) / power if power > 0 else 0.0


def _rows(crank: Crank, even: bool) -> IntArray:
    """Turns of the longest block, spread over it; even ones only where a wave spans a cycle."""
    rows = longest_block(crank)
    rows = rows[rows % 2 == 0] if even else rows
    return rows[:: max(1, -(-rows.size // _ROWS))]
