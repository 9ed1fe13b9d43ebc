"""Generic shapes of gas work: what one combustion and one compression do to the crank's speed energy.

The shapes serve as templates, never as a model of the engine under test: combustion torque lives within
about 140 deg after TDC, compression work is taken before TDC and given back after it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from misfire.engine import FloatArray

_STEP_DEG = 0.5


@dataclass(frozen=True)
class GasShape:
    """Work shapes of one cylinder over -360..360 deg about its firing TDC.

    Parameters
    ----------
    compression_ratio : float
    rod_ratio : float
        Crank radius over rod length.
    burn_start_deg, burn_length_deg : float
        Wiebe burn, a = 5, m = 2 (form: science of combustion, common practice).
    exhaust_opens_deg : float
        The combustion's work is taken as complete here.
    """

    compression_ratio: float = 10.0
    rod_ratio: float = 0.3
    burn_start_deg: float = -15.0
    burn_length_deg: float = 55.0
    exhaust_opens_deg: float = 140.0
    exponent: float = 1.32

    @cached_property
    def grid_deg(self) -> FloatArray:
        """Angles [deg] about firing TDC, -360..360 in steps of 0.5."""
        return np.arange(-360.0, 360.0 + _STEP_DEG, _STEP_DEG)

    @cached_property
    def _volume(self) -> FloatArray:
        a = np.radians(self.grid_deg)
        lam = self.rod_ratio
        s = 1 - np.cos(a) + (1 - np.sqrt(1 - (lam * np.sin(a)) ** 2)) / lam  # 0..2
        return s / 2 + 1 / (self.compression_ratio - 1)

    @cached_property
    def combustion(self) -> FloatArray:
        """Share of the combustion work done up to each grid angle, 0 before, 1 after; shape (grid,)."""
        a, v = self.grid_deg, self._volume
        burned = 1 - np.exp(-5 * np.clip((a - self.burn_start_deg) / self.burn_length_deg, 0, None) ** 3)
        # extra pressure over the motored one obeys d(p V^g) = (g - 1) dQ V^(g-1)
        heat = np.diff(burned, prepend=0.0) * v ** (self.exponent - 1)
        extra = np.cumsum(heat) / v**self.exponent
        extra[a > self.exhaust_opens_deg] = 0.0
        work = np.cumsum(extra * np.gradient(v))
        return np.asarray(work / work[-1], dtype=float)

    @cached_property
    def compression(self) -> FloatArray:
        """Speed energy taken out by compression and given back, 0 at both ends, -1 at TDC; shape (grid,)."""
        a, v = self.grid_deg, self._volume
        p = v**-self.exponent * v.max() ** self.exponent - 1.0
        p[(a < -180) | (a > 180)] = 0.0
        work = np.cumsum(p * np.gradient(v))
        work -= np.interp(-180.0, a, work)
        work[a > 180] = 0.0
        return np.asarray(-np.abs(work) / np.abs(work).max(), dtype=float)

    @cached_property
    def _step_sum(self) -> FloatArray:
        return np.asarray(np.cumsum(self.combustion) * _STEP_DEG, dtype=float)

    @cached_property
    def _dip_sum(self) -> FloatArray:
        return np.asarray(np.cumsum(self.compression) * _STEP_DEG, dtype=float)

    def step(self, angle_deg: FloatArray) -> FloatArray:
        """Combustion share at angles [deg] about TDC, any shape; 0 before, 1 after the shape's range."""
        return np.interp(angle_deg, self.grid_deg, self.combustion)

    def step_integral(self, angle_deg: FloatArray) -> FloatArray:
        """Integral of `step` over the angle [deg], continued linearly behind the shape's range."""
        inside = np.interp(angle_deg, self.grid_deg, self._step_sum)
        return np.asarray(inside + np.clip(angle_deg - self.grid_deg[-1], 0, None), dtype=float)

    def dip_integral(self, angle_deg: FloatArray) -> FloatArray:
        """Integral of `compression` over the angle [deg]; constant outside the shape's range."""
        return np.interp(angle_deg, self.grid_deg, self._dip_sum)

    def inertia_integral(self, angle_deg: FloatArray) -> FloatArray:
        """Integral over the angle [deg] of the speed-energy ripple of one reciprocating mass.

        With J(th) = J0 + m (ds/dth)^2 and constant energy, w^2/2 ripples with -(ds/dth)^2; mean taken out.
        """
        a = np.radians(np.arange(-360.0, 1080.0 + _STEP_DEG, _STEP_DEG))
        lam = self.rod_ratio
        ds = np.sin(a) + lam * np.sin(a) * np.cos(a) / np.sqrt(1 - (lam * np.sin(a)) ** 2)
        ripple = -(ds**2)
        ripple -= ripple[: round(360 / _STEP_DEG)].mean()
        total = np.cumsum(ripple) * _STEP_DEG
        return np.interp((angle_deg + 360.0) % 360.0, np.degrees(a), total)


def late_burn(shape: GasShape) -> GasShape:
    """The same engine with a slow and late burn: 50 % burned about 26 deg after TDC instead of 13."""
    return replace(shape, burn_start_deg=-10.0, burn_length_deg=70.0)
