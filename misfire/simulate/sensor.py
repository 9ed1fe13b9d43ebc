"""From crank motion to logged edge times: wheel errors, cam and cylinder-1 marks, signal faults, timer.

Tooth errors are in crank degrees, positive = the edge comes late. Times are on the log's clock, t = 0 at the
start of the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.engine import Engine, Wheel
from misfire.simulate.motion import Motion
from misfire.simulate.scenario import Clock, Fault, Scenario, ToothErrors

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Edges:
    """Edge times on the timer.

    Attributes
    ----------
    crank_s, cam_s, cylinder1_s : array
        Edge times [s] after timer and faults.
    crank_tick, cam_tick, cylinder1_tick : array
        The same in timer counts.
    tooth_error_deg : array, shape (teeth,)
        Errors [deg] at the middle of the log and its median speed, mean taken out.
    faults : dict of name -> int
        How many edges each fault touched.
    start_error_deg : array, shape (teeth,)
        The errors [deg] at the start of the log, mean not taken out: what a fresh learn would store.
    nominal_deg, late_deg : array, shape (true edges,)
        Nominal crank angle of every true edge and how late [deg] it is sensed, before faults and timer.
    moved_s : array, shape (true edges,)
        How much later [s] the faults that move edges make it.
    """

    crank_s: FloatArray
    cam_s: FloatArray
    cylinder1_s: FloatArray
    crank_tick: IntArray
    cam_tick: IntArray
    cylinder1_tick: IntArray
    tooth_error_deg: FloatArray
    faults: dict[str, int]
    start_error_deg: FloatArray
    nominal_deg: FloatArray
    late_deg: FloatArray
    moved_s: FloatArray


def fixed_errors_deg(teeth: ToothErrors, wheel: Wheel, rng: np.random.Generator) -> FloatArray:
    """Errors [deg] of the teeth that depend on neither time nor speed, shape (teeth,)."""
    position = wheel.tooth_positions
    out = np.zeros(len(position))
    if teeth.errors_deg:
        out += np.array(teeth.errors_deg)[position]
    drawn = rng.standard_normal(len(position))
    if teeth.sd_deg:
        out += teeth.sd_deg * (drawn - drawn.mean())
    if teeth.runout_mm:
        # seen from a centre that is off by e, a tooth at radius r stands e/r sin(angle) too late
        turn = np.radians(wheel.tooth_angles_deg - teeth.runout_at_deg)
        out += np.degrees(teeth.runout_mm / teeth.radius_mm) * np.sin(turn)
    for where, error in teeth.bent.items():
        out[position == int(where)] += error
    return out


def _moving_errors_deg(
    teeth: ToothErrors, wheel: Wheel, pattern: tuple[FloatArray, FloatArray], tooth: IntArray, t: FloatArray,
    rpm: FloatArray,
) -> FloatArray:  # fmt: skip
    """Errors [deg] that change with time or speed, for edges of tooth number `tooth` at times t [s]."""
    out = np.zeros(len(t))
    if teeth.gap_shift_deg or teeth.gap_shift_deg_per_1000:
        first = tooth == 0
        out[first] += teeth.gap_shift_deg + teeth.gap_shift_deg_per_1000 * (rpm[first] / 1000.0 - 1.0)
    if teeth.wobble_deg:
        # seen from the pickup a tooth that comes nearer fires early before and late behind the nearest point
        turn = np.radians(wheel.tooth_angles_deg - teeth.wobble_at_deg)
        out += teeth.wobble_deg * rpm / 1000.0 * -np.sin(turn)[tooth]
    if teeth.spot_deg:
        away = (wheel.tooth_positions - teeth.spot_position + wheel.positions / 2) % wheel.positions
        bump = np.exp(-0.5 * ((away - wheel.positions / 2) / max(teeth.spot_width, 0.1)) ** 2)
        on = (t >= teeth.spot_from_s) & (t < teeth.spot_to_s)
        out += np.where(on, teeth.spot_deg * bump[tooth], 0.0)
    if teeth.drift_deg_per_min:
        out += teeth.drift_deg_per_min * t / 60.0 * pattern[0][tooth]
    if teeth.speed_deg_per_1000:
        out += teeth.speed_deg_per_1000 * rpm / 1000.0 * pattern[1][tooth]
    return out


def record(s: Scenario, motion: Motion, rng: np.random.Generator, noise: np.random.Generator) -> Edges:
    """Edge times of a scenario; `rng` draws the wheel, `noise` the timer's jitter and the faults."""
    engine, wheel = s.engine, s.engine.wheel
    assert wheel is not None
    fixed = fixed_errors_deg(s.teeth, wheel, rng)
    shapes = rng.standard_normal((2, wheel.teeth))
    pattern = (shapes[0] - shapes[0].mean(), shapes[1] - shapes[1].mean())
    nominal = (wheel.first_tooth_after_tdc1_deg or 0.0) + wheel.tooth_angles_deg
    last = (len(motion.time_s) - 1) * s.step_deg
    turns = int(last // 360.0) + 1
    angle = (360.0 * np.arange(turns)[:, None] + nominal[None, :]).ravel()
    tooth = np.tile(np.arange(wheel.teeth), turns)
    inside = (angle > 1.0) & (angle < last - 1.0)
    angle, tooth = angle[inside], tooth[inside]
    t0 = motion.time_at_s(angle)
    rpm = np.interp(t0, motion.time_s, motion.speed_rad_s) * 30.0 / np.pi
    late = fixed[tooth] + _moving_errors_deg(s.teeth, wheel, pattern, tooth, t0, rpm)
    if motion.twist_deg is not None:
        points = s.step_deg * np.arange(len(motion.twist_deg))
        late = late - np.interp(angle, points, motion.twist_deg)
    t = motion.time_at_s(np.clip(angle + late, 0.0, last))
    middle = t0[-1] / 2.0
    at = np.arange(wheel.teeth)
    level = np.full(wheel.teeth, float(np.median(rpm)))
    summary = fixed + _moving_errors_deg(s.teeth, wheel, pattern, at, np.full(wheel.teeth, middle), level)
    start = fixed + _moving_errors_deg(s.teeth, wheel, pattern, at, np.zeros(wheel.teeth), level)
    on_log = t >= 0.0
    true_s = t[on_log]
    t, keep, extra, counted = _apply_faults(s, motion, true_s, tooth[on_log], noise)
    moved = np.zeros(len(angle))
    moved[on_log] = t - true_s
    t = np.concatenate([t[keep], *extra])
    if s.clock.jitter_us:
        t = t + noise.normal(0.0, s.clock.jitter_us * 1e-6, len(t))
    crank = _ticks(np.sort(t), s.clock)
    # two edges in one step of the timer are one
    crank = crank[np.diff(crank, prepend=-1) > 0]
    cam = _marks(motion, engine.cam_edges_deg or (), last) if s.clock.cam else np.zeros(0)
    marks = _mark_angles(engine) if s.clock.cylinder1 else ()
    cyl1 = _marks(motion, marks, last)
    cam_tick, cyl1_tick = _ticks(cam, s.clock), _ticks(cyl1, s.clock)
    step = 1.0 / s.clock.hz
    seconds = [np.asarray(k * step, dtype=np.float64) for k in (crank, cam_tick, cyl1_tick)]
    return Edges(
        crank_s=seconds[0],
        cam_s=seconds[1],
        cylinder1_s=seconds[2],
        crank_tick=crank,
        cam_tick=cam_tick,
        cylinder1_tick=cyl1_tick,
        tooth_error_deg=summary - summary.mean(),
        faults=counted,
        start_error_deg=start,
        nominal_deg=angle,
        late_deg=late,
        moved_s=moved,
    )


def _mark_angles(engine: Engine) -> tuple[float, ...]:
    if engine.mark_after_tdc1_deg is None:
        return ()
    first = engine.mark_after_tdc1_deg
    return (first, first + 360.0) if engine.marks_per_cycle == 2 else (first,)


def _marks(motion: Motion, angles_deg: tuple[float, ...], last: float) -> FloatArray:
    cycles = int(last // 720.0) + 2
    a = (720.0 * np.arange(-1, cycles)[:, None] + np.array(angles_deg, dtype=float)[None, :]).ravel()
    a = np.sort(a[(a > 1.0) & (a < last - 1.0)])
    t = motion.time_at_s(a) if len(a) else np.zeros(0)
    return t[t >= 0.0]


def _ticks(t: FloatArray, clock: Clock) -> IntArray:
    """A timer captures the count that it shows at the edge: the time rounded down to its step."""
    return np.floor(np.maximum(t, 0.0) * clock.hz).astype(np.int64)


def _spark_times(f: Fault, s: Scenario, motion: Motion) -> FloatArray:
    cylinders = f.cylinders or tuple(range(1, s.engine.cylinders + 1))
    mine = np.isin(motion.events["cylinder"], cylinders)
    last = (len(motion.time_s) - 1) * motion.step_deg
    a = motion.tdc_deg[mine] + f.angle_deg
    t = motion.time_at_s(a[(a > 0.0) & (a < last)])
    return t[(t >= f.from_s) & (t < f.to_s)]


def _apply_faults(
    s: Scenario, motion: Motion, t: FloatArray, tooth: IntArray, noise: np.random.Generator
) -> tuple[FloatArray, npt.NDArray[np.bool_], list[FloatArray], dict[str, int]]:
    """Times [s] of the true edges as moved, which of them are kept, false edges, and how many each fault touched."""
    assert s.engine.wheel is not None
    position = s.engine.wheel.tooth_positions[tooth]
    counted: dict[str, int] = {}
    extra: list[FloatArray] = []
    keep = np.ones(len(t), dtype=bool)
    t = t.copy()
    for f in s.faults:
        on = (t >= f.from_s) & (t < f.to_s)
        end = min(f.to_s, float(t[-1]))
        number = 0
        if f.kind in ("lost", "lost_tooth"):
            hit = on & keep & (noise.random(len(t)) < f.rate)
            if f.kind == "lost_tooth":
                hit &= position == f.position
            keep &= ~hit
            number = int(hit.sum())
        elif f.kind in ("extra", "extra_hum", "extra_spark"):
            new = _extra_edges(f, s, motion, end, noise)
            extra.append(new)
            number = len(new)
        elif f.kind == "hum":
            t[on] += f.amplitude_us * 1e-6 * np.sin(2.0 * np.pi * _periods(f, motion, t[on]))
            number = int(on.sum())
        elif f.kind == "jitter":
            t[on] += noise.normal(0.0, f.amplitude_us * 1e-6, int(on.sum()))
            number = int(on.sum())
        elif f.kind == "shift_spark":
            spark = _spark_times(f, s, motion)
            i = np.searchsorted(spark, t, side="right") - 1
            hit = on & (i >= 0)
            hit[hit] = t[hit] - spark[i[hit]] < f.width_us * 1e-6
            t[hit] += f.amplitude_us * 1e-6
            number = int(hit.sum())
        counted[f.kind] = counted.get(f.kind, 0) + number
    return t, keep, extra, counted


def _periods(f: Fault, motion: Motion, t: FloatArray) -> FloatArray:
    """Periods of a hum since the start: of a fixed frequency, or of one geared to the crank."""
    if f.per_turn <= 0.0:
        return np.asarray(f.hz * t)
    turns = np.arange(len(motion.time_s)) * (motion.step_deg / 360.0)
    return np.asarray(f.per_turn * np.interp(t, motion.time_s, turns))


def _extra_edges(f: Fault, s: Scenario, motion: Motion, end: float, noise: np.random.Generator) -> FloatArray:
    if f.kind == "extra":
        new = noise.uniform(f.from_s, end, noise.poisson(max(f.per_s * (end - f.from_s), 0.0)))
    elif f.kind == "extra_hum":
        if f.per_turn > 0.0:
            last = (len(motion.time_s) - 1) * motion.step_deg
            new = motion.time_at_s(np.arange(0.0, last, 360.0 / f.per_turn))
            new = new[(new >= f.from_s) & (new < end)]
        else:
            new = np.arange(f.from_s, end, 1.0 / f.hz)
        new = new[noise.random(len(new)) < f.rate]
    else:
        spark = _spark_times(f, s, motion)
        spark = spark[noise.random(len(spark)) < f.rate]
        new = (spark[:, None] + noise.uniform(0.0, f.width_us * 1e-6, (len(spark), f.count))).ravel()
    return np.asarray(new[(new > 0.0) & (new < end)])
