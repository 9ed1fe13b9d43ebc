"""How many cylinders a log sounds like: a guard against logs of two different engines.

The crank's speed follows the firings: an engine of n evenly firing cylinders swings at order n/2 and at the
multiples of it. A fault of single cylinders spreads over all half orders, a wheel fault over the whole orders;
neither makes one order stand alone.

Arrays of teeth have shape (edges,), `peaks` one value an order n/2 from n = 2 on, shape (orders,).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from misfire.engine import Engine
from misfire.errors import InputError

FloatArray = npt.NDArray[np.float64]

_ORDERS = np.arange(0.5, 6.51, 0.5)
_COUNTS = (3, 4, 5, 6, 8)
# How far an order has to stand above its neighbours to be the firings', and below which it is not there at
# all. Chosen wide: a log that is only doubtful is never refused.
_STANDS_OUT, _ABSENT, _ALONE = 5.0, 1.5, 3.0
_STEADY, _LEAST_WINDOWS = 0.005, 20


def prominence(time_s: FloatArray, angle_deg: FloatArray, block: npt.NDArray[np.int64]) -> FloatArray | None:
    """How far each half order from 1 to 6 stands above its two neighbours, shape (11,).

    Parameters
    ----------
    time_s : array, shape (turns, teeth)
        Edge times [s], NaN where there is no trusted edge.
    angle_deg : array, shape (teeth,)
        Nominal tooth angles.
    block : array, shape (turns,)
        Runs of turns without a break in the numbering.

    Two turns at a time, a cubic and all half orders fitted together; the slower half of the steady windows,
    where combustion outweighs the inertia of the pistons. None with fewer than 20 steady windows.
    """
    both = np.concatenate([time_s[:-1], time_s[1:]], axis=1)
    both = both[np.isfinite(both).all(axis=1) & (np.diff(block) == 0)]
    if both.shape[0] < _LEAST_WINDOWS:
        return None
    teeth = angle_deg.size
    turn = both[:, teeth:] - both[:, :teeth]
    both = both[np.abs(turn[:, -1] / turn[:, 0] - 1.0) <= _STEADY]
    if both.shape[0] < _LEAST_WINDOWS:
        return None
    span = both[:, -1] - both[:, 0]
    both = both[span >= np.median(span)]
    angle = np.concatenate([angle_deg, angle_deg + 360.0])
    z, x = (angle - angle.mean()) / 360.0, np.radians(angle)
    waves = [f(h * x) for h in _ORDERS for f in (np.cos, np.sin)]
    fit = np.linalg.pinv(np.stack([*(z**k for k in range(4)), *waves], axis=1)) @ both.T
    # angle amplitude times order, in units that cancel in the quotient: the size of the speed's swing
    size = np.median(np.hypot(fit[4::2], fit[5::2]), axis=1) * _ORDERS
    return np.asarray(size[1:-1] / np.sqrt(size[:-2] * size[2:]))


def sounds_like(peaks: FloatArray, cylinders: int) -> int | None:
    """Number of cylinders that the log clearly has instead of `cylinders`; None when nothing speaks against it."""

    def at(n: int) -> float:
        return float(peaks[n - 2])  # order n/2

    if cylinders not in _COUNTS or at(cylinders) >= _ABSENT:
        return None
    other = [n for n in _COUNTS if n % cylinders and cylinders % n]
    if not other:
        return None
    best = max(other, key=at)
    rest = [float(p) for k, p in enumerate(peaks) if (k + 2) % best]
    alone = at(best) >= _STANDS_OUT and at(best) >= _ALONE * max(rest)
    return best if alone else None


def check_cylinders(
    name: str, time_s: FloatArray, angle_deg: FloatArray, block: npt.NDArray[np.int64], engine: Engine
) -> None:
    """Refuse a log that is clearly of an engine with another number of cylinders; arrays as in `prominence`.

    Raises InputError.
    """
    peaks = prominence(time_s, angle_deg, block) if engine.even_firing else None
    other = None if peaks is None else sounds_like(peaks, engine.cylinders)
    if other is not None:
        raise InputError(
            f"{name}: the log sounds like an engine of {other} cylinders, not {engine.cylinders}; only logs "
            "of the same engine can be compared, check --engine and the log"
        )
