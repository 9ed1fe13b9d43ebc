"""The engine controller's misfire monitor: plain segment differences behind a stored wheel pattern.

What the monitor sees is the wheel's own error minus the pattern it stored. A segment reaches from 60 deg
after one firing TDC to 60 deg after the next; an event's loss is the drop of 1/2 J w^2 over it, against the
normal work of the operating point. A model of what such monitors do, not of one maker's software.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.simulate.motion import Motion
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
    """Run the monitor over a log; it sees the wheel as sensed, but no single false or lost edge.

    Raises InputError for odd firing, whose uneven normal wave this monitor does not know.
    """
    if not s.engine.even_firing:
        raise InputError(f"scenario {s.name}: the controller is modelled for even firing only")
    stored = stored_pattern_deg(s, sensed.start_error_deg, rng)
    wheel = s.engine.wheel
    assert wheel is not None
    cylinder = motion.events["cylinder"].astype(np.int64)
    interval = s.engine.interval_deg
    nominal = (wheel.first_tooth_after_tdc1_deg or 0.0) + wheel.tooth_angles_deg
    last = (len(motion.time_s) - 1) * motion.step_deg
    tdc = motion.tdc_deg
    edges = np.concatenate([tdc + _AFTER_TDC_DEG - interval, tdc[-1:] + _AFTER_TDC_DEG])
    edges = np.append(edges, edges[-1] + interval)
    inside = (edges > 2.0) & (edges < last - 2.0)
    # the tooth that bounds a segment is the nearest one; a segment is as long as its two teeth say
    away = np.abs((edges[:, None] - nominal[None, :] + 180.0) % 360.0 - 180.0)
    tooth = np.argmin(away, axis=1)
    at = edges + ((nominal[tooth] - edges + 180.0) % 360.0 - 180.0)
    edge = np.clip(np.searchsorted(sensed.nominal_deg, at - 1e-6), 0, len(sensed.late_deg) - 1)
    late = sensed.late_deg[edge] - stored[tooth]
    seen = motion.time_at_s(np.clip(at + late, 0.0, last))
    speed = np.radians(np.diff(at)) / np.maximum(np.diff(seen), 1e-9)
    e = s.engine
    inertia = (e.rotating_inertia_kg_m2 or 0.1) + _piston_kg_m2(s)
    drop = -0.5 * inertia * np.diff(speed**2)
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
