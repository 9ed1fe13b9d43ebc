"""Lost work against speed and load, cylinder by cylinder: where in its range an engine loses work.

Speeds [rpm] and loads are cut into classes that stay the same from log to log, so that the maps of two logs can be
laid side by side. A cell is one cylinder in one class of each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, IntArray
from misfire.decide import FIRING, MISFIRE
from misfire.engine import FloatArray
from misfire.onelog import OneLog

# Edges of the speed classes [rpm]: 500 wide, 1000 above 3500. Held speeds are round numbers, which an edge must not cut.
SPEED_EDGES_RPM = (0.0, 250.0, 750.0, 1250.0, 1750.0, 2250.0, 2750.0, 3500.0)
WIDE_RPM = 1000.0
LOAD_STEP = 20.0  # width of a load class [% or kPa]
FULL_PERCENTILE = (
    98.0  # of the normal work, taken as 100 % where the motion tells the load; a maximum scatters
)
COVERED = 0.9  # share of decided events with a load from which on the channel's is used; our choice
ALIKE = (
    4.0  # neighbouring firings are alike: so many count as one in a standard error, as in `pooled.mean_sd`
)

_SAYS = {
    "load_pct": ("%", "the load of the channel load_pct"),
    "map_kpa": ("kPa", "the manifold pressure of the channel map_kpa"),
    "motion": (
        "%",
        "normal work of the moment as the crank's motion shows it, in per cent of the largest in the log "
        f"(its {FULL_PERCENTILE:g} % point): a full load that was never driven is not seen",
    ),
}


@dataclass(frozen=True)
class LossMap:
    """Cells that hold at least one decided firing, by cylinder, then speed, then load; arrays have shape (cells,).

    Attributes
    ----------
    names : cylinder numbers or places
    load_from : "load_pct", "map_kpa" or "motion"
    full_rad2_s2 : normal work [rad^2/s^2] that counts as 100 %, NaN unless the motion tells the load
    left_out : decided firings without speed, load or lost work, which stand in no cell
    which : index into `names`
    speed_rpm : array, shape (cells, 2)
        Lower edge, which belongs to the class, and upper edge [rpm].
    load : array, shape (cells, 2)
        Lower edge and upper edge, which belongs to the class [unit of `load_from`].
    firings, misfires : decided firings (misfires among them, as in the counts), misfires
    fired_lost : mean lost work of the firings that are no misfire, NaN where there is none
    fired_lost_se : its standard error by the scatter alone, NaN for fewer than two
    """

    names: tuple[int | str, ...]
    load_from: str
    full_rad2_s2: float
    left_out: int
    which: IntArray
    speed_rpm: FloatArray
    load: FloatArray
    firings: IntArray
    misfires: IntArray
    fired_lost: FloatArray
    fired_lost_se: FloatArray

    def to_dict(self) -> dict[str, Any]:
        """The key `lost_work_map` of the result; numbers that are not known are None."""
        unit, says = _SAYS[self.load_from]
        cells = [
            {
                "cylinder": self.names[which],
                "speed_rpm": speed,
                "load": load,
                "firings": firings,
                "misfires": misfires,
                "fired_lost_work": None if np.isnan(mean) else mean,
                "fired_lost_work_se": None if np.isnan(se) else se,
            }
            for which, speed, load, firings, misfires, mean, se in zip(
                *(v.tolist() for v in (self.which, self.speed_rpm, self.load, self.firings, self.misfires)),
                self.fired_lost.tolist(),
                self.fired_lost_se.tolist(),
                strict=True,
            )
        ]
        return {
            "load_from": self.load_from,
            "load_unit": unit,
            "load_says": says,
            "load_full_rad2_s2": None if np.isnan(self.full_rad2_s2) else self.full_rad2_s2,
            "left_out": self.left_out,
            "cells": cells,
        }


def speed_class(rpm: FloatArray) -> tuple[IntArray, FloatArray]:
    """Class of every speed [rpm], shape (events,), and the edges of all classes [rpm]."""
    top = SPEED_EDGES_RPM[-1]
    highest = float(np.max(rpm, initial=0.0))
    more = np.arange(top + WIDE_RPM, max(highest, top) + 1.5 * WIDE_RPM, WIDE_RPM)
    edges = np.concatenate([SPEED_EDGES_RPM, more])
    return np.asarray(np.searchsorted(edges, rpm, side="right") - 1, dtype=np.int64), edges


def load_class(load: FloatArray) -> IntArray:
    """Class of every load, shape (events,): class k holds what is above k steps and up to k + 1, 0 in the first."""
    return np.asarray(np.maximum(np.ceil(load / LOAD_STEP) - 1, 0), dtype=np.int64)


def tally(
    names: Sequence[int | str],
    which: IntArray,
    rpm: FloatArray,
    load: FloatArray,
    lost: FloatArray,
    missed: BoolArray,
    *,
    load_from: str = "load_pct",
    full_rad2_s2: float = float("nan"),
) -> LossMap:
    """Cells of decided firings.

    Parameters
    ----------
    names : cylinder numbers or places
    which, rpm, load, lost, missed : array, shape (events,)
        Index into `names`, speed [rpm], load [unit of `load_from`], lost work, whether the firing is a misfire.
        Events that lack a number are left out and counted.
    load_from : "load_pct", "map_kpa" or "motion"
    full_rad2_s2 : float
        Normal work [rad^2/s^2] that counts as 100 %.
    """
    good = np.isfinite(rpm) & np.isfinite(load) & np.isfinite(lost)
    which, rpm, load, lost, missed = which[good], rpm[good], load[good], lost[good], missed[good]
    i, edges = speed_class(rpm)
    j = load_class(load)
    loads = int(np.max(j, initial=0)) + 1
    key, cell = np.unique((which * (edges.size - 1) + i) * loads + j, return_inverse=True)
    n = key.size
    firings = np.bincount(cell, minlength=n)
    misfires = np.bincount(cell[missed], minlength=n)
    x, at = lost[~missed], cell[~missed]
    fired = firings - misfires
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(at, x, n) / fired
        spread = np.sqrt(np.bincount(at, (x - mean[at]) ** 2, n) / (fired - 1))
        # one firing has no scatter to go by
        error = np.where(fired > 1, spread / np.sqrt(np.maximum(fired / ALIKE, 1.0)), np.nan)
    s, b = key // loads % (edges.size - 1), key % loads
    return LossMap(
        tuple(names),
        load_from,
        full_rad2_s2,
        int((~good).sum()),
        key // (loads * (edges.size - 1)),
        np.stack([edges[s], edges[s + 1]], axis=1),
        np.stack([b, b + 1], axis=1) * LOAD_STEP,
        firings,
        misfires,
        mean,
        error,
    )


def lost_work_map(logs: Sequence[OneLog], names: Sequence[int | str]) -> LossMap:
    """The map of all logs of one engine, pooled.

    The load is the channel's where every log has one of the same kind for nearly all of its decided firings, else
    the normal work that the motion shows.
    """
    index: Mapping[int | str, int] = {name: k for k, name in enumerate(names)}
    parts = [_decided(log, index) for log in logs]
    which, rpm, load, normal, lost = (np.concatenate([p.values[k] for p in parts]) for k in range(5))
    missed = np.concatenate([p.missed for p in parts])
    kinds = {p.load_from for p in parts if p.missed.size}
    load_from, full = (kinds or {"motion"}).pop() if len(kinds) <= 1 else "motion", float("nan")
    if load_from == "motion":
        known = normal[np.isfinite(normal) & (normal > 0)]
        full = float(np.percentile(known, FULL_PERCENTILE)) if known.size else float("nan")
        load = np.clip(100.0 * normal / full, 0.0, 100.0)
    return tally(
        names, which.astype(np.int64), rpm, load, lost, missed, load_from=load_from, full_rad2_s2=full
    )


@dataclass(frozen=True)
class _Decided:
    """Decided events of one log: (which, rpm, load, normal work, lost work), misfires, and what tells the load."""

    values: tuple[npt.NDArray[Any], ...]
    missed: BoolArray
    load_from: str


def _decided(log: OneLog, index: Mapping[int | str, int]) -> _Decided:
    d, e = log.decision, log.events
    use = (d.state == FIRING) | (d.state == MISFIRE)
    # events of one place have one label
    places, first = np.unique(e.place, return_index=True)
    own = np.zeros(int(places.max(initial=0)) + 1, dtype=np.int64)
    own[places] = [index[x] for x in log.label[first].tolist()]
    load = log.load_pct[use]
    covered = bool(load.size) and float(np.isfinite(load).mean()) >= COVERED
    return _Decided(
        (own[e.place[use]], e.rpm[use], load, d.expected[use], d.lost_work[use]),
        np.asarray(d.state[use] == MISFIRE),
        log.load_from if covered else "motion",
    )
