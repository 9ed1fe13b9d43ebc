"""Circular test: are angles spread evenly over the places where they can occur?

Rayleigh's test (Mardia & Jupp, Directional Statistics, 2000, sec. 6.3; Fisher, Statistical Analysis of Circular Data,
1993, sec. 4.3; both from memory; checked against a reference library in the tests). An edge can be lost only
where the wheel has a tooth, so the mean vector is compared with the mean and covariance of the places
allowed, which for evenly spread places is the plain test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.engine import FloatArray


@dataclass(frozen=True)
class Tied:
    """Outcome of the test at one period.

    Attributes
    ----------
    n : int
    length : float
        Mean resultant length, 0 (even) to 1 (all at one angle), beyond what the places alone give.
    at_deg : float
        Mean angle [deg, 0..period).
    p : float
        Chance of so much under an even spread.
    """

    n: int
    length: float
    at_deg: float
    p: float


def rayleigh(angle_deg: FloatArray, period_deg: float, places_deg: FloatArray | None = None) -> Tied:
    """Test angles [deg] for one preferred direction in a period of `period_deg`.

    Parameters
    ----------
    angle_deg : array, shape (n,)
    places_deg : array or None
        Angles [deg] at which the thing can occur, each as likely as the other; None: anywhere.
    """
    n = angle_deg.size
    if n < 2:
        return Tied(n, 0.0, 0.0, 1.0)
    u = _vectors(angle_deg, period_deg).mean(axis=0)
    half = np.array([0.5, 0.5])
    lean = np.zeros(2)
    turn = np.eye(2)
    if places_deg is not None and places_deg.size > 2:
        v = _vectors(places_deg, period_deg)
        lean = v.mean(axis=0)
        half, turn = np.linalg.eigh(np.cov(v.T, bias=True))
        if half[0] < 0.05:  # the places are too few for this period: nothing can be told
            return Tied(n, 0.0, 0.0, 1.0)
    off = turn.T @ (u - lean)
    z = float(n * np.sum(off**2 / half) / 2)
    length = float(np.hypot(*(u - lean)))
    at = float(np.degrees(np.arctan2(u[1], u[0]))) % 360.0 * period_deg / 360.0
    return Tied(n, min(length, 1.0), at, rayleigh_p(n, z))


def rayleigh_p(n: int, z: float) -> float:
    """Chance of n R^2 >= `z` (a ratio, 0 to n) under evenness; exact to second order in 1/n (Zar's approximation, from memory)."""
    z = min(max(z, 0.0), float(n))
    return float(min(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - n * z)) - (1 + 2 * n)), 1.0))


def _vectors(angle_deg: FloatArray, period_deg: float) -> FloatArray:
    a = 2 * np.pi * angle_deg / period_deg
    return np.column_stack([np.cos(a), np.sin(a)])
