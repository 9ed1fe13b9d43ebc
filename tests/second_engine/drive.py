"""Motion of the second engine in time: crank front, flywheel and vehicle joined by springs, classical Runge-Kutta steps.

Three inertias: crank front with the pistons (its inertia follows the crank angle), flywheel (torsion mode of the
crank), vehicle seen from the crank (clutch damper and shafts with play). Everything that is decided once a firing
(fuel, scatter, throttle, road) is decided 180 deg before that firing's TDC. Times in s, angles in rad unless `_deg`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .gas import DEG, LAYOUTS, Cylinder

RPM = np.pi / 30.0


@dataclass(frozen=True)
class Stretch:
    """A part of the drive. `kind`: idle, drive (in gear, follows a speed), free (neutral, follows a speed), cut, freecut.

    `rpm` and `rpm_end` are the speeds asked for; a cut ends early below `floor_rpm`. `ratio`: crank turns a wheel turn.
    """

    kind: str
    seconds: float
    rpm: float = 800.0
    rpm_end: float | None = None
    ratio: float = 5.5
    grade_nm: float = 0.0  # extra load at the crank
    rough_nm: float = 0.0  # rough road: torque noise at the crank, root mean square
    floor_rpm: float = 1250.0
    shaft_nm_rad: float = (
        9000.0  # shafts and tyres at the wheel; 9000 gives the shuffle near 6 Hz at this ratio
    )


@dataclass(frozen=True)
class Misfire:
    """`cylinder` loses work: `lost` 1 = none is left. Share `rate` of its firings, between `start_s` and `end_s`."""

    cylinder: int
    rate: float
    lost: float = 1.0
    start_s: float = -1.0
    end_s: float = 1e9


@dataclass(frozen=True)
class Drive:
    """Everything that decides a run."""

    layout: str
    stretches: tuple[Stretch, ...]
    misfires: tuple[Misfire, ...] = ()
    seed: int = 1
    cov: float = 0.03  # scatter of the combustion work from cycle to cycle
    cold: bool = False
    uneven: float = 0.015  # scatter between cylinders
    hold_map: bool = False


@dataclass
class Motion:
    """The run. Rows of `time_s`, `front_rad`, `front_w`, `fly_rad`, `fly_w` are steps; events have one row a firing."""

    layout: str
    time_s: np.ndarray
    front_rad: np.ndarray
    front_w: np.ndarray
    fly_rad: np.ndarray
    fly_w: np.ndarray
    channels: dict[str, np.ndarray]
    cylinder: np.ndarray
    tdc_deg: np.ndarray
    work_j: np.ndarray
    lost: np.ndarray  # commanded loss: 1 misfire, 0 healthy
    cut: np.ndarray
    cuts_s: list[tuple[float, float]] = field(default_factory=list)

    @property
    def tdc_s(self) -> np.ndarray:
        """Times of the firing TDCs on the crank front [s]."""
        return np.interp(self.tdc_deg * DEG, self.front_rad, self.time_s)


def _friction(layout_stroke: float, swept: float, w: float, cold: bool) -> float:
    """Mean friction torque [N m] of one cylinder: terms of the Chen-Flynn kind, from memory."""
    piston = layout_stroke * w / np.pi
    fmep = 0.72e5 + 0.075e5 * piston + 0.0018e5 * piston**2 + (0.5e5 if cold else 0.0)
    return fmep * swept / (4 * np.pi)


@dataclass(frozen=True)
class Span:
    """What stays the same between two firings; torques in N m, springs in N m/rad, inertias in kg m^2."""

    base: int  # angle of the lists' first entry [deg]
    gas: list[float]
    inertia: list[float]
    half_dj: list[float]
    loss: float
    twist_k: float
    twist_c: float
    fly: float
    shaft_k: float
    shaft_c: float
    play: float
    road: float
    vehicle: float
    end: float  # angle [rad]
    step_s: float


State = tuple[
    float, float, float, float, float, float
]  # front angle and speed, twist, flywheel speed, shaft twist, vehicle


def _advance(t: float, state: State, p: Span, steps: list[tuple[float, ...]]) -> tuple[float, State]:
    """Classical Runge-Kutta steps up to the span's end; every step is appended to `steps`."""
    base, gas, jn, dn, play, ks, cs, kd, cd = (
        p.base, p.gas, p.inertia, p.half_dj, p.play, p.twist_k, p.twist_c, p.shaft_k, p.shaft_c,
    )  # fmt: skip

    def rate(a_th: float, a_w: float, a_z: float, a_f: float, a_y: float, a_v: float) -> tuple[float, ...]:
        u = a_th / DEG - base
        i = int(u)
        f = u - i
        g = gas[i] + f * (gas[i + 1] - gas[i])
        twist = ks * a_z + cs * (a_w - a_f)
        ripple = (dn[i] + f * (dn[i + 1] - dn[i])) * a_w * a_w
        dw = (g - p.loss - ripple - twist) / (jn[i] + f * (jn[i + 1] - jn[i]))
        slack = a_y - play if a_y > play else (a_y + play if a_y < -play else 0.0)
        shaft = kd * slack + cd * (a_f - a_v)
        return dw, a_w - a_f, (twist - shaft) / p.fly, a_f - a_v, (shaft - p.road) / p.vehicle if kd else 0.0

    th, w, z, wf, y, wv = state
    h = p.step_s
    hh, h6 = h / 2, h / 6
    while th < p.end:
        a1, b1, c1, d1, e1 = rate(th, w, z, wf, y, wv)
        w2, f2, v2 = w + hh * a1, wf + hh * c1, wv + hh * e1
        a2, b2, c2, d2, e2 = rate(th + hh * w, w2, z + hh * b1, f2, y + hh * d1, v2)
        w3, f3, v3 = w + hh * a2, wf + hh * c2, wv + hh * e2
        a3, b3, c3, d3, e3 = rate(th + hh * w2, w3, z + hh * b2, f3, y + hh * d2, v3)
        w4, f4, v4 = w + h * a3, wf + h * c3, wv + h * e3
        a4, b4, c4, d4, e4 = rate(th + h * w3, w4, z + h * b3, f4, y + h * d3, v4)
        th += h6 * (w + 2 * w2 + 2 * w3 + w4)
        w += h6 * (a1 + 2 * a2 + 2 * a3 + a4)
        z += h6 * (b1 + 2 * b2 + 2 * b3 + b4)
        wf += h6 * (c1 + 2 * c2 + 2 * c3 + c4)
        y = y + h6 * (d1 + 2 * d2 + 2 * d3 + d4) if kd else 0.0
        wv += h6 * (e1 + 2 * e2 + 2 * e3 + e4)
        t += h
        if w < 20 * RPM:
            raise RuntimeError(f"the engine stalled at {t:.1f} s")
        steps.append((t, th, w, th - z, wf))
    return t, (th, w, z, wf, y, wv)


