"""Slider-crank, gas volume, inertia and friction of one cylinder, in closed form.

Angle convention: crank angle [rad] from top dead centre (TDC), growing in the direction of rotation.
Piston travel s is measured from TDC towards the crank. Equations are exact kinematics (any textbook on
the theory of machines), not the two-term approximation unless a name says so.

Angles and what follows from them are numbers or arrays of any shape; the result has the same shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

WIEBE_A = 5.0
WIEBE_M = 2.0


@dataclass(frozen=True, kw_only=True)
class Crank:
    """One slider-crank: throw and rod length [m], gudgeon pin offset taken as zero."""

    radius_m: float
    rod_m: float

    @property
    def ratio(self) -> float:
        """Throw over rod length."""
        return self.radius_m / self.rod_m

    def travel_m(self, angle_rad: FloatArray | float) -> FloatArray:
        """Piston travel [m] from TDC: s = r (1 - cos a) + l (1 - sqrt(1 - (lam sin a)^2))."""
        a = np.asarray(angle_rad, dtype=float)
        root = np.sqrt(1.0 - (self.ratio * np.sin(a)) ** 2)
        return np.asarray(self.radius_m * (1.0 - np.cos(a)) + self.rod_m * (1.0 - root))

    def travel_slope_m(self, angle_rad: FloatArray | float) -> FloatArray:
        """ds/da [m/rad] = r sin a (1 + lam cos a / sqrt(1 - (lam sin a)^2))."""
        a = np.asarray(angle_rad, dtype=float)
        root = np.sqrt(1.0 - (self.ratio * np.sin(a)) ** 2)
        return np.asarray(self.radius_m * np.sin(a) * (1.0 + self.ratio * np.cos(a) / root))

    def travel_curve_m(self, angle_rad: FloatArray | float) -> FloatArray:
        """d2s/da2 [m/rad^2], so that the piston acceleration at constant speed w is w^2 times it."""
        a = np.asarray(angle_rad, dtype=float)
        lam = self.ratio
        sin, cos = np.sin(a), np.cos(a)
        root = np.sqrt(1.0 - (lam * sin) ** 2)
        bend = lam * (cos**2 - sin**2) / root + lam**3 * sin**2 * cos**2 / root**3
        return np.asarray(self.radius_m * (cos + bend))

    def two_term_slope_m(self, angle_rad: FloatArray | float) -> FloatArray:
        """ds/da [m/rad] as books print it, r (sin a + lam/2 sin 2a): first order in lam = throw over rod."""
        a = np.asarray(angle_rad, dtype=float)
        return np.asarray(self.radius_m * (np.sin(a) + 0.5 * self.ratio * np.sin(2.0 * a)))

    def two_term_curve_m(self, angle_rad: FloatArray | float) -> FloatArray:
        """d2s/da2 [m/rad^2] as books print it, r (cos a + lam cos 2a)."""
        a = np.asarray(angle_rad, dtype=float)
        return np.asarray(self.radius_m * (np.cos(a) + self.ratio * np.cos(2.0 * a)))

    def rod_angle_rad(self, angle_rad: FloatArray | float) -> FloatArray:
        """Angle [rad] of the rod to the cylinder axis: sin b = lam sin a."""
        return np.asarray(np.arcsin(self.ratio * np.sin(angle_rad)))

    def rod_speed_rad(self, angle_rad: FloatArray | float) -> FloatArray:
        """db/da [-]: angular speed of the rod over that of the crank."""
        b = self.rod_angle_rad(angle_rad)
        return np.asarray(self.ratio * np.cos(angle_rad) / np.cos(b))

    def rod_acceleration_rad(self, angle_rad: FloatArray | float) -> FloatArray:
        """d2b/da2 [1/rad]: angular acceleration of the rod at constant crank speed w is w^2 times it."""
        b = self.rod_angle_rad(angle_rad)
        slope = self.rod_speed_rad(angle_rad)
        return np.asarray((np.sin(b) * slope**2 - self.ratio * np.sin(angle_rad)) / np.cos(b))


def zero_acceleration_two_term_deg(ratio: float) -> float:
    """Crank angle [deg] of zero piston acceleration by cos a + lam cos 2a = 0."""
    # 2 lam c^2 + c - lam = 0
    c = (-1.0 + np.sqrt(1.0 + 8.0 * ratio**2)) / (4.0 * ratio)
    return float(np.degrees(np.arccos(c)))


@dataclass(frozen=True, kw_only=True)
class Cylinder:
    """Bore, stroke, rod [m] and compression ratio of one cylinder."""

    bore_m: float
    stroke_m: float
    rod_m: float
    compression_ratio: float

    @property
    def crank(self) -> Crank:
        """The slider-crank of this cylinder."""
        return Crank(radius_m=self.stroke_m / 2.0, rod_m=self.rod_m)

    @property
    def area_m2(self) -> float:
        """Piston area [m^2]."""
        return float(np.pi / 4.0 * self.bore_m**2)

    @property
    def displacement_m3(self) -> float:
        """Swept volume [m^3]."""
        return self.area_m2 * self.stroke_m

    @property
    def clearance_m3(self) -> float:
        """Volume [m^3] at TDC."""
        return self.displacement_m3 / (self.compression_ratio - 1.0)

    def volume_m3(self, angle_deg: FloatArray | float) -> FloatArray:
        """Gas volume [m^3] at a crank angle [deg] from TDC."""
        return np.asarray(self.clearance_m3 + self.area_m2 * self.crank.travel_m(np.radians(angle_deg)))


def piston_torque_nm(crank: Crank, force_n: FloatArray | float, angle_rad: FloatArray | float) -> FloatArray:
    """Crank torque [N m] of a force [N] along the cylinder axis, towards the crank: T = F ds/da."""
    return np.asarray(force_n * crank.travel_slope_m(angle_rad))


def inertia_torque_nm(
    crank: Crank, mass_kg: float, speed_rad_s: float, angle_rad: FloatArray | float
) -> FloatArray:
    """Torque [N m] of a reciprocating mass at constant speed: T = -m w^2 s' s''."""
    slope = crank.travel_slope_m(angle_rad)
    return np.asarray(-mass_kg * speed_rad_s**2 * slope * crank.travel_curve_m(angle_rad))


