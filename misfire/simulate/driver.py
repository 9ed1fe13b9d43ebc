"""The driver, the governor and the engine's events, one firing slot at a time, on mean speed.

A slot is the span from the start of one event's intake to the start of the next one's. What an event burns
is decided at its start of intake, 360 deg before its firing TDC, from what is known then; the exact motion
inside the slots follows in `motion`. Only scalars are handled here, so that a plain loop is fast enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from misfire.simulate.gas import WorkTables
from misfire.simulate.mechanics import Cylinder, cycle_torque_nm, friction_mep_bar
from misfire.simulate.rules import Rules
from misfire.simulate.scenario import Phase, Scenario

FloatArray = npt.NDArray[np.float64]

FIRING, MISFIRE, MOTORING = 0, 1, 2
STALL_RAD_S = 2.0 * math.pi * 80.0 / 60.0
MISFIRE_HEAT = 0.2
# a lock-up clutch shuts over this time [s] and opens at this share of the speed where it shut: our choice
_LOCK_S, _UNLOCK = 0.5, 0.9
RAD_PER_RPM = math.pi / 30.0


@dataclass
class Events:
    """What each event was given; lists grow by one a slot."""

    cylinder: list[int] = field(default_factory=list)
    cycle: list[int] = field(default_factory=list)
    manifold_kpa: list[float] = field(default_factory=list)
    load_pct: list[float] = field(default_factory=list)
    normal_heat_j: list[float] = field(default_factory=list)
    heat_j: list[float] = field(default_factory=list)
    start_deg: list[float] = field(default_factory=list)
    burn_deg: list[float] = field(default_factory=list)
    normal_burn_deg: list[float] = field(default_factory=list)
    state: list[int] = field(default_factory=list)
    cause: list[int] = field(default_factory=list)
    outer_nm: list[float] = field(default_factory=list)
    friction_nm: list[float] = field(default_factory=list)
    clutch_nm: list[float] = field(default_factory=list)
    starter: list[bool] = field(default_factory=list)
    vehicle_m_s: list[float] = field(default_factory=list)
    rpm: list[float] = field(default_factory=list)


def manifold_kpa(load_pct: float) -> float:
    """Manifold pressure [kPa] at a load [%]: 15 kPa plus 0.85 kPa a per cent."""
    return 15.0 + 0.85 * load_pct


def load_of(manifold: float) -> float:
    """Load [%] at a manifold pressure [kPa]."""
    return (manifold - 15.0) / 0.85


@dataclass(frozen=True)
class Taken:
    """Torque [N m] that clutch or converter takes from the crank, near the speed of the last stretch."""

    torque_nm: float
    speed_rad_s: float
    rise_nms: float = 0.0
    limit_nm: float = math.inf

    def at(self, speed_rad_s: float) -> float:
        """Torque [N m] at a crank speed [rad/s]."""
        torque = self.torque_nm + self.rise_nms * (speed_rad_s - self.speed_rad_s)
        return min(max(torque, -self.limit_nm), self.limit_nm)


class Programme:
    """Where the driver is in the list of steps."""

    def __init__(self, steps: tuple[Phase, ...]) -> None:
        self.steps = steps
        self.index = 0
        self.began_s = 0.0
        self.began_rpm = steps[0].rpm or 0.0
        self.done = False

    @property
    def step(self) -> Phase:
        """The present step."""
        return self.steps[self.index]

    def advance(self, t: float, rpm: float) -> bool:
        """Go on to the step that holds at time t [s] and speed [1/min]; True when it changed."""
        changed = False
        while not self.done:
            p = self.step
            over = t >= self.began_s + p.duration_s
            if p.until_rpm is not None and t > self.began_s:
                falling = self.began_rpm > p.until_rpm
                over = over or (rpm <= p.until_rpm if falling else rpm >= p.until_rpm)
            if not over:
                break
            if self.index + 1 == len(self.steps):
                self.done = True
                break
            self.index += 1
            self.began_s = t
            self.began_rpm = rpm
            changed = True
        return changed

    def wanted(self, t: float) -> tuple[float, float, float | None]:
        """Target speed [rad/s], its slope [rad/s^2] and load [%] at time t [s]."""
        p = self.step
        part = min(max((t - self.began_s) / p.duration_s, 0.0), 1.0)
        rpm = p.rpm or 0.0
        slope = 0.0
        if p.rpm_end is not None:
            slope = (p.rpm_end - rpm) / p.duration_s * RAD_PER_RPM
            rpm += (p.rpm_end - rpm) * part
        load = p.load_pct
        if load is not None and p.load_end_pct is not None:
            load += (p.load_end_pct - load) * part
        return rpm * RAD_PER_RPM, slope, load

    def clutch_nm(self, t: float) -> float:
        """Torque capacity [N m] of the clutch at time t [s]; endless while it is shut."""
        p = self.step
        if p.clutch_nm is None:
            return math.inf
        if p.clutch_end_nm is None:
            return p.clutch_nm
        part = min(max((t - self.began_s) / p.duration_s, 0.0), 1.0)
        return p.clutch_nm + (p.clutch_end_nm - p.clutch_nm) * part


class Driver:
    """Runs the programme on mean speed and hands out events."""

    def __init__(self, s: Scenario, cylinder: Cylinder, tables: WorkTables, rng: np.random.Generator) -> None:
        e = s.engine
        self.s, self.cylinder, self.rng = s, cylinder, rng
        # a rule's draws do not depend on how many rules follow it
        self.rule_rng = rng.spawn(len(s.misfires))
        tdc = np.array(e.firing_tdc_deg)
        start = (tdc - 360.0) % 720.0
        order = np.argsort(start)
        self.slot_start_deg = start[order]
        self.slot_cylinder = [int(c) + 1 for c in order]
        gap = np.diff(np.append(self.slot_start_deg, self.slot_start_deg[0] + 720.0))
        self.slot_rad = [float(x) for x in np.radians(gap)]
        self.n = e.cylinders
        self.delay = max(round(self.n * 420.0 / 720.0), 1)
        self.per_map, self.per_exhaust = tables.motored_total
        self.efficiency = tables.nominal_efficiency
        self.displacement_m3 = cylinder.displacement_m3
        crank = cylinder.crank
        turn = np.arange(0.0, 360.0, 2.0)
        self.piston_kg_m2 = (
            float(np.mean(crank.travel_slope_m(np.radians(turn)) ** 2))
            * (e.reciprocating_mass_kg or 0.0)
            * self.n
        )
        self.crank_kg_m2 = e.rotating_inertia_kg_m2 or 0.1
        self.programme = Programme(s.programme)
        self.rules = Rules(s.misfires, e.companions)
        self.factor = {c: s.combustion.cylinder_factors.get(str(c), 1.0) for c in range(1, self.n + 1)}
        self.leaking = {
            int(c): WorkTables(s.gas, cylinder, tables.edges_deg, share)
            for c, share in s.combustion.leaks.items()
            if share
        }
        self.events = Events()
        first = s.programme[0]
        self.w = (first.rpm or 1000.0) * RAD_PER_RPM
        self.t = -3.0 * 4.0 * math.pi / self.w
        self.extra_kg_m2 = self.extra(first)
        self.coupled = self.coupling(first)
        # what clutch or converter takes from the crank: at a speed [N m, rad/s], its rise with speed, its limit
        self.taken = Taken(0.0, self.w)
        self.locked_s: float | None = None
        self.vehicle_rad_s = self.w
        self.vehicle_m_s = 0.0
        self.energy = 0.5 * self.mean_kg_m2 * self.w**2
        self.hold_sum = 0.0
        self.charge_sum = 0.0
        self.rough = 0.0
        self.scatter = dict.fromkeys(range(1, self.n + 1), 0.0)
        self.missed = dict.fromkeys(range(1, self.n + 1), False)
        self.mean_work: list[float] = []
        self.expected: list[float] = []
        self.slot_energy: list[float] = []
        self.slot_time: list[float] = []
        self.stopped = False

    def extra(self, p: Phase) -> float:
        """Inertia [kg m^2] that a step couples firmly to the crank: starter armature, vehicle."""
        d = self.s.driveline
        vehicle = 0.0 if d.loose(p) else d.vehicle_kg * p.gear_m**2
        return (d.starter_kg_m2 if p.starter else 0.0) + vehicle

    def coupling(self, p: Phase) -> tuple[float, float, bool]:
        """What tells one way of coupling from another: inertia, gear, whether it may slip."""
        return self.extra(p), p.gear_m, self.s.driveline.loose(p)

    @property
    def mean_kg_m2(self) -> float:
        """Mean inertia [kg m^2] with what is coupled."""
        return self.crank_kg_m2 + self.piston_kg_m2 + self.extra_kg_m2

    def clutch_nm(self, t: float, w: float) -> float:
        """Torque capacity [N m] at time t [s] and crank speed w [rad/s] of the clutch or the lock-up clutch."""
        d = self.s.driveline
        if d.coupling != "converter":
            return self.programme.clutch_nm(t)
        least = d.lockup_rpm * RAD_PER_RPM * (1.0 if self.locked_s is None else _UNLOCK)
        if d.lockup_nm == 0.0 or w < least or t < d.lockup_from_s:
            self.locked_s = None
            return 0.0
        if self.locked_s is None:
            self.locked_s = t
        return d.lockup_nm * min((t - self.locked_s) / _LOCK_S, 1.0)

    def slot_mean_rad_s(self) -> float:
        """Mean speed [rad/s] over the slots handed out last."""
        span = self.t - self.slot_time[0]
        turned = sum(self.slot_rad) * len(self.slot_time) / self.n
        return turned / span if span > 0.0 else self.w

    def friction_nm(self, w: float) -> float:
        """Friction torque [N m] of all cylinders, and the accessories, at crank speed `w` [rad/s]."""
        mep = float(friction_mep_bar(w / RAD_PER_RPM)) * 1e5 * self.s.friction
        # the motored form holds pumping at full throttle as well, which the gas model adds itself
        return float(cycle_torque_nm(mep * self.displacement_m3 * self.n)) + self.s.accessory_nm

    def gas_nm(self, manifold: float, fuel: bool) -> float:
        """Mean gas torque [N m] of a healthy engine at `manifold` pressure [kPa]."""
        work = manifold * self.per_map + self.s.gas.exhaust_kpa * self.per_exhaust
        if fuel:
            work += self.s.gas.heat_j(manifold, self.displacement_m3) * self.efficiency
        return float(cycle_torque_nm(work * self.n))

    def no_load_kpa(self, w: float) -> float:
        """Manifold pressure [kPa] at which the healthy engine just turns itself at w [rad/s]."""
        low, high = 15.0, 60.0
        a, b = self.gas_nm(low, True), self.gas_nm(high, True)
        return low + (self.friction_nm(w) - a) * (high - low) / (b - a)

    def run_cycles(self, cycles: int, first_cycle: int) -> int:
        """Hand out the events of up to `cycles` cycles; stop early where the coupling changes.

        Returns the number of cycles done.
        """
        n = self.n
        z = self.rng.standard_normal((cycles * n, 3)).tolist()
        u = np.array([r.random(cycles * n) for r in self.rule_rng]).T.tolist() or [[]] * (cycles * n)
        self.slot_energy, self.slot_time = [], []
        for k in range(cycles):
            if k and self.coupling(self.programme.step) != self.coupled:
                return k
            for i in range(n):
                self._slot(i, first_cycle + k, z[k * n + i], u[k * n + i])
                if self.stopped:
                    break
            if self.programme.done or self.stopped:
                return k + 1
        return cycles

    def _slot(self, i: int, cycle: int, z: list[float], u: list[float]) -> None:
        s, c = self.s, self.slot_cylinder[i]
        w, t, dth = self.w, self.t, self.slot_rad[i]
        if self.programme.advance(t, w / RAD_PER_RPM):
            self.hold_sum = self.charge_sum = 0.0
        p = self.programme.step
        wanted, slope, load = self.programme.wanted(t)
        dt = dth / w
        off = w - wanted
        if p.mode == "governed":
            base = self.no_load_kpa(wanted)
            self.charge_sum += off * dt
            pull = self.mean_kg_m2 * (off / 0.5 + self.charge_sum / 0.6 - slope)
            gain = (self.gas_nm(60.0, True) - self.gas_nm(40.0, True)) / 20.0
            if self.coupled[2]:
                pull -= self.taken.at(w)
            kpa = min(max(base - pull / gain, 18.0), 98.0)
            load = load_of(kpa)
        else:
            load = load or 0.0
            kpa = manifold_kpa(load)
        friction = self.friction_nm(w)
        outer = 0.0
        loose = self.coupled[2]
        if p.mode == "hold":
            self.hold_sum = self.hold_sum + off * dt
            # through clutch or converter the brake reaches the engine late: a slower hand
            lag = 0.8 if loose else 0.3
            moved = self.mean_kg_m2 + (s.driveline.vehicle_kg * p.gear_m**2 if loose else 0.0)
            pull = moved * (off / lag + self.hold_sum / lag / (3.0 if loose else 1.0) - slope)
            # what lands now was decided most of a turn ago; the first events stand for those before them
            due = self.expected[max(len(self.expected) - self.delay, 0)] if self.expected else None
            gas = self.gas_nm(kpa, not p.fuel_cut) if due is None else due * self.n / (4.0 * math.pi)
            outer = gas - friction + pull
        elif p.gear_m > 0.0:
            v = (self.vehicle_rad_s if loose else w) * p.gear_m
            roll = s.driveline.road_n * min(v / 0.3, 1.0)
            outer = (roll + s.driveline.drag_n_s2_m2 * v * v) * p.gear_m
        if p.rough_nm > 0.0:
            decay = math.exp(-dt / 0.05)
            self.rough = self.rough * decay + p.rough_nm * math.sqrt(1.0 - decay * decay) * z[2]
            outer += self.rough
        if p.judder_nm > 0.0:
            outer += p.judder_nm * math.sin(2.0 * math.pi * p.judder_hz * t)
        normal, heat, start, burn, state, cause = self._burn(c, cycle, kpa, load, p.fuel_cut, z, u)
        e = self.events
        e.cylinder.append(c)
        e.cycle.append(cycle)
        e.manifold_kpa.append(kpa)
        e.load_pct.append(load)
        e.normal_heat_j.append(normal)
        e.heat_j.append(heat)
        e.start_deg.append(start)
        e.burn_deg.append(burn)
        e.normal_burn_deg.append(s.gas.burn_at(w / RAD_PER_RPM, load)[1])
        e.state.append(state)
        e.cause.append(cause)
        e.outer_nm.append(outer)
        e.friction_nm.append(friction)
        e.clutch_nm.append(self.clutch_nm(t, w))
        e.starter.append(p.starter)
        if p.gear_m > 0.0:
            self.vehicle_m_s = (self.vehicle_rad_s if loose else w) * p.gear_m
        e.vehicle_m_s.append(self.vehicle_m_s)
        e.rpm.append(w / RAD_PER_RPM)
        leaking = self.leaking.get(c)
        per_map = leaking.leaking_total(w / RAD_PER_RPM) if leaking is not None else self.per_map
        work = kpa * per_map + s.gas.exhaust_kpa * self.per_exhaust + heat * self.efficiency
        self.mean_work.append(work)
        normal_work = 0.0 if p.fuel_cut else normal * self.efficiency
        self.expected.append(kpa * self.per_map + s.gas.exhaust_kpa * self.per_exhaust + normal_work)
        back = len(self.mean_work) - 1 - self.delay
        self.slot_energy.append(self.energy)
        self.slot_time.append(t)
        load_nm = self.taken.at(w) if loose else outer
        self.energy += self.mean_work[max(back, 0)] - (friction + load_nm) * dth
        if self.energy <= 0.5 * self.mean_kg_m2 * STALL_RAD_S**2:
            self.stopped = True
            return
        self.w = math.sqrt(2.0 * self.energy / self.mean_kg_m2)
        self.t = t + 2.0 * dth / (w + self.w)

    def _burn(
        self, c: int, cycle: int, kpa: float, load: float, cut: bool, z: list[float], u: list[float]
    ) -> tuple[float, float, float, float, int, int]:
        """Normal heat, heat [J], start and duration [deg], state, and the rule that acted (-1 = none)."""
        g, b = self.s.gas, self.s.combustion
        normal = g.heat_j(kpa, self.displacement_m3)
        low = min(max((100.0 - load) / 100.0, 0.0), 1.0)
        cov = b.cov_full + (b.cov_idle - b.cov_full) * low * low
        q = self.scatter[c] * b.correlation + math.sqrt(1.0 - b.correlation**2) * z[0]
        self.scatter[c] = q
        rpm = self.w / RAD_PER_RPM
        start, burn = g.burn_at(rpm, load)
        start += b.phase_sd_deg * z[1]
        state, cause = FIRING, -1
        remaining = 1.0
        for r in range(len(self.rules.rules)):
            if self.rules.hit(r, c, cycle, self.t, rpm, load, u[r]):
                rule = self.rules.rules[r]
                remaining *= rule.remaining
                start += rule.late_deg
                burn *= rule.stretch
                cause = r
        if cut:
            self.missed[c] = False
            return normal, 0.0, g.burn_start_deg, g.burn_deg, MOTORING, -1
        heat = normal * self.factor[c] * max(1.0 + cov * q, 0.0)
        if self.missed[c]:
            heat *= 1.0 + b.after_misfire
        if remaining < 1.0:
            heat *= remaining
        self.missed[c] = remaining <= MISFIRE_HEAT
        if self.missed[c]:
            state = MISFIRE
        return normal, heat, start, burn, state, cause
