"""A compression leak: how much of the charge is still in the cylinder, and what that does to the pressure.

A hole of fixed area to the crankcase, choked throughout [derived from the mass flow of a choked orifice, any text on
gas dynamics]: dm/dt = -C p / sqrt(T). With p V = m R T the pressure drops out,

    dm/m = -k sqrt(T/T0) (V0/V) dphi,     k ~ 1/speed,     T/T0 = (V0 m / (V m0))^(n - 1)

0 = inlet valve closing; what stays behind expands along the same polytrope. This integrates in closed form,
(m/m0)^-e = 1 + e k I, I = integral (V0/V)^(1 + e) dphi, e = (n - 1)/2, in one piece before TDC and one after. So the
share of mass kept depends on speed alone and the work stays linear in manifold pressure and heat. Pressure is that of
the mass left, p (V/m)^n = const; fuel is lost with the charge; the higher temperature of burning gas, which
would push more out, is not in k. Below about twice the crankcase pressure a real hole is not choked and loses less: the
compression peak falls by 0.61 in place of 0.63 (95 kPa, 200/min) but by 0.11 in place of 0.21 (35 kPa, 1000/min, a share of 0.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from misfire.simulate.mechanics import Cylinder

if TYPE_CHECKING:
    from misfire.simulate.gas import GasModel

FloatArray = npt.NDArray[np.float64]

REFERENCE_RPM = 1000.0
_STEP_DEG = 0.1


@dataclass(frozen=True)
class Leak:
    """A leak of one cylinder: `share` [-] of the charge is lost from inlet closing to exhaust opening at 1000/min."""

    gas: GasModel
    cylinder: Cylinder
    share: float

    @cached_property
    def _integrals(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Angles [deg] from inlet closing to exhaust opening, and I [deg] before and after TDC."""
        g = self.gas
        count = round((g.exhaust_opens_deg - g.inlet_closes_deg) / _STEP_DEG)
        phi = np.linspace(g.inlet_closes_deg, g.exhaust_opens_deg, count + 1)
        mid, step = 0.5 * (phi[1:] + phi[:-1]), np.diff(phi)
        v, v0 = self.cylinder.volume_m3(mid), float(self.cylinder.volume_m3(g.inlet_closes_deg))
        up = np.where(mid <= 0.0, (v0 / v) ** (0.5 * (g.compression_exponent + 1.0)), 0.0)
        down = (v0 / v) * (self.cylinder.clearance_m3 / v) ** (0.5 * (g.expansion_exponent - 1.0))
        sums = [np.concatenate([[0.0], np.cumsum(x * step)]) for x in (up, np.where(mid > 0.0, down, 0.0))]
        return phi, sums[0], sums[1]

    def _parts(self, rate: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mass kept until TDC and, after it, of that; shape (rates, angles); `rate` is k [1/deg]."""
        g = self.gas
        _, up, down = self._integrals
        e, e2 = 0.5 * (g.compression_exponent - 1.0), 0.5 * (g.expansion_exponent - 1.0)
        before = (1.0 + e * rate[:, None] * up) ** (-1.0 / e)
        v0 = float(self.cylinder.volume_m3(g.inlet_closes_deg))
        hot = (v0 / self.cylinder.clearance_m3 * before[:, -1:]) ** e
        return before, (1.0 + e2 * rate[:, None] * hot * down) ** (-1.0 / e2)

    @cached_property
    def rate_per_deg(self) -> float:
        """k [1/deg] at the reference speed."""
        from scipy.optimize import brentq

        def short(log_rate: float) -> float:
            before, after = self._parts(np.array([np.exp(log_rate)]))
            return float(before[0, -1] * after[0, -1]) - (1.0 - self.share)

        return float(np.exp(brentq(short, -25.0, 5.0, xtol=1e-12)))

    def kept(self, phi_deg: FloatArray, rpm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mass over that at inlet closing [-], and motored pressure over that without a leak [-].

        Angles `phi_deg` [deg] from firing TDC, shape (angles,), speeds `rpm` [1/min], shape (events,); both results
        have shape (events, angles), 1 before inlet closing and level after exhaust opening.
        """
        g = self.gas
        grid = self._integrals[0]
        before, after = self._parts(self.rate_per_deg * REFERENCE_RPM / rpm)
        force = before**g.compression_exponent * after**g.expansion_exponent
        mass = before * after
        return (
            np.array([np.interp(phi_deg, grid, row) for row in mass]),
            np.array([np.interp(phi_deg, grid, row) for row in force]),
        )
