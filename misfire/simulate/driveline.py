"""From the crank to the vehicle: clutch or converter, gearbox, two springs, vehicle; all seen at the crank.

    crank --clutch facing, damper spring k1, c1-- gearbox --shafts and tyres k2, c2-- vehicle     coupling "clutch"
    crank --converter, lock-up clutch k1, c1--    gearbox --shafts and tyres k2, c2-- vehicle     coupling "converter"

Without a damper spring (k1 = 0) one spring is left and the gearbox has no inertia of its own. Locked paths are
linear and solved exactly (`elastic.respond`) at the mean speed of a stretch. A slipping clutch, a converter or
lash is not linear: crank energy (exact in angle) and path go step by step.

Clutch: the facing carries at most its capacity, so the damper spring's torque is k1 times a twist that slips
when it would carry more (an elastic - ideally plastic element). A lock-up clutch is the same element beside the converter,
whose fluid goes on working. Lash: of the shafts' twist the play is dead, inside it they carry nothing, and
their damper never pulls two faces together:

    torque = k2 (twist -+ lash/2) + c2 rate     beyond +- lash/2, but not below 0 (above 0)

Converter: pump torque
T_p = c w_p^2 (1 - s^4), turbine torque m T_p, s = turbine over pump speed, m falling in a straight line from
the stall ratio at s = 0 to 1 at s = 0.85; overrun carries half as much backwards. The shape is common practice
without a source. Damping of a spring: c = 2 zeta k / w_n of its own mode.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.simulate.elastic import respond

FloatArray = npt.NDArray[np.float64]

_COUPLING_POINT = 0.85
_STALL_RAD_S = 2000.0 * math.pi / 30.0


def converter_nm(
    pump_rad_s: float, turbine_rad_s: float, stall_nm: float, stall_ratio: float
) -> tuple[float, float]:
    """Torque [N m] that the pump takes from the crank and that the turbine gives to the gearbox.

    `stall_nm` is the pump torque at 2000/min with the turbine standing. Both speeds at least 0, one above it.
    """
    c = stall_nm / _STALL_RAD_S**2
    w1, w2 = pump_rad_s * pump_rad_s, turbine_rad_s * turbine_rad_s
    if turbine_rad_s > pump_rad_s:
        back = -0.5 * c * (w2 - w1 * w1 / w2)
        return back, back
    pump = c * (w1 - w2 * w2 / w1)
    s = turbine_rad_s / pump_rad_s
    if s >= _COUPLING_POINT:
        return pump, pump
    return pump, pump * (1.0 + (stall_ratio - 1.0) * (1.0 - s / _COUPLING_POINT))


def lash_nm(twist_rad: float, rate_rad_s: float, lash_rad: float, k_nm_rad: float, c_nms: float) -> float:
    """Torque [N m] of a spring and damper behind a play of `lash_rad`, half of it either way from no twist."""
    half = 0.5 * lash_rad
    if twist_rad > half:
        return max(k_nm_rad * (twist_rad - half) + c_nms * rate_rad_s, 0.0)
    if twist_rad < -half:
        return min(k_nm_rad * (twist_rad + half) + c_nms * rate_rad_s, 0.0)
    return 0.0


@dataclass
class Path:
    """Springs, inertias [kg m^2] and state of the path; it lives on from stretch to stretch.

    Attributes
    ----------
    damper_nm_rad, damper_nms : float
        k1 [N m/rad], c1 [N m s/rad]; 0 leaves one spring.
    shaft_nm_rad, shaft_nms : float
        k2, c2 of shafts and tyres.
    converter : (float, float) or None
        Pump torque at 2000/min with the turbine standing, and stall torque ratio.
    lash_rad : float
        Play [rad] of the shafts from stop to stop.
    """

    engine_kg_m2: float
    gearbox_kg_m2: float
    vehicle_kg_m2: float
    damper_nm_rad: float
    damper_nms: float
    shaft_nm_rad: float
    shaft_nms: float
    converter: tuple[float, float] | None = None
    lash_rad: float = 0.0
    damper_rad: float = 0.0
    gearbox_rad_s: float = 0.0
    shaft_rad: float = 0.0
    vehicle_rad_s: float = 0.0

    @classmethod
    def of(
        cls, engine_kg_m2: float, gearbox_kg_m2: float, vehicle_kg_m2: float, *,
        natural_hz: float, damping: float, damper_nm_rad: float = 0.0, damper_damping: float = 0.1,
        converter: tuple[float, float] | None = None, lash_rad: float = 0.0,
    ) -> Path:  # fmt: skip
        """Shaft spring from the slow mode, engine and gearbox against vehicle: k = w_n^2 J_reduced."""
        if damper_nm_rad == 0.0 and converter is None:
            gearbox_kg_m2 = 0.0
        front = engine_kg_m2 + gearbox_kg_m2
        reduced = front * vehicle_kg_m2 / (front + vehicle_kg_m2)
        w = 2.0 * math.pi * natural_hz
        k2, c2 = w**2 * reduced, 2.0 * damping * w * reduced
        c1 = 2.0 * damper_damping * math.sqrt(damper_nm_rad * gearbox_kg_m2)
        return cls(engine_kg_m2, gearbox_kg_m2, vehicle_kg_m2, damper_nm_rad, c1, k2, c2, converter, lash_rad)

    def settle(self, torque_nm: float, engine_rad_s: float, vehicle_rad_s: float) -> None:
        """Begin with a steady torque in the springs."""
        self.damper_rad = torque_nm / self.damper_nm_rad if self.damper_nm_rad else 0.0
        self.shaft_rad = torque_nm / self.shaft_nm_rad
        if torque_nm:
            self.shaft_rad += math.copysign(0.5 * self.lash_rad, torque_nm)
        self.vehicle_rad_s = vehicle_rad_s
        self.gearbox_rad_s = engine_rad_s if self.damper_nm_rad and vehicle_rad_s > 0.0 else vehicle_rad_s

    def matrices(self) -> tuple[FloatArray, FloatArray]:
        """A and B of x' = A x + B u, locked; u = (engine torque, vehicle's brake torque).

        x = (damper twist, engine speed, gearbox speed, shaft twist, vehicle speed) with two springs,
        (engine speed, shaft twist, vehicle speed) with one.
        """
        k1, c1, k2, c2 = self.damper_nm_rad, self.damper_nms, self.shaft_nm_rad, self.shaft_nms
        je, jg, jv = self.engine_kg_m2, self.gearbox_kg_m2, self.vehicle_kg_m2
        if k1 == 0.0:
            a = [[-c2 / je, -k2 / je, c2 / je], [1.0, 0.0, -1.0], [c2 / jv, k2 / jv, -c2 / jv]]
            b = [[1.0 / je, 0.0], [0.0, 0.0], [0.0, -1.0 / jv]]
        else:
            a = [
                [0.0, 1.0, -1.0, 0.0, 0.0],
                [-k1 / je, -c1 / je, c1 / je, 0.0, 0.0],
                [k1 / jg, c1 / jg, -(c1 + c2) / jg, -k2 / jg, c2 / jg],
                [0.0, 0.0, 1.0, 0.0, -1.0],
                [0.0, 0.0, c2 / jv, k2 / jv, -c2 / jv],
            ]
            b = [[0.0, 0.0], [1.0 / je, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0, -1.0 / jv]]
        return np.array(a), np.array(b)

    def locked_nm(
        self, engine_nm: FloatArray, brake_nm: FloatArray, engine_rad_s: float, dt_s: float
    ) -> FloatArray:
        """Mean torque [N m] that the path takes from the crank in each cell of dt_s; moves the state on."""
        a, b = self.matrices()
        two = self.damper_nm_rad > 0.0
        state = (self.damper_rad, engine_rad_s, self.gearbox_rad_s, self.shaft_rad, self.vehicle_rad_s)
        x0 = np.array(state if two else (engine_rad_s, self.shaft_rad, self.vehicle_rad_s))
        x = respond(a, b, np.column_stack([engine_nm, brake_nm]), x0, dt_s)
        self.shaft_rad, self.vehicle_rad_s = float(x[-1, -2]), float(x[-1, -1])
        if two:
            self.damper_rad, self.gearbox_rad_s = float(x[-1, 0]), float(x[-1, 2])
            torque = self.damper_nm_rad * x[:, 0] + self.damper_nms * (x[:, 1] - x[:, 2])
        else:
            self.gearbox_rad_s = float(x[-1, 0])
            torque = self.shaft_nm_rad * x[:, 1] + self.shaft_nms * (x[:, 0] - x[:, 2])
        return np.asarray(0.5 * (torque[1:] + torque[:-1]))

    def loose(
        self, work_j: FloatArray, inertia: FloatArray, brake_nm: FloatArray, capacity_nm: FloatArray,
        energy_j: float, step_rad: float, stop_j: float,
    ) -> tuple[FloatArray, FloatArray]:  # fmt: skip
        """Crank energy 1/2 J w^2 [J] at the cell ends and the torque [N m] taken from the crank in each cell.

        `work_j`, `brake_nm`, `capacity_nm` (cells,): gas less friction, the vehicle's brake, capacity of the clutch
        or lock-up clutch (0: open); `inertia` (cells + 1,) of the crank. Ends early where the energy falls
        below `stop_j`.
        """
        k1, c1, k2, c2 = self.damper_nm_rad, self.damper_nms, self.shaft_nm_rad, self.shaft_nms
        jg, jv, sqrt = self.gearbox_kg_m2, self.vehicle_kg_m2, math.sqrt
        twist, wg, shaft, wv = self.damper_rad, self.gearbox_rad_s, self.shaft_rad, self.vehicle_rad_s
        w = sqrt(2.0 * energy_j / float(inertia[0]))
        energy, taken = [energy_j], []
        conv, lash, pump, turbine = self.converter, self.lash_rad, 0.0, 0.0
        rows = zip(
            work_j.tolist(), inertia[1:].tolist(), brake_nm.tolist(), capacity_nm.tolist(), strict=True
        )
        for work, j, brake, cap in rows:
            before = step_rad / w
            if conv is not None:
                pump, turbine = converter_nm(w, wg, *conv)
            if conv is None or cap > 0.0:
                slip = w - wg
                twist += before * slip
                held = k1 * twist + c1 * slip
                if held > cap:
                    held, twist = cap, cap / k1
                elif held < -cap:
                    held, twist = -cap, -cap / k1
                pump, turbine = (held, held) if conv is None else (pump + held, turbine + held)
            else:
                twist = 0.0
            energy_j += work - pump * step_rad
            if energy_j < stop_j:
                break
            energy.append(energy_j)
            taken.append(pump)
            w = sqrt(2.0 * energy_j / j)
            dt = 0.5 * (before + step_rad / w)
            # symplectic: torques from the old twist, twist from the new speeds
            rate = wg - wv
            torque = lash_nm(shaft, rate, lash, k2, c2) if lash else k2 * shaft + c2 * rate
            wg += dt * (turbine - torque) / jg
            wv += dt * (torque - brake) / jv
            if wv < 0.0:
                wv = 0.0
            shaft += dt * (wg - wv)
        self.damper_rad, self.gearbox_rad_s, self.shaft_rad, self.vehicle_rad_s = twist, wg, shaft, wv
        return np.array(energy), np.array(taken)
