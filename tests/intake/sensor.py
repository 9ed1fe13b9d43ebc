"""A simple crank sensor with known edges: wheel of 60 positions with two missing, any speed profile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TEETH, MISSING = 58, 2
PITCH_DEG = 6.0


@dataclass(frozen=True)
class Crank:
    """Speed profile [rpm at t] integrated finely; tooth times are exact to the interpolation below 1e-9 s."""

    rpm_from: float = 3000.0
    rpm_to: float = 3000.0
    ripple: float = 0.02
    duration_s: float = 1.0
    positions: int = 60
    missing: int = 2

    def angle_deg(self, t: np.ndarray) -> np.ndarray:
        """Crank angle [deg]: a linear speed change plus a ripple of two waves a turn, in closed form."""
        k = (self.rpm_to - self.rpm_from) / self.duration_s
        base = 6.0 * (self.rpm_from * t + 0.5 * k * t * t)
        return base + self.ripple * 180 / np.pi * 0.5 * np.sin(np.deg2rad(2 * base))

    def tooth_angles_deg(self) -> np.ndarray:
        end = float(self.angle_deg(np.array(self.duration_s)))
        pitch = 360.0 / self.positions
        k = np.arange(int(end // pitch))
        return (k[k % self.positions < self.positions - self.missing] + 0.5) * pitch

    def tooth_s(self) -> np.ndarray:
        """Times [s] of the tooth centres, by Newton's rule on the closed form."""
        grid = np.linspace(0, self.duration_s, 400_001)
        angle = self.angle_deg(grid)
        want = self.tooth_angles_deg()
        want = want[want < angle[-1]]
        t = np.interp(want, angle, grid)
        for _ in range(3):
            h = 1e-7
            slope = (self.angle_deg(t + h) - self.angle_deg(t - h)) / (2 * h)
            t = t - (self.angle_deg(t) - want) / slope
        return t

    def deg_per_s(self, t: np.ndarray) -> np.ndarray:
        h = 1e-6
        return (self.angle_deg(t + h) - self.angle_deg(t - h)) / (2 * h)

    def reluctance_v(self, t: np.ndarray, *, volts: float = 5.0) -> np.ndarray:
        """A variable-reluctance pickup: the rate of change of a bell-shaped flux under each tooth.

        `volts` at 3000 rpm; it grows with speed. The signal falls steeply through zero at a tooth's centre.
        """
        pitch = 360.0 / self.positions
        angle = self.angle_deg(t) % 360.0
        rate = self.deg_per_s(t)
        v = np.zeros_like(t)
        width = 0.28 * pitch
        nearest = np.floor(angle / pitch)
        for shift in (-2, -1, 0, 1, 2):
            k = nearest + shift
            has = np.mod(k, self.positions) < self.positions - self.missing
            u = (angle - (k + 0.5) * pitch) / width
            v += np.where(has, -u * np.exp(-0.5 * u * u), 0.0)
        return v / 0.607 * volts * rate / 18000.0

    def hall_v(self, t: np.ndarray, *, duty: float = 0.4) -> np.ndarray:
        """A digital sensor: 5 V over the first `duty` of a pitch from the tooth's centre on."""
        pitch = 360.0 / self.positions
        angle = (self.angle_deg(t) - 0.5 * pitch) % 360.0
        k = np.floor(angle / pitch)
        return np.where((k < self.positions - self.missing) & (angle / pitch - k < duty), 5.0, 0.0)


def match(found_s: np.ndarray, true_s: np.ndarray, tolerance_s: float) -> tuple[int, int, np.ndarray]:
    """Edges lost, edges extra, and errors [s] of those that match within the tolerance."""
    at = np.clip(np.searchsorted(found_s, true_s), 1, max(found_s.size - 1, 1))
    near = np.where(np.abs(found_s[at - 1] - true_s) < np.abs(found_s[at] - true_s), at - 1, at)
    error = found_s[near] - true_s
    ok = np.abs(error) < tolerance_s
    return int((~ok).sum()), int(found_s.size - np.unique(near[ok]).size), error[ok]
