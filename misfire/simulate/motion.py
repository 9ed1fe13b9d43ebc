"""Exact motion of the crank in the angle domain.

d/dth [ 1/2 J(th) w^2 ] = T_gas - T_outer - T_friction, rigid crank: the unknown 1/2 J w^2 is
the sum of works, so each stretch of cycles is one cumulative sum. Time follows from
dt = 2 dth / (w1 + w2), exact where the torque is constant in the cell.

Convention: global crank angle [deg] 0 = firing TDC of cylinder 1; cells of `step_deg`; t = 0 where the log
starts, after three cycles that only settle the engine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.simulate.cells import Cells
from misfire.simulate.driveline import Path, converter_nm
from misfire.simulate.driver import RAD_PER_RPM, STALL_RAD_S, Driver, Taken
from misfire.simulate.elastic import Twist
from misfire.simulate.gas import WorkTables
from misfire.simulate.mechanics import Cylinder, inertia_kg_m2
from misfire.simulate.scenario import Phase, Scenario

FloatArray = npt.NDArray[np.float64]

_CHUNK_S = 1.0
_FLEXIBLE_CHUNK_S = 0.25
# for the driver's mean speed only: speed difference [rad/s] at which a slipping clutch counts as shut, and the time
# constant [s] with which a shut one pulls the engine to the vehicle
_MEET_RAD_S = 3.0
_FOLLOW_S = 0.1


@dataclass(frozen=True)
class Motion:
    """Speed and time on the angle grid, and what every event did.

    Attributes
    ----------
    step_deg : float
        Grid step [deg]; grid point i is at crank angle i * step_deg.
    time_s, speed_rad_s : array, shape (points,)
        Time [s] and crank speed [rad/s] at the grid points.
    gas_j : array, shape (points - 1,)
        Gas work [J] of every cell.
    tdc_deg, tdc_s, tdc_rad_s : array, shape (events,)
        Firing TDC as global crank angle [deg], its time [s] and speed [rad/s], in firing order.
    events : dict of name -> array, shape (events,)
        cylinder, manifold_kpa, load_pct, state, cause, work_j (combustion work), normal_work_j, starter,
        vehicle_m_s.
    twist_deg : array, shape (points,), or None
        Angle [deg] of the wheel ahead of the rigid crank, where torsion is modelled.
    """

    step_deg: float
    time_s: FloatArray
    speed_rad_s: FloatArray
    gas_j: FloatArray
    tdc_deg: FloatArray
    tdc_s: FloatArray
    tdc_rad_s: FloatArray
    events: dict[str, npt.NDArray[np.generic]]
    stopped: bool
    twist_deg: FloatArray | None = None

    def time_at_s(self, angle_deg: FloatArray) -> FloatArray:
        """Time [s] at global crank angles [deg] inside the grid: constant acceleration inside a cell."""
        x = np.asarray(angle_deg, dtype=float) / self.step_deg
        i = np.clip(x.astype(np.int64), 0, len(self.time_s) - 2)
        part = x - i
        w1, w2 = self.speed_rad_s[i], self.speed_rad_s[i + 1]
        w = np.sqrt(w1 * w1 + part * (w2 * w2 - w1 * w1))
        return np.asarray(self.time_s[i] + part * math.radians(self.step_deg) * 2.0 / (w1 + w))


def stalled(s: Scenario, turns: float) -> InputError:
    """What to say where the engine stops before the log holds two turns."""
    j = s.engine.rotating_inertia_kg_m2
    return InputError(
        f"scenario {s.name}: the engine stalls within {math.ceil(turns)} turns (the first 6 settle it): "
        f"start at a higher rpm, give a lower load_pct in mode hold, or raise rotating_inertia_kg_m2 = {j:g}"
    )


def cylinder_of(s: Scenario) -> Cylinder:
    """The cylinder geometry [m] of a scenario's engine."""
    e = s.engine
    if e.bore_mm is None or e.stroke_mm is None or e.rod_mm is None or e.compression_ratio is None:
        raise InputError(f"scenario {s.name}: bore, stroke, rod and compression ratio are needed")
    if e.rod_mm < 0.55 * e.stroke_mm:
        raise InputError(f"scenario {s.name}: rod_mm = {e.rod_mm:g} is too short for stroke {e.stroke_mm:g}")
    return Cylinder(
        bore_m=e.bore_mm / 1e3,
        stroke_m=e.stroke_mm / 1e3,
        rod_m=e.rod_mm / 1e3,
        compression_ratio=e.compression_ratio,
    )


def run(s: Scenario, rng: np.random.Generator) -> Motion:
    """Simulate the motion of a scenario.

    Raises InputError when the engine stalls before the log holds two turns.
    """
    return _Run(s, rng).go()


