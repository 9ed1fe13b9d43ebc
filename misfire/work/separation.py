"""How far apart firing and missing events can lie: d' from clock, jitter, neighbours, motion and combustion."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from misfire.engine import FloatArray


def predicted_separation(
    normal: npt.ArrayLike, energy_sd: npt.ArrayLike, cov: npt.ArrayLike = 0.0, pattern_sd: npt.ArrayLike = 0.0
) -> FloatArray:
    """d' to expect: normal work over the scatter of a healthy event; shapes broadcast.

        d' = W / sqrt(s^2 + (COV W)^2 + p^2),   at most 1 / COV   [derived]

    Parameters
    ----------
    normal : array
        Combustion energy W [rad^2/s^2] of a normal firing.
    energy_sd : array
        `Events.energy_sd` [rad^2/s^2]: clock and jitter, neighbours' work, driveline and driver.
    cov : array
        Scatter of the combustion itself, standard deviation over mean; 0.01 (full load) to 0.1 (idle).
    pattern_sd : array
        What is left of the tooth errors, as energy [rad^2/s^2]. It is fixed by place: it counts where places
        are held against each other, not where an event is held against others at its own place.
    """
    w = np.asarray(normal, dtype=float)
    scatter = np.asarray(energy_sd, dtype=float) ** 2 + (np.asarray(cov, dtype=float) * w) ** 2
    scatter = scatter + np.asarray(pattern_sd, dtype=float) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(w / np.sqrt(scatter), dtype=float)


def needed_separation(false_alarm: float, miss: float) -> float:
    """Least d' of two normal populations for given chances of a false alarm and of a miss (`false_alarm`, `miss`, 0..1), each per event.

    Sum of the two normal quantiles [derived].
    """
    from scipy.special import ndtri

    return float(-ndtri(false_alarm) - ndtri(miss))
