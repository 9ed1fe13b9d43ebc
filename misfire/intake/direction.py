"""Pulses that carry the direction: one pulse a tooth of fixed length, longer when the crank runs backward.

Edge times [s] have shape (edges,), what belongs to a pulse shape (pulses,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.intake.recording import FloatArray

LONGER = (1.5, 4.0)  # length of a backward pulse over a forward one; 2 is common (common practice, no source)
ALIKE = 0.12  # pulses of one kind differ in length by less than this share
LOOK = 4000


@dataclass(frozen=True)
class Pulses:
    """Teeth of a direction-coded log: begin and length [s] of each pulse, and whether the crank ran backward."""

    begin_s: FloatArray
    width_s: FloatArray
    backward: npt.NDArray[np.bool_]

    @property
    def onward(self) -> npt.NDArray[np.bool_]:
        """Pulses of teeth that pass for the first time: not backward, nor once more after a backward run."""
        place = np.cumsum(np.where(self.backward, -1, 1))
        best = np.maximum.accumulate(np.concatenate(([0], place[:-1])))
        return np.asarray(place > best)


def direction_pulses(t: FloatArray) -> Pulses | None:
    """The pulses when edges `t` [s] of both polarities are direction-coded pulses; None otherwise.

    Told from teeth by their length, which keeps in time while the pitch changes with speed, or comes in two values.
    """
    for first in (0, 1):
        begin, end = t[first::2], t[first + 1 :: 2]
        n = min(begin.size, end.size)
        if n < 20:
            return None
        # a look at some of them first; most logs hold one edge per tooth
        some = np.arange(0, n - 1, max(1, n // LOOK))
        usual = float(np.median(end[some] - begin[some]))
        if usual > 0.45 * float(np.median(begin[some + 1] - end[some])):
            continue
        begin, width = begin[:n], end[:n] - begin[:n]
        plain = np.abs(width - usual) < ALIKE * usual
        longer = (width > LONGER[0] * usual) & (width < LONGER[1] * usual)
        if np.mean(plain | longer) < 0.98 or np.mean(plain) < 0.7:
            continue
        if longer.any():
            again = float(np.median(width[longer]))
            if np.mean(np.abs(width[longer] - again) < ALIKE * again) < 0.8:
                continue
        period = begin[some + 1] - begin[some]
        if longer.any() or np.percentile(period, 90) > 1.5 * np.percentile(period, 10):
            return Pulses(begin, width, longer)
    return None
