"""Exact motion of the crank in the angle domain.

d/dth [ 1/2 J(th) w^2 ] = T_gas - T_outer - T_friction, rigid crank: the unknown 1/2 J w^2 is
the sum of works, so each stretch of cycles is one cumulative sum. Time follows from
dt = 2 dth / (w1 + w2), exact where the torque is constant in the cell.

Convention: global crank angle [deg] 0 = firing TDC of cylinder 1; cells of `step_deg`; t = 0 where the log
starts, after three cycles that only settle the engine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.simulate.driver import RAD_PER_RPM, STALL_RAD_S, Driver
from misfire.simulate.gas import WorkTables
from misfire.simulate.mechanics import Cylinder, inertia_kg_m2
from misfire.simulate.scenario import Scenario

FloatArray = npt.NDArray[np.float64]

_CHUNK_S = 1.0


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
        cylinder, manifold_kpa, load_pct, state, cause, work_j (combustion work), normal_work_j.
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

    def time_at_s(self, angle_deg: FloatArray) -> FloatArray:
        """Time [s] at global crank angles [deg] inside the grid: constant acceleration inside a cell."""
        x = np.asarray(angle_deg, dtype=float) / self.step_deg
        i = np.clip(x.astype(np.int64), 0, len(self.time_s) - 2)
        part = x - i
        w1, w2 = self.speed_rad_s[i], self.speed_rad_s[i + 1]
        w = np.sqrt(w1 * w1 + part * (w2 * w2 - w1 * w1))
        return np.asarray(self.time_s[i] + part * math.radians(self.step_deg) * 2.0 / (w1 + w))


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


class _Cells:
    """Turns events into gas work on the cells, cycle by cycle with what reaches into the next."""

    def __init__(self, s: Scenario, cylinder: Cylinder, driver: Driver) -> None:
        self.n = round(720.0 / s.step_deg)
        self.exhaust = s.gas.exhaust_kpa
        self.first: list[int] = []
        self.tables: list[WorkTables] = []
        shared: dict[float, WorkTables] = {}
        for start in driver.slot_start_deg:
            cell = int(start / s.step_deg + 1e-9)
            lead = round(start - cell * s.step_deg, 9)
            if lead not in shared:
                edges = -360.0 - lead + s.step_deg * np.arange(self.n + 2)
                shared[lead] = WorkTables(s.gas, cylinder, edges)
            self.first.append(cell)
            self.tables.append(shared[lead])
        self.tail = np.zeros(2 * self.n + 2)

    def add(
        self, cycles: int, kpa: FloatArray, heat: FloatArray, start: FloatArray, burn: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Gas work [J] of cycles * n cells, and combustion work [J] of each event.

        The inputs have shape (cycles, slots); events reach up to two cycles ahead, kept in `tail`.
        """
        n = self.n
        total = np.zeros((cycles + 2) * n + 2)
        total[: len(self.tail)] += self.tail
        done = np.zeros(kpa.shape)
        for table in {id(t): t for t in self.tables}.values():
            slots = [i for i, t in enumerate(self.tables) if t is table]
            a, b, c = table.motored
            at, heat_cells = table.heat_cells(start[:, slots].ravel(), burn[:, slots].ravel())
            heat_cells *= heat[:, slots].reshape(-1, 1)
            width = heat_cells.shape[1]
            heat_cells = heat_cells.reshape(cycles, len(slots), width)
            done[:, slots] = heat_cells.sum(axis=2)
            for j, slot in enumerate(slots):
                work = kpa[:, slot, None] * a + (self.exhaust * b + c)
                work[:, at : at + width] += heat_cells[:, j]
                f = self.first[slot]
                # n cells side by side, the one cell that overlaps the next event on its own
                total[f : f + cycles * n] += work[:, :n].ravel()
                total[f + n : f + n + cycles * n : n] += work[:, n]
        self.tail = total[cycles * n :].copy()
        return total[: cycles * n], done