class _Run:
    """Stretch by stretch: events from the driver, work on the cells, then the exact energy."""

    def __init__(self, s: Scenario, rng: np.random.Generator) -> None:
        e = s.engine
        self.s = s
        self.n = n = round(720.0 / s.step_deg)
        self.step = math.radians(s.step_deg)
        cylinder = cylinder_of(s)
        wide = np.asarray(-360.0 + s.step_deg * np.arange(n + 2), dtype=np.float64)
        self.plain = WorkTables(s.gas, cylinder, wide)
        self.driver = Driver(s, cylinder, self.plain, rng)
        self.cells = Cells(s, cylinder, self.driver)
        grid = np.asarray(s.step_deg * np.arange(n + 1), dtype=np.float64)
        mass, tdc = e.reciprocating_mass_kg or 0.0, np.array(e.firing_tdc_deg)
        self.still = inertia_kg_m2(cylinder.crank, self.driver.crank_kg_m2, mass, grid, tdc)
        cell = np.round(self.driver.slot_start_deg / s.step_deg).astype(int)
        self.first_cell = int(cell[0])
        self.slot_cells = np.diff(np.append(cell, cell[0] + n))
        self.twist: Twist | None = None
        if s.torsion.natural_hz > 0.0:
            k = s.torsion
            self.twist = Twist.of(e.cylinders, self.driver.crank_kg_m2, k.natural_hz, k.damping, k.front)
            shape = self.twist.shape_cylinder[np.array(self.driver.slot_cylinder) - 1]
            self.cells.weigh(shape[None, :])
            each = [inertia_kg_m2(cylinder.crank, 0.0, mass, grid, np.array([x])) for x in tdc]
            self.modal_inertia = np.sum(self.twist.shape_cylinder[:, None] * np.array(each), axis=0)
        self.path: Path | None = None
        self.gear_m = 0.0
        self.vehicle_m_s: float | None = None
        self.step_index = -1

    def go(self) -> Motion:
        """All stretches, put together."""
        driver, n = self.driver, self.n
        driver.run_cycles(1, -1)
        if driver.stopped:
            raise stalled(self.s, len(driver.events.cylinder) / driver.n * 2.0)
        _, done = _add(self.cells, driver, 1)
        works = [done]
        self.rigid_extra = self._rigid_extra()
        self.last = (driver.events.friction_nm[-1], driver.events.outer_nm[-1])
        self.t = driver.t
        times, speeds = [np.array([self.t])], [np.array([driver.w])]
        gas_parts: list[FloatArray] = []
        twists = [np.zeros(1)]
        self.energy = 0.5 * (self.still[0] + self.rigid_extra) * driver.w**2
        cycle = 0
        stopped = False
        while not (driver.programme.done or stopped):
            self._couple()
            span = _CHUNK_S if self.path is None else _FLEXIBLE_CHUNK_S
            want = int(min(max(span * driver.w / (4.0 * math.pi), 2), 40))
            had = len(driver.events.cylinder)
            count = driver.run_cycles(want, cycle)
            slots = len(driver.events.cylinder) - had
            whole = slots // driver.n
            stopped = driver.stopped
            if whole < count:
                # the engine stalled inside a cycle: that part is dropped
                _drop(driver, slots - whole * driver.n)
                count = whole
            if count == 0:
                break
            sums, done = _add(self.cells, driver, count)
            works.append(done)
            square, short = self._advance(sums[0], had, count)
            stopped = stopped or short
            w = np.sqrt(square)
            dt = 2.0 * self.step / (w[1:] + w[:-1])
            clock = self.t + np.cumsum(dt)
            times.append(clock)
            speeds.append(w[1:])
            gas_parts.append(sums[0][: len(dt)])
            if self.twist is not None and len(dt):
                mean = self.step / float(np.mean(dt))
                modal = (
                    sums[1] / self.step
                    - 0.5
                    * np.diff(np.tile(self.modal_inertia[:-1], count + 1)[: count * n + 1])
                    / self.step
                    * mean**2
                )
                twists.append(self.twist.angle_rad(modal, self.step / mean)[: len(dt)])
            if stopped:
                break
            self.t = driver.t = float(clock[-1])
            level = 0.5 * driver.mean_kg_m2 * float(np.mean(square[-n - 1 :]))
            driver.energy += level - float(np.mean(driver.slot_energy[-driver.n :]))
            driver.w = math.sqrt(max(2.0 * driver.energy / driver.mean_kg_m2, STALL_RAD_S**2))
            cycle += count
        twist = np.degrees(np.concatenate(twists)) if self.twist is not None else None
        return _collect(self.s, driver, times, speeds, gas_parts, works, self.plain, stopped, twist)

    def _rigid_extra(self) -> float:
        """Inertia [kg m^2] that moves with the crank: starter armature, a vehicle without springs."""
        p, d = self.driver.programme.step, self.s.driveline
        return self.driver.extra(replace(p, gear_m=0.0 if d.natural_hz > 0.0 else p.gear_m))

    def _couple(self) -> None:
        """Take over what the present step couples to the crank; the crank's speed does not jump."""
        driver, p = self.driver, self.driver.programme.step
        extra = self._rigid_extra()
        if extra != self.rigid_extra:
            self.energy *= (self.still[0] + extra) / (self.still[0] + self.rigid_extra)
            self.rigid_extra = extra
        if driver.extra(p) != driver.extra_kg_m2:
            driver.extra_kg_m2 = driver.extra(p)
            driver.energy = 0.5 * driver.mean_kg_m2 * driver.w**2
        driver.coupled = driver.coupling(p)
        self._gear(p, extra)
        self.step_index = driver.programme.index

    def _gear(self, p: Phase, extra: float) -> None:
        """The path to the vehicle; a vehicle's speed lives on, but a shut clutch brings it to the crank's."""
        driver, d = self.driver, self.s.driveline
        if p.gear_m == 0.0 or d.natural_hz <= 0.0:
            self.path, self.gear_m = None, 0.0
            return
        told = p.vehicle_kmh is not None and driver.programme.index != self.step_index
        if self.path is not None and p.gear_m == self.gear_m and not told:
            return
        converter = (d.converter_nm, d.converter_ratio) if d.coupling == "converter" else None
        slips = d.slips(p)
        self.path = Path.of(
            float(np.mean(self.still)) + extra, d.gearbox_kg_m2, d.vehicle_kg * p.gear_m**2,
            natural_hz=d.natural_hz, damping=d.damping, converter=converter,
            damper_nm_rad=d.damper_nm_rad, damper_damping=d.damper_damping, lash_rad=math.radians(d.lash_deg),
        )  # fmt: skip
        speed = driver.w
        if told and p.vehicle_kmh is not None:
            speed = p.vehicle_kmh / 3.6 / p.gear_m
        elif slips and self.vehicle_m_s is not None:
            speed = self.vehicle_m_s / p.gear_m
        mean = sum(driver.events.outer_nm[-driver.n :]) / driver.n
        if converter and not told and self.vehicle_m_s is None:
            # from the start with the slip that carries the torque
            share = mean / (converter[0] * (driver.w / (2000.0 * RAD_PER_RPM)) ** 2)
            speed *= (1.0 - min(max(share, 0.0), 0.95)) ** 0.25
        self.path.settle(0.0 if slips else mean, speed if slips else driver.w, speed)
        driver.taken = Taken(0.0 if slips else mean, driver.w)
        if converter:
            pump = converter_nm(driver.w, speed, *converter)[0]
            driver.taken = Taken(pump, driver.w, 2.0 * pump / driver.w)
        driver.vehicle_rad_s = speed
        self.gear_m = p.gear_m

    def _spread(self, values: list[float], last: float, count: int) -> FloatArray:
        """A value of each slot on the cells."""
        cells = np.repeat(np.array(values), np.tile(self.slot_cells, count))
        if self.first_cell:
            cells = np.concatenate([np.full(self.first_cell, last), cells])
        return cells[: count * self.n]

    def _advance(self, gas: FloatArray, had: int, count: int) -> tuple[FloatArray, bool]:
        """Square of the crank speed at the grid points of `count` cycles; True when the engine stops."""
        e = self.driver.events
        friction = self._spread(e.friction_nm[had:], self.last[0], count)
        outer = self._spread(e.outer_nm[had:], self.last[1], count)
        self.last = (e.friction_nm[-1], e.outer_nm[-1])
        inertia = np.append(np.tile(self.still[:-1], count), self.still[0]) + self.rigid_extra
        if self.path is not None and self.driver.coupled[2]:
            return self._loose(gas - friction * self.step, inertia, outer, had, count)
        if self.path is not None:
            w = math.sqrt(2.0 * self.energy / inertia[0])
            mean = self.driver.slot_mean_rad_s()
            drive = gas / self.step - friction - 0.5 * np.diff(inertia) / self.step * mean**2
            outer = self.path.locked_nm(drive, outer, w, self.step / mean)
            self._vehicle()
        level = np.empty(count * self.n + 1)
        level[0] = self.energy
        np.cumsum(gas - (friction + outer) * self.step, out=level[1:])
        level[1:] += self.energy
        square = 2.0 * level / inertia
        low = np.flatnonzero(square < STALL_RAD_S**2)
        if len(low):
            return square[: max(int(low[0]), 1)], True
        self.energy = float(level[-1])
        return square, False

    def _vehicle(self) -> None:
        """Remember the vehicle's speed for the driver and for the next gear."""
        assert self.path is not None
        self.driver.vehicle_rad_s = self.path.vehicle_rad_s
        self.vehicle_m_s = self.path.vehicle_rad_s * self.gear_m

    def _loose(
        self, work: FloatArray, inertia: FloatArray, brake: FloatArray, had: int, count: int
    ) -> tuple[FloatArray, bool]:
        """As `_advance`, through a clutch that may slip, a converter or lash."""
        assert self.path is not None
        capacity = self._spread(self.driver.events.clutch_nm[had:], self.driver.events.clutch_nm[had], count)
        stop = 0.5 * float(inertia.min()) * STALL_RAD_S**2
        level, taken = self.path.loose(work, inertia, brake, capacity, self.energy, self.step, stop)
        square = 2.0 * level / inertia[: len(level)]
        if len(level) <= len(work):
            return square, True
        self.energy = float(level[-1])
        mean = float(np.mean(taken[-self.n :]))
        speed = math.sqrt(float(np.mean(square[-self.n :])))
        vehicle, limit = self.path.vehicle_rad_s, float(capacity[-1])
        if self.path.converter is not None and abs(mean) > 0.95 * limit:
            self.driver.taken = Taken(mean, speed, 2.0 * mean / speed)
        elif abs(mean) > 0.95 * limit:
            # slips: all that the clutch holds, until the speeds meet
            self.driver.taken = Taken(0.0, vehicle, limit / _MEET_RAD_S, limit)
        else:
            self.driver.taken = Taken(mean, vehicle, self.path.engine_kg_m2 / _FOLLOW_S, limit)
        self._vehicle()
        return square, False


