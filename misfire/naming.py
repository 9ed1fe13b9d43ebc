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


@dataclass(frozen=True)
class _Start:
    """Where position 0 may stand in the cycle, before marks are asked.

    `angles_deg` after TDC of cylinder 1, of `found` from the motion with its `fit`; `notes` say so.
    """

    angles_deg: list[float]
    found: bool
    fit: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Reference:
    """Marks of one kind: times [s] of shape (marks,), the angles [deg] at which they stand, and how far off they may be [deg]."""

    label: str
    time_s: FloatArray
    at_deg: FloatArray
    tolerance_deg: float


def find_phase(crank: Crank, grid: Grid, engine: Engine, marks: Marks, shape: GasShape) -> Phase:
    """Where TDC is, which turn is which, and whether cylinder names are tied to them.

    Raises InputError when cam edges or marks contradict the engine file's angles.
    """
    begin = _start(crank, grid, engine, marks, shape)
    references, said = _references(engine, marks)
    notes, start = [*begin.notes, *said], begin.angles_deg
    named = False
    off = np.inf
    for ref in references:
        row, angle_deg = mark_angles(grid, crank, ref.time_s)
        if not row.size:
            continue
        cost = np.array([_distance(row, angle_deg, s, ref.at_deg, crank) for s in start])
        best = int(np.argmin(cost))
        if cost[best] > ref.tolerance_deg:
            raise InputError(
                f"the {ref.label} stand {cost[best]:.0f} deg from where the engine file has them: "
                "first_tooth_after_tdc1_deg, the mark's angle or the wheel is wrong; correct the engine file"
            )
        off = min(off, float(cost[best]))
        away = np.abs((np.array(start) - start[best] + TURN_DEG) % CYCLE_DEG - TURN_DEG)
        others = np.flatnonzero(away > (0.4 * engine.interval_deg if begin.found else 60.0))
        clear = min(CLEAR_BY_DEG, 0.1 * engine.interval_deg)
        near = others[cost[others] <= cost[best] + clear]
        blocks = _told_blocks(row, angle_deg, start[best], ref.at_deg, crank, clear)
        if crank.block.max() > 0 and blocks.size:
            # where each block's own marks tell its turns, the two turns are one and the same answer
            near = near[np.abs(away[near] - TURN_DEG) > 1.0]
        if not near.size:
            second = _second_by_block(row, angle_deg, start[best], ref.at_deg, crank)
            untold = ~np.isin(crank.block, blocks) & ~crank.faulty if crank.block.max() > 0 else None
            if untold is not None and untold.any():
                notes.append(
                    f"{int(untold.sum())} turns between breaks hold no {ref.label} that tell the turn of the cycle: set aside"
                )
            first = start[best] % TURN_DEG
            return Phase(first, second, "measured", True, begin.found, tuple(notes), untold, begin.fit, off)
        notes.append(f"the {ref.label} fit both turns of the cycle and cannot tell them apart")
        if (np.abs(away[near] - TURN_DEG) < 1.0).all():
            # a mark of every turn still says which pair of companions stands where
            start = [start[best], *(start[int(k)] for k in near)]
            named = True
    named = named or not begin.found or engine.cylinders == 1
    first = start[0] % TURN_DEG
    told = None
    if engine.cylinders == 1 or not engine.companions:
        told = _turn_from_work(crank, grid, engine, first, shape)
    second = (np.arange(crank.turns) % 2 == 1) == (start[0] < TURN_DEG) if told is None else told
    status = "unknown" if told is None else "measured"
    return Phase(first, second, status, named, begin.found, tuple(notes), None, begin.fit, off)


def _start(crank: Crank, grid: Grid, engine: Engine, marks: Marks, shape: GasShape) -> _Start:
    """From the engine file, or from the motion where it says nothing."""
    known = crank.wheel.first_tooth_after_tdc1_deg
    # an evenly toothed wheel has no tooth of its own: the angle says where teeth stand, not which is the first
    even_wheel = not crank.wheel.missing and crank.wheel.angles_deg is None
    pitch = crank.wheel.pitch_deg
    cam = marks.cam_s is not None and marks.cam_s.size > 0 and bool(engine.cam_edges_deg)
    if known is not None and not even_wheel:
        return _Start([float(known), float(known) + TURN_DEG], False)
    if known is not None and cam:
        return _Start([(known + pitch * k) % CYCLE_DEG for k in range(2 * crank.wheel.positions)], False)
    one = engine.cylinders == 1
    # small single-cylinder engines burn later than the usual best timing (seen in public recordings)
    angle, turn, fit = find_tdc(grid, crank, engine, late_burn(shape) if one else shape)
    start = [(-(angle + TURN_DEG * (turn or 0)) - r) % CYCLE_DEG for r in _rotations(engine)]
    if known is not None:
        start = [(known + pitch * round((s - known) / pitch)) % CYCLE_DEG for s in start]
    note = (
        f"TDC found from compression and combustion: {angle % engine.interval_deg:.1f} deg after the first tooth, "
        f"modulo one firing interval (the shapes explain {100 * max(fit, 0.0):.0f} % of the wave)"
    )
    return _Start(start, True, None if one else fit, (note,))


def _references(engine: Engine, marks: Marks) -> tuple[list[_Reference], list[str]]:
    """The marks of the log whose angles are known, and notes about those that are not."""
    found, notes = [], []
    if marks.cylinder1_s is not None and marks.cylinder1_s.size:
        at = engine.mark_after_tdc1_deg
        if at is None:
            at = DEFAULT_MARK_DEG
            notes.append("the cylinder-1 mark is taken as 10 deg before its firing TDC (assumed)")
        angles = np.array([at, at + TURN_DEG][: engine.marks_per_cycle]) % CYCLE_DEG
        found.append(_Reference("cylinder-1 marks", marks.cylinder1_s, angles, engine.interval_deg / 2 + 1))
    cam = marks.cam_s if marks.cam_s is not None and marks.cam_s.size else None
    if cam is not None and engine.cam_edges_deg:
        found.append(_Reference("cam edges", cam, np.array(engine.cam_edges_deg), 40.0))
    elif engine.cam_edges_deg:
        notes.append("the engine file describes a cam, but the log has no cam edges")
    elif cam is not None:
        notes.append(
            "the log has cam edges, but not the angle they stand at: give it as [cam] edges_after_tdc1_deg in the engine file"
        )
    return found, notes


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
    if fit.block.size:
        # a turn that could not be numbered stands between blocks as one of its own: it counts on from the one before
        before = np.searchsorted(fit.block, np.arange(parity.size), side="right") - 1
        parity = fit.cost_deg.argmin(axis=0)[np.maximum(before, 0)]
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