def run(s: Scenario, rng: np.random.Generator) -> Motion:
    """Simulate the motion of a scenario.

    Raises InputError when the engine stalls before the log holds two turns.
    """
    e = s.engine
    cylinder = cylinder_of(s)
    n = round(720.0 / s.step_deg)
    plain = WorkTables(s.gas, cylinder, np.asarray(-360.0 + s.step_deg * np.arange(n + 2), dtype=np.float64))
    driver = Driver(s, cylinder, plain, rng)
    cells = _Cells(s, cylinder, driver)
    grid = np.asarray(s.step_deg * np.arange(n + 1), dtype=np.float64)
    still = inertia_kg_m2(
        cylinder.crank,
        e.rotating_inertia_kg_m2 or 0.1,
        e.reciprocating_mass_kg or 0.0,
        grid,
        np.array(e.firing_tdc_deg),
    )
    step = math.radians(s.step_deg)
    slot_cell = np.round(driver.slot_start_deg / s.step_deg).astype(int)
    slot_edges = np.append(slot_cell, slot_cell[0] + n)

    driver.run_cycles(1, -1)
    _, done = _add(cells, driver, 1)
    works = [done]
    energy = 0.5 * (still[0] + driver.extra_kg_m2) * driver.w**2
    t = driver.t
    times, speeds, gas_parts = (
        [np.array([t])],
        [np.array([math.sqrt(2 * energy / (still[0] + driver.extra_kg_m2))])],
        [],
    )
    last_brake = driver.events.outer_nm[-1] + driver.events.friction_nm[-1]
    cycle = 0
    stopped = False
    while not (driver.programme.done or stopped):
        extra = driver.extra(driver.programme.step)
        if extra != driver.extra_kg_m2:
            scale = (still[0] + extra) / (still[0] + driver.extra_kg_m2)
            energy *= scale
            driver.extra_kg_m2 = extra
            driver.energy = 0.5 * driver.mean_kg_m2 * driver.w**2
        want = int(min(max(_CHUNK_S * driver.w / (4.0 * math.pi), 2), 40))
        had = len(driver.events.cylinder)
        count = driver.run_cycles(want, cycle)
        slots = len(driver.events.cylinder) - had
        whole = slots // driver.n
        if whole < count:
            # the loop met the stall inside a cycle: drop its part
            _drop(driver, slots - whole * driver.n)
            count = whole
        stopped = driver.stopped
        if count == 0:
            break
        gas, done = _add(cells, driver, count)
        works.append(done)
        brake = np.array(driver.events.outer_nm[had:]) + np.array(driver.events.friction_nm[had:])
        spread = np.repeat(brake, np.tile(np.diff(slot_edges), count))[: count * n]
        shift = int(slot_cell[0])
        if shift:
            spread = np.concatenate([np.full(shift, last_brake), spread])[: count * n]
        last_brake = float(brake[-1])
        inertia = np.append(np.tile(still[:-1], count), still[0]) + extra
        level = np.empty(count * n + 1)
        level[0] = energy
        np.cumsum(gas - spread * step, out=level[1:])
        level[1:] += energy
        square = 2.0 * level / inertia
        low = np.flatnonzero(square < STALL_RAD_S**2)
        if len(low):
            stopped = True
            square = square[: max(int(low[0]), 1)]
        w = np.sqrt(square)
        dt = 2.0 * step / (w[1:] + w[:-1])
        clock = t + np.cumsum(dt)
        times.append(clock)
        speeds.append(w[1:])
        gas_parts.append(gas[: len(dt)])
        if stopped:
            break
        energy, t = float(level[-1]), float(clock[-1])
        driver.t = t
        driver.energy += float(np.mean(level[-n - 1 :])) - float(np.mean(driver.slot_energy[-driver.n :]))
        driver.w = math.sqrt(max(2.0 * driver.energy / driver.mean_kg_m2, STALL_RAD_S**2))
        cycle += count
    return _collect(s, driver, times, speeds, gas_parts, works, plain, stopped)


def _drop(driver: Driver, slots: int) -> None:
    for column in vars(driver.events).values():
        del column[len(column) - slots :]


def _add(cells: _Cells, driver: Driver, count: int) -> tuple[FloatArray, FloatArray]:
    e, k = driver.events, count * driver.n
    part = [
        np.array(x[-k:]).reshape(count, driver.n) for x in (e.manifold_kpa, e.heat_j, e.start_deg, e.burn_deg)
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
) -> Motion:
    time, speed = np.concatenate(times), np.concatenate(speeds)
    if len(time) * s.step_deg < 4 * 360.0 or time[-1] <= 0.0:
        raise InputError(f"scenario {s.name}: the engine stalls at once; give it more speed, load or inertia")
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
        "cause": np.array(e.cause[:k])[pick],
        "work_j": done[pick],
        "normal_work_j": np.array(e.normal_heat_j[:k])[pick] * plain.nominal_efficiency,
    }
    return Motion(s.step_deg, time, speed, motion.gas_j, tdc[pick], tdc_s[inside], w[inside], events, stopped)


def speed_rpm(motion: Motion, t_s: FloatArray) -> FloatArray:
    """Crank speed [1/min] at times [s]."""
    return np.asarray(np.interp(t_s, motion.time_s, motion.speed_rad_s) / RAD_PER_RPM)
