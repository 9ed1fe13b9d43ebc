"""How far the ripple may overstate the normal work, by the length of the crank."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CrankLength:
    """Engines of up to `cylinders`; every number is our choice, no source.

    The more cylinders, the higher the order that is left of the work's shape, and the more it hangs on the burn; and
    the crank's torsion swells it: 1 / (1 - (f / f0)^2) [derived], near the mode and beyond it anything (300 Hz on a V8:
    by 1.7 at 2900 rpm).

    Attributes
    ----------
    cylinders : int
    shape : float
        What the burn's shape alone may overstate by, a factor.
    mode_hz : float
        The lowest torsional mode f0 that is reckoned with [Hz].
    dead_from : float
        Steady lost work beyond which a cylinder may be dead and not weak.
    """

    cylinders: int
    shape: float
    mode_hz: float
    dead_from: float

    def swollen(self, rpm: float, cylinders: int) -> float:
        """Most by which the ripple at the firing frequency of so many cylinders overstates the normal work, a factor."""
        ratio = cylinders / 2 * rpm / 60.0 / self.mode_hz
        return self.shape / (1 - ratio**2) if ratio < 0.8 else 3.0


LENGTHS = (
    CrankLength(4, 1.1, 500.0, 0.6),
    CrankLength(5, 1.3, 350.0, 0.6),
    CrankLength(6, 1.3, 350.0, 0.5),
    CrankLength(7, 1.3, 350.0, 0.42),
    CrankLength(99, 1.6, 300.0, 0.42),
)


def crank_length(cylinders: int) -> CrankLength:
    """The row of an engine with so many cylinders."""
    return next((row for row in LENGTHS if cylinders <= row.cylinders), LENGTHS[-1])