def inertia_kg_m2(
    crank: Crank, rotating_kg_m2: float, mass_kg: float, crank_deg: FloatArray, tdc_deg: FloatArray
) -> FloatArray:
    """Inertia [kg m^2] seen at the crank: J(th) = J0 + m sum (ds/dth)^2.

    `crank_deg` has shape (points,); `tdc_deg` lists the TDC [deg] of each cylinder.
    """
    total = np.full(np.shape(crank_deg), rotating_kg_m2, dtype=float)
    for tdc in np.asarray(tdc_deg, dtype=float):
        total += mass_kg * crank.travel_slope_m(np.radians(crank_deg - tdc)) ** 2
    return total


def friction_mep_bar(speed_rpm: FloatArray | float) -> FloatArray:
    """Motored friction mean effective pressure [bar]: 0.97 + 0.15 N + 0.05 N^2, N in 1000/min.

    The form is attributed to Heywood, Internal Combustion Engine Fundamentals (from memory).
    """
    n = np.asarray(speed_rpm, dtype=float) / 1000.0
    return np.asarray(0.97 + 0.15 * n + 0.05 * n * n)


def cycle_torque_nm(work_j: FloatArray | float) -> FloatArray:
    """Mean torque [N m] of a work [J] done once a four-stroke cycle: T = W / 4 pi; of a mep, W = mep * V."""
    return np.asarray(np.asarray(work_j, dtype=float) / (4.0 * np.pi))


def energy_fluctuation_j(angle_rad: FloatArray, torque_nm: FloatArray) -> float:
    """Fluctuation of energy [J]: highest less lowest of the integral of T - mean T over one period.

    `angle_rad` rises over the whole period, both ends included; trapezoid. Any text on flywheels.
    """
    step = np.diff(angle_rad)
    cell = 0.5 * (torque_nm[1:] + torque_nm[:-1]) * step
    mean = cell.sum() / (angle_rad[-1] - angle_rad[0])
    return float(np.ptp(np.concatenate([[0.0], np.cumsum(cell - mean * step)])))


def flywheel_kg_m2(fluctuation_j: float, speed_rpm: float, coefficient: float) -> float:
    """Inertia [kg m^2] that holds the speed within `coefficient` = (w_max - w_min)/w: I = dE / (c w^2)."""
    return float(fluctuation_j / (coefficient * (speed_rpm * np.pi / 30.0) ** 2))


def roughness_1_s2(segment_s: FloatArray) -> FloatArray:
    """Segment roughness (T[n+1] - T[n]) / T[n]^3 [1/s^2], shape one less than `segment_s`.

    Times -Dth, the segment's angle, it is an angular acceleration [rad/s^2]: SAE 930399, 1993 (from memory).
    """
    return np.asarray(np.diff(segment_s) / segment_s[:-1] ** 3)


def wiebe(progress: FloatArray | float, a: float = WIEBE_A, m: float = WIEBE_M) -> FloatArray:
    """Burned fraction at `progress` = (angle - start)/duration: 1 - exp(-a progress^(m+1)), 0 before."""
    x = np.maximum(np.asarray(progress, dtype=float), 0.0)
    return np.asarray(-np.expm1(-a * x ** (m + 1.0)))


def wiebe_progress(fraction: float, a: float = WIEBE_A, m: float = WIEBE_M) -> float:
    """Inverse of `wiebe`, share of the duration after which `fraction` has burned; constants `a` and `m` of the form."""
    return float((-np.log1p(-fraction) / a) ** (1.0 / (m + 1.0)))
