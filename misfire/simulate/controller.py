"""The engine controller's misfire monitor: plain segment differences behind a stored wheel pattern.

What the monitor sees is the wheel's own error minus the pattern it stored. A segment reaches from 60 deg
after one firing TDC to 60 deg after the next; an event's loss is the drop of 1/2 J w^2 from the segment before to
the one after, against the normal work of the operating point. Where the firing intervals or the inertia's wave
differ from cylinder to cylinder, the drop that a healthy engine shows there is known to the monitor, as a map over
manifold pressure and speed would hold it. A model of what such monitors do, not of one maker's software.

Tooth errors [deg] have shape (teeth,), what is counted shape (counts,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.simulate.gas import WorkTables
from misfire.simulate.mechanics import inertia_kg_m2, roughness_1_s2
from misfire.simulate.motion import Motion, cylinder_of
from misfire.simulate.scenario import Scenario
from misfire.simulate.sensor import Edges

FloatArray = npt.NDArray[np.float64]

_AFTER_TDC_DEG = 60.0
_TREND_CYCLES = 6


@dataclass(frozen=True)
class Counts:
    """What the controller counted.

    Attributes
    ----------
    totals : dict of cylinder -> int
    time_s, cylinder : array, shape (counted events,)
        When and for which cylinder it counted.
    loss : array, shape (events,)
        The loss [1 = a normal event's whole work] that it saw at each firing TDC, NaN where it did not look.
    stored_error_deg : array, shape (teeth,)
        The pattern that it had stored.
    """

    totals: dict[int, int]
    time_s: FloatArray
    cylinder: npt.NDArray[np.int64]
    loss: FloatArray
    stored_error_deg: FloatArray


def stored_pattern_deg(s: Scenario, true_error_deg: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The pattern [deg] by tooth that the controller holds: right, none, or another wheel's."""
    c = s.controller
    assert s.engine.wheel is not None
    position = s.engine.wheel.tooth_positions
    drawn = rng.standard_normal(len(position))
    if c.pattern == "right":
        return np.asarray(true_error_deg, dtype=np.float64)
    if c.pattern == "none":
        return np.zeros(len(position))
    if c.stale_errors_deg:
        if len(c.stale_errors_deg) != s.engine.wheel.positions:
            raise InputError(
                f"scenario {s.name}: controller stale_errors_deg has {len(c.stale_errors_deg)} values, "
                f"the wheel has {s.engine.wheel.positions} positions"
            )
        return np.array(c.stale_errors_deg, dtype=float)[position]
    return np.asarray(c.stale_sd_deg * (drawn - drawn.mean()))


def monitor(s: Scenario, motion: Motion, sensed: Edges, rng: np.random.Generator) -> Counts:
    """Run the monitor over a log; it sees the wheel as sensed and moved edges, but no false or lost one."""
    stored = stored_pattern_deg(s, sensed.start_error_deg, rng)
    wheel = s.engine.wheel
    assert wheel is not None
    cylinder = motion.events["cylinder"].astype(np.int64)
    nominal = (wheel.first_tooth_after_tdc1_deg or 0.0) + wheel.tooth_angles_deg
    last = (len(motion.time_s) - 1) * motion.step_deg
    tdc = motion.tdc_deg
    place, spans = _places(s, cylinder)
    edges = _AFTER_TDC_DEG + np.concatenate([tdc[:1] - spans[place[0] - 1], tdc, tdc[-1:] + spans[place[-1]]])
    inside = (edges > 2.0) & (edges < last - 2.0)
    # the tooth that bounds a segment is the nearest one; a segment is as long as its two teeth say
    away = np.abs((edges[:, None] - nominal[None, :] + 180.0) % 360.0 - 180.0)
    tooth = np.argmin(away, axis=1)
    at = edges + ((nominal[tooth] - edges + 180.0) % 360.0 - 180.0)
    edge = np.clip(np.searchsorted(sensed.nominal_deg, at - 1e-6), 0, len(sensed.late_deg) - 1)
    late = sensed.late_deg[edge] - stored[tooth]
    seen = motion.time_at_s(np.clip(at + late, 0.0, last)) + sensed.moved_s[edge]
    slowness = np.maximum(np.diff(seen), 1e-9) / np.radians(np.diff(at))
    e = s.engine
    inertia = (e.rotating_inertia_kg_m2 or 0.1) + _piston_kg_m2(s)
    if s.controller.form == "segment_time":
        drop = inertia * roughness_1_s2(slowness)
    else:
        drop = -0.5 * inertia * np.diff(slowness**-2)
    drop = drop - _healthy_drop_j(s, motion, place, slowness, inertia)
    normal = motion.events["normal_work_j"].astype(float)
    good = inside[:-2] & inside[1:-1] & inside[2:] & (motion.events["state"] != 2) & (normal > 1.0)
    loss = np.where(good, drop / np.maximum(normal, 1.0), np.nan)
    loss = loss - _trend(loss, e.cylinders)
    hit = loss > s.controller.threshold
    if not s.controller.monitor:
        hit &= False
    return Counts(
        totals={c: int(np.sum(hit & (cylinder == c))) for c in range(1, e.cylinders + 1)},
        time_s=motion.tdc_s[hit],
        cylinder=cylinder[hit],
        loss=loss,
        stored_error_deg=stored,
    )


def _places(s: Scenario, cylinder: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Place of each event in the firing order, and the angle [deg] from each place's TDC to the next one's."""
    tdc = np.array(s.engine.firing_tdc_deg)
    order = np.argsort(tdc)
    place = np.empty(len(tdc), dtype=np.int64)
    place[order] = np.arange(len(tdc))
    return place[cylinder - 1], np.diff(np.append(tdc[order], tdc[order[0]] + 720.0))


def _healthy_drop_j(
    s: Scenario, motion: Motion, place: npt.NDArray[np.int64], slowness: FloatArray, inertia: float
) -> FloatArray:
    """Drop [J] that the healthy engine shows at each event beyond what all events share, shape (events,).

    1/2 J w^2 with the mean inertia is the gas energy's wave plus E (J_mean / J(th) - 1): linear in manifold
    pressure, heat and w^2, so four numbers a place.
    """
    cylinder = cylinder_of(s)
    tdc = np.sort(np.array(s.engine.firing_tdc_deg))
    grid = np.arange(0.0, 721.0)
    wide = np.arange(-360.0, 363.0)
    tables = WorkTables(s.gas, cylinder, wide)
    a, b, c = tables.motored
    heat = np.zeros(len(wide) - 1)
    at, cells = tables.heat_cells(np.array([s.gas.burn_start_deg]), np.array([s.gas.burn_deg]))
    heat[at : at + cells.shape[1]] = cells[0]
    waves = []
    for one in (a, heat, s.gas.exhaust_kpa * b + s.gas.crankcase_kpa * c):
        total = np.concatenate([[0.0], np.cumsum(one)])
        # the events' work repeats every cycle: sum of steps, less the mean torque
        phi = (grid[:, None] - tdc[None, :] + 360.0) / 720.0
        whole = np.floor(phi)
        sum_ = whole * total[720] + np.interp((phi - whole) * 720.0 - 360.0, wide, total)
        waves.append(np.sum(sum_, axis=1) - len(tdc) * total[720] * grid / 720.0)
    mass = s.engine.reciprocating_mass_kg or 0.0
    j = inertia_kg_m2(cylinder.crank, s.engine.rotating_inertia_kg_m2 or 0.1, mass, grid, tdc)
    waves.append(0.5 * inertia * (np.mean(j[:-1]) / j - 1.0))
    area = [np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]))]) for w in waves]
    ends = tdc + _AFTER_TDC_DEG
    spans = np.diff(np.append(tdc, tdc[0] + 720.0))
    before, after = ends - np.roll(spans, 1), ends + spans
    e = motion.events
    factor = (
        e["manifold_kpa"].astype(float),
        np.where(e["state"] == 2, 0.0, e["normal_work_j"].astype(float) / tables.nominal_efficiency),
        np.ones(len(place)),
        slowness[:-1] ** -2,
    )
    out = np.zeros(len(place))
    for x, total in zip(factor, area, strict=True):

        def integral(at_deg: FloatArray, total: FloatArray = total) -> FloatArray:
            turns = np.floor(at_deg / 720.0)
            return np.asarray(turns * total[-1] + np.interp(at_deg - 720.0 * turns, grid, total))

        drop = (integral(ends) - integral(before)) / np.roll(spans, 1) - (
            integral(after) - integral(ends)
        ) / spans
        out += x * (drop - drop.mean())[place]
    return out


def _piston_kg_m2(s: Scenario) -> float:
    half = (s.engine.stroke_mm or 86.0) / 2000.0
    return 0.53 * half**2 * (s.engine.reciprocating_mass_kg or 0.0) * s.engine.cylinders


def _trend(loss: FloatArray, cylinders: int) -> FloatArray:
    """Slow acceleration, which is no misfire: median over some cycles of the mean over one cycle.

    The mean takes out what alternates inside a cycle, the median what single misfires leave in the mean.
    """
    ends = 0.5 if cylinders % 2 == 0 else 1.0
    weight = np.ones(cylinders | 1)
    weight[[0, -1]] = ends if cylinders > 1 else 1.0
    weight /= weight.sum()
    half = len(weight) // 2
    mean = np.convolve(np.pad(np.nan_to_num(loss), half, mode="edge"), weight, "valid")
    width = (_TREND_CYCLES * cylinders) | 1
    view = np.lib.stride_tricks.sliding_window_view(np.pad(mean, width // 2, mode="edge"), width)
    return np.asarray(np.median(view, axis=1)[: len(loss)])
