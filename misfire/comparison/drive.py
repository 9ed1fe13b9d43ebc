"""How much more driving proves it, and at which speeds and loads.

Firings needed in each stratum have shape (strata,).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.comparison.judge import CLEARED_FRACTION, driven
from misfire.comparison.names import Label
from misfire.comparison.side import Tables
from misfire.counts import firings_to_exclude, needed_firings

FloatArray = npt.NDArray[np.float64]

# Part of the counts before whose speeds and loads the drive named has to meet again: above what "cleared" needs.
_MEET = 0.9
# No leg shorter than this is named: a speed has to be held for some seconds.
_LEG_FIRINGS = 40


@dataclass(frozen=True)
class Leg:
    """One speed [rpm] and load [%, None when not known] to be held: firings of each cylinder, minutes."""

    speed_rpm: float
    load_pct: float | None
    firings: int
    minutes: float


@dataclass(frozen=True)
class Drive:
    """What is still to be driven: firings of each cylinder, of the engine, minutes, and the legs."""

    per_cylinder: int
    firings: int
    minutes: float
    legs: tuple[Leg, ...]


@dataclass(frozen=True)
class Counted:
    """One kind of count of one cylinder over the strata; every array has shape (strata,)."""

    events_before: FloatArray
    firings_before: FloatArray
    events_after: FloatArray
    firings_after: FloatArray

    def fresh(self) -> Counted:
        """The same with nothing driven after."""
        none = np.zeros_like(self.events_after)
        return Counted(self.events_before, self.firings_before, none, none)


def needed_by_stratum(c: Counted, dispersion: float, alpha: float) -> FloatArray | None:
    """Further judged firings of the cylinder in each stratum, shape (strata,); None when it cannot be said.

    Proves it cleared with 95 % power. A repaired cylinder is taken to misfire at a hundredth of its rate
    before; where the log before is too short for that, not at all.
    """
    strata = _strata(c)
    k, n = float(c.events_before[strata].sum()), float(c.firings_before[strata].sum())
    if k <= 0.0:
        return None
    seen_k, seen_n = float(c.events_after[strata].sum()), float(c.firings_after[strata].sum())
    phi = max(1.0, dispersion)
    whole = [round(v / phi) for v in (k, n, seen_k, seen_n)]
    need = None
    for rate in (None, 0.0):
        need = needed_firings(
            max(1, whole[0]),
            max(1, whole[1]),
            after_rate=rate,
            alpha=alpha,
            fraction=CLEARED_FRACTION,
            seen_misfires=whole[2],
            seen_firings=whole[3],
            at_most=20_000_000,
        )
        if need is not None:
            break
    if need is None:
        return None
    out = np.zeros(c.events_before.size)
    out[strata] = np.ceil(need * phi * c.firings_before[strata] / n)
    # A stratum counts as met again from a number of firings on, however few are needed in all.
    short = ~driven(c.firings_before, c.firings_after + out)
    short[[i for i in range(short.size) if i not in strata]] = False
    out[short] = np.maximum(out[short], 30.0 - c.firings_after[short])
    out[strata] = np.maximum(out[strata], _LEG_FIRINGS)
    return out


def _strata(c: Counted) -> list[int]:
    """The fewest strata that held nine tenths of the counts before."""
    order = np.argsort(-c.events_before, kind="stable")
    total = float(c.events_before.sum())
    reached = np.cumsum(c.events_before[order])
    count = int(np.searchsorted(reached, _MEET * total - 1e-9)) + 1
    return sorted(int(i) for i in order[:count] if c.events_before[i] > 0)


def plan(needs: Mapping[Label, FloatArray | None], tables: Tables, cylinders: int) -> Drive | None:
    """One drive that serves all cylinders; None when nothing can be named."""
    known = [v for v in needs.values() if v is not None]
    if not known:
        return None
    per_cylinder = np.max(np.stack(known), axis=0)
    labels = len(tables.naming.labels)
    judged = (tables.before.firings + tables.after.firings).sum(axis=0)
    active = (tables.before.active + tables.after.active).sum(axis=0)
    legs = []
    total = 0
    for i in np.flatnonzero(per_cylinder):
        # Firings that cannot be judged have to be driven too.
        share = float(np.clip(judged[i] / max(int(active[i]), 1), 0.2, 1.0))
        rpm, load = (float(v) for v in tables.strata[i])
        firings = math.ceil(per_cylinder[i] / share)
        whole = firings * labels
        total += whole
        minutes = math.ceil(10.0 * whole / (cylinders * max(rpm, 1.0) / 2.0) + 0.2) / 10.0
        legs.append(
            Leg(round(rpm, 0), round(load, 0) if math.isfinite(load) else None, firings, round(minutes, 1))
        )
    legs.sort(key=lambda leg: -leg.firings)
    return Drive(
        sum(leg.firings for leg in legs), total, round(sum(leg.minutes for leg in legs), 1), tuple(legs)
    )


def to_exclude(rate_before: float) -> dict[str, int]:
    """Firings of a cylinder without a misfire that exclude 1 %, and its rate before (0..1), at 95 %."""
    out = {"rate_1_pct": firings_to_exclude(0.01)}
    if 0.0 < rate_before < 1.0:
        out["rate_before"] = firings_to_exclude(rate_before)
    elif rate_before >= 1.0:
        out["rate_before"] = 1
    return out
