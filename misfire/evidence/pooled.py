"""Events of all logs of an engine side by side, as the evidence lines read them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide import FIRING, MISFIRE, MOTORING
from misfire.engine import Engine, FloatArray
from misfire.naming import place_name
from misfire.onelog import OneLog


@dataclass(frozen=True)
class Pooled:
    """Every array has shape (events,); `place` is the index in firing order, `log` the number of the log.

    `lost` is the lost work with what was charged to the wheel put back, `plain` the lost work as a monitor
    sees it that takes the wheel as perfect.
    """

    engine: Engine
    named: bool
    time_s: FloatArray
    log: IntArray
    place: IntArray
    rpm: FloatArray
    load_pct: FloatArray
    lost: FloatArray
    plain: FloatArray
    normal: FloatArray  # combustion energy [rad^2/s^2] that is normal at the moment
    energy: FloatArray
    state: IntArray

    @property
    def judged(self) -> BoolArray:
        """Events with a decision and a lost work."""
        return np.asarray(((self.state == FIRING) | (self.state == MISFIRE)) & np.isfinite(self.lost))

    @property
    def motored(self) -> BoolArray:
        """Events in fuel cut or cranking, with an energy."""
        return np.asarray((self.state == MOTORING) & np.isfinite(self.energy))

    def name(self, place: int) -> str:
        """Cylinder number or place letter."""
        return f"cylinder {self.engine.firing_order[place]}" if self.named else f"place {place_name(place)}"


def pool(logs: Sequence[OneLog]) -> Pooled:
    """Put the events of logs of one engine side by side."""
    first = logs[0]

    def joined(values: list[FloatArray]) -> FloatArray:
        return np.concatenate(values)

    return Pooled(
        first.engine,
        first.phase.named,
        joined([one.events.time_s for one in logs]),
        np.repeat(np.arange(len(logs)), [one.events.time_s.size for one in logs]),
        np.concatenate([one.events.place for one in logs]),
        joined([one.events.rpm for one in logs]),
        joined([one.load_pct for one in logs]),
        joined([one.decision.lost_work + one.decision.place_shared[one.events.place] for one in logs]),
        joined([one.uncorrected_lost for one in logs]),
        joined([one.decision.expected for one in logs]),
        joined([one.events.energy for one in logs]),
        np.concatenate([one.decision.state for one in logs]),
    )


def mean_sd(x: FloatArray) -> tuple[float, float]:
    """Mean and its error of `x`, shape (events,); neighbouring cycles are alike, so blocks of four count as one."""
    return float(np.mean(x)), float(np.std(x) / np.sqrt(max(x.size / 4, 1)))
