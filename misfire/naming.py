"""Tie the cylinders' names and the turn of the cycle to the wheel: marks, cam, a known cut, the work itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.errors import InputError
from misfire.gas import GasShape
from misfire.phase import Phase, _misfit, _turn_difference, find_tdc, mark_angles, mean_wave
from misfire.work import Grid

DEFAULT_MARK_DEG = -10.0
CLEAR_BY_DEG = 20.0


@dataclass(frozen=True)
class Marks:
    """Cam edges and cylinder-1 marks of a log, times [s]; None when there are none."""

    cam_s: FloatArray | None = None
    cylinder1_s: FloatArray | None = None


def place_name(index: int) -> str:
    """A, B, ... for a place that no cylinder number is tied to."""
    return chr(ord("A") + index)


def find_phase(crank: Crank, grid: Grid, engine: Engine, marks: Marks, shape: GasShape) -> Phase:
    """Where TDC is, which turn is which, and whether cylinder names are tied to them.

    Raises InputError when cam edges or marks contradict the engine file's angles.
    """
    notes: list[str] = []
    rows = np.arange(crank.turns)
    known = crank.wheel.first_tooth_after_tdc1_deg
    tdc_found = known is None
    turn_hint: int | None = None
    if known is None:
        angle, turn_hint, fit = find_tdc(grid, crank, engine, shape)
        start = [
            (-(angle + TURN_DEG * (turn_hint or 0)) - engine.interval_deg * j) % CYCLE_DEG
            for j in range(engine.cylinders)
        ]
        if not engine.even_firing:
            start = [start[0]]
        notes.append(
            f"TDC found from compression and combustion: {angle % engine.interval_deg:.1f} deg after the first tooth, "
            f"modulo one firing interval (the shapes explain {100 * max(fit, 0.0):.0f} % of the wave)"
        )
    else:
        start = [float(known), float(known) + TURN_DEG]
    references = []
    if marks.cylinder1_s is not None and marks.cylinder1_s.size:
        at = engine.mark_after_tdc1_deg
        if at is None:
            at = DEFAULT_MARK_DEG
            notes.append("the cylinder-1 mark is taken as 10 deg before its firing TDC (assumed)")
        angles = (
            [at % CYCLE_DEG] if engine.marks_per_cycle == 1 else [at % CYCLE_DEG, (at + TURN_DEG) % CYCLE_DEG]
        )
        references.append(
            ("cylinder-1 marks", marks.cylinder1_s, np.array(angles), engine.interval_deg / 2 + 1)
        )
    if marks.cam_s is not None and marks.cam_s.size and engine.cam_edges_deg:
        references.append(("cam edges", marks.cam_s, np.array(engine.cam_edges_deg), 40.0))
    elif engine.cam_edges_deg:
        notes.append("the engine file describes a cam, but the log has no cam edges")
    for label, times, at_deg, tolerance in references:
        row, angle_deg = mark_angles(grid, crank, times)
        if not row.size:
            continue
        cost = np.array([_distance(row, angle_deg, s, at_deg, crank) for s in start])
        best = int(np.argmin(cost))
        if cost[best] > tolerance:
            raise InputError(
                f"the {label} stand {cost[best]:.0f} deg from where the engine file has them: "
                "first_tooth_after_tdc1_deg, the mark's angle or the wheel is wrong; correct the engine file"
            )
        others = np.delete(cost, best)
        if not others.size or others.min() > cost[best] + CLEAR_BY_DEG:
            second = _second_by_block(row, angle_deg, start[best], at_deg, crank)
            return Phase(start[best] % TURN_DEG, second, "measured", True, tdc_found, tuple(notes))
        notes.append(f"the {label} fit both turns of the cycle and cannot tell them apart")
    second = (rows % 2 == 1) == (start[0] < TURN_DEG)
    named = not tdc_found or engine.cylinders == 1
    if engine.cylinders == 1 or not engine.companions:
        told = _turn_from_work(crank, grid, engine, start[0] % TURN_DEG, shape)
        if told is not None:
            return Phase(start[0] % TURN_DEG, told, "measured", named, tdc_found, tuple(notes))
    return Phase(start[0] % TURN_DEG, second, "unknown", named, tdc_found, tuple(notes))


def _distance(row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank) -> float:
    """Median distance [deg] of the marks from their angles, the better of the two parities in each block."""
    total = []
    for b in np.unique(crank.block[row]):
        mine = crank.block[row] == b
        options = []
        for parity in (0, 1) if crank.block.max() > 0 else (0,):
            cycle = start + angle_deg[mine] + TURN_DEG * ((row[mine] + parity) % 2)
            off = np.abs((cycle[:, None] - at_deg + 360.0) % CYCLE_DEG - 360.0).min(axis=1)
            options.append(off)
        total.append(min(options, key=lambda o: float(np.median(o))))
    return float(np.median(np.concatenate(total)))


def _second_by_block(
    row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank
) -> BoolArray:
    """True where a row starts at start + 360 mod 720 seen from [0, 360), block by block from its own marks."""
    rows = np.arange(crank.turns)
    second = np.asarray((rows % 2 == 1) == (start % CYCLE_DEG < TURN_DEG), dtype=bool)
    for b in np.unique(crank.block):
        mine = crank.block[row] == b
        if not mine.any():
            continue
        cost = []
        for parity in (0, 1):
            cycle = start + angle_deg[mine] + TURN_DEG * ((row[mine] + parity) % 2)
            off = np.abs((cycle[:, None] - at_deg + 360.0) % CYCLE_DEG - 360.0).min(axis=1)
            cost.append(float(np.median(off)))
        parity = int(np.argmin(cost))
        inside = crank.block == b
        second[inside] = ((rows[inside] + parity) % 2 == 1) == (start % CYCLE_DEG < TURN_DEG)
    return second


def _turn_from_work(
    crank: Crank, grid: Grid, engine: Engine, first_deg: float, shape: GasShape
) -> BoolArray | None:
    """Which turn fires, block by block, from the half orders of the speed wave; None when it does not show."""
    rows = np.arange(crank.turns)
    second = np.zeros(crank.turns, dtype=bool)
    told = False
    for b in np.unique(crank.block):
        mine = rows[crank.block == b]
        even = mine[mine % 2 == 0]
        if even.size < 2:
            continue
        a, z, wave = mean_wave(grid, even, per_cycle=True)
        if not np.isfinite(wave).all():
            continue
        odd_part = engine.cylinders % 2 == 1
        wave = _turn_difference(wave) if odd_part else wave
        cost = [
            _misfit(
                a,
                z,
                wave,
                (engine.event_deg - first_deg - TURN_DEG * p) % CYCLE_DEG,
                CYCLE_DEG,
                engine,
                shape,
                odd_part,
            )
            for p in (0, 1)
        ]
        if min(cost) < 0.8 * max(cost):
            told = True
            p = int(np.argmin(cost))
            second[mine] = (mine % 2 == 1) == (p == 0)
    return second if told else None
