"""What a monitor would count that takes the wheel as perfect: neighbouring segments compared, the pattern left in.

Where a controller begins its segments is its own choice; several beginnings are asked and the middle answer counts.
"""

from __future__ import annotations

import numpy as np

from misfire.decide import Decision
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray, Wheel
from misfire.naming import place_name
from misfire.pattern import Pattern, segment_error_pct
from misfire.phase import Phase
from misfire.work import Events, places

BEGIN_DEG = (0.0, 15.0, 30.0, 45.0, 60.0)  # after firing TDC (common practice, no source)


def segment_errors(pattern: Pattern, engine: Engine, phase: Phase) -> dict[str, tuple[float, float]]:
    """Relative error [%] of the segment from each firing TDC on, and its standard error, by cylinder or place."""
    if not pattern.known or engine.wheel is None:
        return {}
    at = places(engine, phase.first_deg)
    angle = np.array([p.angle_deg for p in at])
    value, sd = segment_error_pct(pattern, engine.wheel, angle, min(engine.interval_deg, 180.0))
    return {
        str(p.cylinder) if phase.named else place_name(p.index): (float(v), float(s))
        for p, v, s in zip(at, value, sd, strict=True)
    }


def as_uncorrected(
    events: Events, decision: Decision, pattern: Pattern, engine: Engine, phase: Phase
) -> FloatArray:
    """Lost work as that monitor would see it, shape (events,).

    x_bias = w^2 (e[n] - e[n-1]) / normal energy, e the relative segment time errors [derived from alpha = -Dth (T2 - T1) / T^3].
    """
    lost = decision.lost_work
    if not pattern.known or engine.cylinders < 2 or engine.wheel is None:
        return lost
    step = np.array([_steps(pattern, engine, engine.wheel, phase.first_deg, begin) for begin in BEGIN_DEG])
    w2 = (events.rpm * np.pi / 30) ** 2
    return np.asarray(lost + w2 * np.median(step, axis=0)[events.place] / decision.expected, dtype=float)


def _steps(pattern: Pattern, engine: Engine, wheel: Wheel, first_deg: float, begin_deg: float) -> FloatArray:
    """Change of the relative segment error at each place, segments between the teeth nearest to their ends."""
    error = pattern.error_deg.copy()
    if wheel.missing:
        error[0] = np.nan  # the edge behind a gap shifts with speed: no monitor bounds a segment with it
    angle = wheel.tooth_angles_deg
    ends = (engine.event_deg - first_deg + begin_deg) % TURN_DEG
    away = np.abs((angle[None, :] - ends[:, None] + TURN_DEG / 2) % TURN_DEG - TURN_DEG / 2)
    late = error[np.argmin(np.where(np.isfinite(error), away, np.inf), axis=1)]
    length = np.diff(np.append(engine.event_deg, engine.event_deg[0] + CYCLE_DEG))
    e = (np.roll(late, -1) - late) / length
    return np.asarray(e - np.roll(e, 1), dtype=float)