def _drop(driver: Driver, slots: int) -> None:
    for column in vars(driver.events).values():
        del column[len(column) - slots :]


def _add(cells: Cells, driver: Driver, count: int) -> tuple[FloatArray, FloatArray]:
    e, k = driver.events, count * driver.n
    part = [
        np.array(x[-k:]).reshape(count, driver.n)
        for x in (e.manifold_kpa, e.heat_j, e.start_deg, e.burn_deg, e.rpm)
    ]
    return cells.add(count, *part)


def _collect(
    s: Scenario,
    driver: Driver,
    times: list[FloatArray],
    speeds: list[FloatArray],
    gas_parts: list[FloatArray],
    works: list[FloatArray],
    plain: WorkTables,
    stopped: bool,
    twist: FloatArray | None,
) -> Motion:
    time, speed = np.concatenate(times), np.concatenate(speeds)
    if len(time) * s.step_deg < 4 * 360.0 or time[-1] <= 0.0:
        raise stalled(s, len(time) * s.step_deg / 360.0)
    e = driver.events
    done = np.concatenate([d.ravel() for d in works])
    k = len(done)
    cylinder = np.array(e.cylinder[:k])
    tdc = np.array(e.cycle[:k]) * 720.0 + np.tile(driver.slot_start_deg, k // driver.n) + 360.0
    last = (len(time) - 1) * s.step_deg
    keep = (tdc >= 0.0) & (tdc <= last)
    index = tdc / s.step_deg
    motion = Motion(
        s.step_deg, time, speed, np.concatenate(gas_parts), tdc[keep], tdc[keep], tdc[keep], {}, stopped
    )
    tdc_s = motion.time_at_s(tdc[keep])
    w = np.interp(index[keep], np.arange(len(speed)), speed)
    inside = tdc_s >= 0.0
    pick = np.flatnonzero(keep)[inside]
    events: dict[str, npt.NDArray[np.generic]] = {
        "cylinder": cylinder[pick],
        "manifold_kpa": np.array(e.manifold_kpa[:k])[pick],
        "load_pct": np.array(e.load_pct[:k])[pick],
        "state": np.array(e.state[:k])[pick],
        "starter": np.array(e.starter[:k])[pick],
        "vehicle_m_s": np.array(e.vehicle_m_s[:k])[pick],
        "cause": np.array(e.cause[:k])[pick],
        "work_j": done[pick],
        "normal_work_j": np.array(e.normal_heat_j[:k])[pick]
        * plain.normal_efficiency(np.array(e.normal_burn_deg[:k])[pick]),
    }
    return Motion(
        s.step_deg, time, speed, motion.gas_j, tdc[pick], tdc_s[inside], w[inside], events, stopped, twist
    )
