"""Tie the cylinders' names and the turn of the cycle to the wheel: marks, cam, a known cut, the work itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.errors import InputError
from misfire.gas import GasShape, late_burn
from misfire.grid import Grid
from misfire.phase import Phase, find_tdc, mark_angles, mean_wave, misfit, shared_part, turn_difference
from misfire.work import firing_period_deg

DEFAULT_MARK_DEG = -10.0
CLEAR_BY_DEG = 20.0


@dataclass(frozen=True)
class Marks:
    """Cam edges and cylinder-1 marks of a log, times [s] of shape (marks,); None when there are none."""

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
    cam = marks.cam_s is not None and marks.cam_s.size > 0 and bool(engine.cam_edges_deg)
    # an evenly toothed wheel has no tooth of its own: the angle says where teeth stand, not which is the first
    even_wheel = not crank.wheel.missing and crank.wheel.angles_deg is None
    lattice = known if even_wheel else None
    if even_wheel and not cam:
        known = None
    tdc_found = known is None
    named = False
    off = np.inf
    turn_hint: int | None = None
    seen: float | None = None
    if known is None:
        angle, turn_hint, fit = find_tdc(
            # small single-cylinder engines burn later than the usual best timing (seen in public recordings)
            grid,
            crank,
            engine,
            late_burn(shape) if engine.cylinders == 1 else shape,
        )
        start = [(-(angle + TURN_DEG * (turn_hint or 0)) - r) % CYCLE_DEG for r in _rotations(engine)]
        if lattice is not None:
            pitch = crank.wheel.pitch_deg
            start = [(lattice + pitch * round((s - lattice) / pitch)) % CYCLE_DEG for s in start]
        seen = fit if engine.cylinders > 1 else None
        notes.append(
            f"TDC found from compression and combustion: {angle % engine.interval_deg:.1f} deg after the first tooth, "
            f"modulo one firing interval (the shapes explain {100 * max(fit, 0.0):.0f} % of the wave)"
        )
    elif even_wheel:
        start = [(known + crank.wheel.pitch_deg * k) % CYCLE_DEG for k in range(2 * crank.wheel.positions)]
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
    if cam and marks.cam_s is not None and engine.cam_edges_deg:
        references.append(("cam edges", marks.cam_s, np.array(engine.cam_edges_deg), 40.0))
    elif engine.cam_edges_deg:
        notes.append("the engine file describes a cam, but the log has no cam edges")
    elif marks.cam_s is not None and marks.cam_s.size:
        notes.append(
            "the log has cam edges, but not the angle they stand at: give it as [cam] edges_after_tdc1_deg in the engine file"
        )
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
        off = min(off, float(cost[best]))
        away = np.abs((np.array(start) - start[best] + TURN_DEG) % CYCLE_DEG - TURN_DEG)
        others = np.flatnonzero(away > (0.4 * engine.interval_deg if tdc_found else 60.0))
        clear = min(CLEAR_BY_DEG, 0.1 * engine.interval_deg)
        near = others[cost[others] <= cost[best] + clear]
        blocks = _told_blocks(row, angle_deg, start[best], at_deg, crank, clear)
        if crank.block.max() > 0 and blocks.size:
            # where each block's own marks tell its turns, the two turns are one and the same answer
            near = near[np.abs(away[near] - TURN_DEG) > 1.0]
        if not near.size:
            second = _second_by_block(row, angle_deg, start[best], at_deg, crank)
            untold = ~np.isin(crank.block, blocks) & ~crank.faulty if crank.block.max() > 0 else None
            if untold is not None and untold.any():
                notes.append(
                    f"{int(untold.sum())} turns between breaks hold no {label} that tell the turn of the cycle: set aside"
                )
            first = start[best] % TURN_DEG
            return Phase(first, second, "measured", True, tdc_found, tuple(notes), untold, seen, off)
        notes.append(f"the {label} fit both turns of the cycle and cannot tell them apart")
        if (np.abs(away[near] - TURN_DEG) < 1.0).all():
            # a mark of every turn still says which pair of companions stands where
            start = [start[best], *(start[int(k)] for k in near)]
            named = True
    second = (rows % 2 == 1) == (start[0] < TURN_DEG)
    named = named or not tdc_found or engine.cylinders == 1
    if engine.cylinders == 1 or not engine.companions:
        told = _turn_from_work(crank, grid, engine, start[0] % TURN_DEG, shape)
        if told is not None:
            return Phase(
                start[0] % TURN_DEG, told, "measured", named, tdc_found, tuple(notes), None, seen, off
            )
    return Phase(start[0] % TURN_DEG, second, "unknown", named, tdc_found, tuple(notes), None, seen, off)


def _rotations(engine: Engine) -> list[float]:
    """Angles [deg] by which the cycle may be turned so that firings fall on firings again."""
    event = engine.event_deg
    if engine.even_firing:
        return [engine.interval_deg * j for j in range(engine.cylinders)]
    fits = []
    for r in event:
        off = np.abs((event[:, None] + r - event + TURN_DEG) % CYCLE_DEG - TURN_DEG)
        if off.min(axis=1).max() < 1.0:
            fits.append(float(r))
    return fits


@dataclass(frozen=True)
class _Fit:
    """How marks fit the two turns of a cycle, block by block.

    `off_deg` holds each mark's distance [deg] from its angles, shape (2, marks), for both parities of the row;
    `block` and `cost_deg`, shape (blocks,) and (2, blocks), the blocks with marks and their median distances.
    """

    off_deg: FloatArray
    block: IntArray
    cost_deg: FloatArray
    ends: IntArray


def _fit(row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank) -> _Fit:
    block = crank.block[row]  # marks are in the order of time, so blocks follow one another
    ends = np.flatnonzero(np.diff(block)) + 1
    off = []
    for parity in (0, 1):
        cycle = start + angle_deg + TURN_DEG * ((row + parity) % 2)
        off.append(np.abs((cycle[:, None] - at_deg + 360.0) % CYCLE_DEG - 360.0).min(axis=1))
    cost = [[float(np.median(part)) for part in np.split(x, ends)] for x in off]
    return _Fit(np.array(off), block[np.concatenate(([0], ends))], np.array(cost), ends)


def _distance(row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank) -> float:
    """Median distance [deg] of the marks from their angles, the better of the two parities in each block."""
    fit = _fit(row, angle_deg, start, at_deg, crank)
    if crank.block.max() == 0:
        return float(np.median(fit.off_deg[0]))
    better = np.repeat(fit.cost_deg.argmin(axis=0), np.diff([0, *fit.ends, row.size]))
    return float(np.median(fit.off_deg[better, np.arange(row.size)]))


def _told_blocks(
    row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank, clear: float
) -> IntArray:
    """Blocks whose marks fit one of the two turns of the cycle clearly better than the other."""
    fit = _fit(row, angle_deg, start, at_deg, crank)
    return np.asarray(fit.block[np.abs(fit.cost_deg[0] - fit.cost_deg[1]) > clear], dtype=np.int64)


def _second_by_block(
    row: IntArray, angle_deg: FloatArray, start: float, at_deg: FloatArray, crank: Crank
) -> BoolArray:
    """True where a row starts at start + 360 mod 720 seen from [0, 360), block by block from its own marks."""
    fit = _fit(row, angle_deg, start, at_deg, crank)
    parity = np.zeros(int(crank.block.max()) + 1, dtype=np.int64)
    parity[fit.block] = fit.cost_deg.argmin(axis=0)
    odd = (np.arange(crank.turns) + parity[crank.block]) % 2 == 1
    return np.asarray(odd == (start % CYCLE_DEG < TURN_DEG), dtype=bool)


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
        wave = turn_difference(wave)  # a wheel error is the same in both turns and drops out
        if engine.cylinders > 1:
            # a dead cylinder has the half orders of its own; what all firings share tells the turn
            wave = shared_part(a, z, wave, firing_period_deg(engine), CYCLE_DEG)
        cost = [
            misfit(
                a,
                z,
                wave,
                (engine.event_deg - first_deg - TURN_DEG * p) % CYCLE_DEG,
                CYCLE_DEG,
                engine,
                shape,
                True,
            )
            for p in (0, 1)
        ]
        if min(cost) < 0.8 * max(cost):
            told = True
            p = int(np.argmin(cost))
            second[mine] = (mine % 2 == 1) == (p == 0)
    return second if told else None