def run(drive: Drive) -> Motion:
    """Integrate the drive. Fixed steps of at most 2 deg and 0.3 ms."""
    lay = LAYOUTS[drive.layout]
    rng = np.random.default_rng(drive.seed)
    cylinder = Cylinder(lay)
    n = len(lay.order)
    tdc = np.sort(np.array(lay.tdc_deg))
    who = np.argsort(np.array(lay.tdc_deg)) + 1
    trim = 1 + drive.uneven * rng.standard_normal(n + 1)
    turn = np.arange(720)
    j_table = np.zeros(720)
    dj_table = np.zeros(720)
    for t in lay.tdc_deg:
        at = (turn - round(t) + 360) % 720
        j_table += cylinder.j[at]
        dj_table += cylinder.half_dj[at]
    jl = (lay.j_front + j_table).tolist()
    dl = dj_table.tolist()
    ring = np.zeros(1440)
    # spring of the crank: torsion_hz is the mode of front (with mean pistons) against flywheel
    ja = lay.j_front + float(j_table.mean())
    ks = (2 * np.pi * lay.torsion_hz) ** 2 * ja * lay.j_fly / (ja + lay.j_fly)
    cs = 2 * 0.02 * np.sqrt(ks * ja * lay.j_fly / (ja + lay.j_fly))
    jf = lay.j_fly
    first = drive.stretches[0]
    w = wf = wv = first.rpm * RPM
    z = y = 0.0
    k0 = int(np.ceil((180 + 1) / 720 * n)) + n
    th = float((tdc[k0 % n] + 720 * (k0 // n) - 180) * DEG) - 1e-9
    absent = sum(m.rate * m.lost for m in drive.misfires if m.start_s < 0) / n
    p_map = (0.35e5 if first.kind in ("idle", "free") else 0.5e5) * (1 + 1.3 * absent)
    integral = 0.35e5 * 1.3 * absent
    t = 0.0
    steps: list[tuple[float, ...]] = []
    ev: list[tuple[int, float, float, float, bool]] = []
    rows: list[tuple[float, ...]] = []
    cuts: list[tuple[float, float]] = []
    stretch_at, stretch_start, k = 0, 0.0, k0
    road, last_cut = 0.0, False
    burst = 0
    while True:
        now = drive.stretches[stretch_at]
        spent = t - stretch_start
        if spent >= now.seconds or (now.kind.endswith("cut") and min(w, wf) < now.floor_rpm * RPM):
            stretch_at, stretch_start = stretch_at + 1, t
            if stretch_at == len(drive.stretches):
                break
            now, spent = drive.stretches[stretch_at], 0.0
            if now.kind in ("drive", "cut") and drive.stretches[stretch_at - 1].kind in ("idle", "free"):
                wv, y = wf, 0.0
        cut = now.kind.endswith("cut")
        if cut != last_cut:
            cuts = [*cuts, (t, np.inf)] if cut else [*cuts[:-1], (cuts[-1][0], t)]
        last_cut = cut
        geared = now.kind in ("drive", "cut")
        share = min(1.0, spent / max(now.seconds, 1e-9))
        asked = (now.rpm + ((now.rpm_end or now.rpm) - now.rpm) * share) * RPM
        span_deg = 720.0 / n
        dt_event = span_deg * DEG / w
        miss = asked - (0.5 * (w + wf))
        if cut:
            want = 0.27e5
        else:
            gain = (450.0, 420.0) if geared else (330.0, 240.0)
            integral = float(np.clip(integral + gain[1] * miss * dt_event, -0.07e5, 0.7e5))
            want = 0.30e5 + integral + gain[0] * miss
        p_map += (float(np.clip(want, 0.23e5, 0.98e5)) - p_map) * min(1.0, dt_event / 0.09)
        # the firing that starts its compression here
        place, c = k % n, int(who[k % n])
        rpm = w / RPM
        cov = drive.cov * (1.0 if p_map > 0.45e5 or drive.cold else 1.6)
        fuel, lost = 0.0, 0.0
        if not cut:
            a, b = rng.standard_normal(2)
            a -= 0.15 * (a * a - 1)
            fuel = float(max(0.4, 1 + cov * a)) * float(trim[c])
            for m in drive.misfires:
                if m.cylinder == c and m.start_s <= t < m.end_s and rng.random() < m.rate:
                    lost = max(lost, m.lost if m.lost >= 0.9 else m.lost * (1 + 0.1 * rng.standard_normal()))
            fuel *= 1 - min(lost, 1.0)
            load = (p_map - 0.3e5) / 0.7e5
            duration = (72 - 18 * load) * float(np.exp(-0.8 * cov * b)) * (1.2 if drive.cold else 1.0)
            start = -26 + 8 * load - rpm / 700 + (16 if now.kind == "idle" else 0) + 12 * cov * a * -1
        torque, work = cylinder.cycle(p_map, w, fuel, start if fuel else 0.0, duration if fuel else 50.0)
        top = round(tdc[place]) + 720 * (k // n)
        ring[(np.arange(top - 180, top + 540)) % 1440] += torque
        ev.append((c, float(top), work, lost, cut))
        nxt = (k + 1) % n, (k + 1) // n
        end = (tdc[nxt[0]] + 720 * nxt[1] - 180) * DEG
        base = int(top - 180)
        length = round(end / DEG) - base + 8
        near = np.arange(base, base + length)
        gas = ring[near % 1440].tolist()
        near720 = near % 720
        jn = [jl[i] for i in near720]
        dn = [dl[i] for i in near720]
        # road and vehicle, all seen from the crank
        if now.rough_nm:
            burst = burst - 1 if burst > 0 else (int(rng.integers(10, 60)) if rng.random() < 0.02 else 0)
            level = now.rough_nm * (3.0 if burst else 0.7)
            road += (-road) * min(1, dt_event / 0.03) + level * np.sqrt(
                min(1, dt_event / 0.03)
            ) * rng.standard_normal()
        else:
            road = 0.0
        jv = 1450 * 0.31**2 / now.ratio**2
        drag = (9.81 * 1450 * 0.012 + 0.42 * (wv / now.ratio * 0.31) ** 2) * 0.31 / now.ratio + now.grade_nm
        kd, cd, play = (
            (now.shaft_nm_rad / now.ratio**2, 22.0 / now.ratio**1.0 * 0.35, 0.03)
            if geared
            else (0.0, 0.0, 0.0)
        )
        loss = n * _friction(lay.stroke, lay.swept, w, drive.cold) + 5.0 + 1.5 * n
        load_v = drag + road
        if not geared:
            wv = wf
        h = min(2.0 * DEG / w, 3e-4)

        span = Span(base, gas, jn, dn, loss, ks, cs, jf, kd, cd, play, load_v, jv, float(end), h)
        t, (th, w, z, wf, y, wv) = _advance(t, (th, w, z, wf, y, wv), span, steps)
        if w < 200 * RPM:
            raise RuntimeError(f"the engine stalled at {t:.1f} s")
        gone = np.arange(base, round(end / DEG)) % 1440
        ring[gone] = 0.0
        rows.append((t, p_map, w / RPM, float(cut), wv / now.ratio * 0.31 * 3.6 if geared else 0.0))
        k += 1
    if cuts and cuts[-1][1] == np.inf:
        cuts[-1] = (cuts[-1][0], t)
    s = np.array(steps).T
    r = np.array(rows).T
    grid = np.arange(0.0, t, 0.1)
    slow = {"time_s": grid}
    for name, values in (("map_kpa", r[1] / 1e3), ("speed_rpm", r[2]), ("vehicle_kmh", r[4])):
        slow[name] = np.interp(grid, r[0], values)
    # a controller's speed is a mean over some time, not the speed of one crank angle
    turned = np.interp(grid, s[0], s[1]) - np.interp(grid - 0.15, s[0], s[1])
    slow["speed_rpm"][2:] = turned[2:] / 0.15 / RPM
    slow["load_pct"] = np.clip((slow["map_kpa"] - 18) / 0.82, 0, 100)
    slow["fuel_cut"] = np.zeros_like(grid)
    for a, b in cuts:
        slow["fuel_cut"][(grid >= a) & (grid < b)] = 1
    e = np.array(ev).T
    return Motion(
        drive.layout, s[0], s[1], s[2], s[3], s[4], slow,
        e[0].astype(int), e[1], e[2], e[3], e[4].astype(bool), cuts,
    )  # fmt: skip
