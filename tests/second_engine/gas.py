"""Gas and inertia torque of one cylinder for the second engine: first law in closed form, one array a cycle.

Angles in degrees after that cylinder's own firing TDC. Choices that differ from a typical Wiebe model on purpose:
two Wiebe functions (fast burn and a slow tail), wall heat by Hohenberg's correlation in two passes, blowdown and gas
exchange as exponentials, piston pin offset. Pressures in Pa, torque in N m.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

GAMMA = 1.33  # ratio of specific heats of burned mixture, common practice
R_AIR = 287.0
P_EXHAUST, P_CRANKCASE = 1.04e5, 1.0e5
IVC, EVO = -140, 135  # intake valve closes, exhaust valve opens [deg]
DEG = np.pi / 180.0


@dataclass(frozen=True)
class Layout:
    """One engine. `tdc_deg[i]` is the firing TDC of cylinder i + 1, 0..720; inertias in kg m^2; lengths in m."""

    name: str
    order: tuple[int, ...]
    tdc_deg: tuple[float, ...]
    bore: float = 0.086
    stroke: float = 0.086
    rod: float = 0.145
    compression: float = 10.2
    pin_offset: float = 0.0006
    m_rec: float = 0.50
    j_front: float = 0.035
    j_fly: float = 0.12
    torsion_hz: float = 340.0

    @property
    def swept(self) -> float:
        """Swept volume of one cylinder [m^3]."""
        return float(np.pi / 4 * self.bore**2 * self.stroke)


def even(name: str, order: tuple[int, ...], **more: float) -> Layout:
    """A layout with equal firing intervals."""
    tdc = [0.0] * len(order)
    for place, cylinder in enumerate(order):
        tdc[cylinder - 1] = place * 720.0 / len(order)
    return Layout(name, order, tuple(tdc), **more)


LAYOUTS = {
    one.name: one
    for one in (
        even("single", (1,), j_fly=0.30, j_front=0.01, torsion_hz=500.0),
        even("inline3", (1, 3, 2), bore=0.074, stroke=0.080, j_front=0.025, j_fly=0.11),
        even("inline4", (1, 3, 4, 2)),
        even("inline5", (1, 2, 4, 5, 3), j_front=0.05, torsion_hz=300.0),
        even("inline6", (1, 5, 3, 6, 2, 4), j_front=0.06, j_fly=0.14, torsion_hz=270.0),
        even("boxer4", (1, 3, 2, 4), bore=0.094, stroke=0.079, torsion_hz=420.0),
        even("v6", (1, 2, 3, 4, 5, 6), j_front=0.05, j_fly=0.13, torsion_hz=380.0),
        Layout("v6_oddfire", (1, 2, 3, 4, 5, 6), (0.0, 90.0, 240.0, 330.0, 480.0, 570.0), j_fly=0.18),
        even(
            "v8",
            (1, 8, 4, 3, 6, 5, 7, 2),
            bore=0.096,
            stroke=0.092,
            j_front=0.07,
            j_fly=0.20,
            torsion_hz=300.0,
        ),
    )
}


@dataclass
class Cylinder:
    """Tables over -360..359 deg after firing TDC in 1 deg steps, and the torque of a cycle."""

    layout: Layout
    volume: np.ndarray = field(init=False)  # [m^3]
    lever: np.ndarray = field(init=False)  # dV/dtheta [m^3/rad]; torque = (p - p_crankcase) * lever
    j: np.ndarray = field(init=False)  # reciprocating part of the inertia [kg m^2]
    half_dj: np.ndarray = field(init=False)  # 1/2 dJ/dtheta [kg m^2/rad]

    def __post_init__(self) -> None:
        lay = self.layout
        area, r = np.pi / 4 * lay.bore**2, lay.stroke / 2
        fine = np.arange(-3600, 3601) * 0.1 * DEG

        def height(angle: np.ndarray) -> np.ndarray:
            return r * np.cos(angle) + np.sqrt(lay.rod**2 - (r * np.sin(angle) - lay.pin_offset) ** 2)

        drop = height(fine).max() - height(fine)
        grid = np.arange(-360, 360) * DEG
        slope = np.gradient(drop, fine)
        self.volume = lay.swept / (lay.compression - 1) + area * np.interp(grid, fine, drop)
        self.lever = area * np.interp(grid, fine, slope)
        j_fine = lay.m_rec * slope**2
        self.j = np.interp(grid, fine, j_fine)
        self.half_dj = 0.5 * np.interp(grid, fine, np.gradient(j_fine, fine))
        closed = slice(360 + IVC, 360 + EVO + 1)
        self._v = self.volume[closed]
        self._dv = np.gradient(self._v)
        self._vg1, self._vg = self._v ** (GAMMA - 1), self._v**GAMMA
        self._angle = np.arange(IVC, EVO + 1, dtype=float)
        self._area = 2 * area + 4 * (self._v - self._v.min()) / lay.bore + np.pi * lay.bore * 0.01
        self._wall = 130 * self._v**-0.06  # Hohenberg 1979, from memory; pressure in bar

    def _heat_loss(self, p: np.ndarray, mass: float, w: float) -> np.ndarray:
        """Heat to the wall in each degree [J] for a pressure trace."""
        temperature = p * self._v / (mass * R_AIR)
        speed = self.layout.stroke * w / np.pi + 1.4
        h = self._wall * (p * 1e-5) ** 0.8 * temperature**-0.4 * speed**0.8
        return h * self._area * np.maximum(temperature - 430.0, -60.0) * DEG / w

    def _closed(self, p0: float, heat: np.ndarray) -> np.ndarray:
        """Pressure from intake valve closing to exhaust valve opening: d(p V^g) = (g - 1) V^(g-1) dQ."""
        gained = np.cumsum((GAMMA - 1) * self._vg1 * heat)
        return np.maximum((p0 * self._vg[0] + gained) / self._vg, 2e3)

    def cycle(
        self, p_map: float, w: float, fuel: float, start: float, duration: float
    ) -> tuple[np.ndarray, float]:
        """Torque over -180..539 deg [N m] and the combustion work [J].

        `fuel` 1 = stoichiometric charge burned, 0 = nothing burns; `start` [deg], `duration` of the fast burn [deg].
        """
        mass = p_map * self._v[0] / (R_AIR * 340.0)
        motored = self._closed(p_map, -self._heat_loss(self._closed(p_map, np.zeros_like(self._v)), mass, w))
        p, work = motored, 0.0
        if fuel > 0:
            x = np.maximum(self._angle - start, 0.0)
            burned = 0.85 * (1 - np.exp(-5 * (x / duration) ** 3))
            burned += 0.15 * (1 - np.exp(-5 * (x / (1.9 * duration)) ** 2.5))
            fresh = max(0.2, 1 - 0.11 * P_EXHAUST / p_map)  # the rest is residual gas
            released = fuel * fresh * mass / 14.6 * 43e6 * 0.96 * np.diff(burned, prepend=0.0)
            p = self._closed(p_map, released - self._heat_loss(self._closed(p_map, released), mass, w))
            work = float(np.sum((p - motored) * self._dv))
        whole = np.empty(720)
        whole[: IVC + 180] = p_map
        whole[IVC + 180 : EVO + 181] = p
        out = np.arange(EVO + 1, 360)
        whole[EVO + 181 : 540] = P_EXHAUST + (p[-1] - P_EXHAUST) * np.exp(-(out - EVO) / 22.0)
        induct = np.arange(0, 180)
        whole[540:] = p_map + (P_EXHAUST - p_map) * np.exp(-induct / 18.0)
        lever = np.concatenate([self.lever[180:], self.lever[:180]])
        return (whole - P_CRANKCASE) * lever, work
