"""The firing events as arrays, read once for all figures that draw them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from misfire.decide import MISFIRE_FROM
from misfire.report.words import clean, finite, items, row_name, table

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
STATES = ("firing", "misfire", "motoring", "unusable")


@dataclass(frozen=True)
class Firings:
    """Events of one log; every array has shape (events,).

    Attributes
    ----------
    cylinders : names in the order of the result
    which : index into `cylinders`, -1 for a name that the result does not list
    event : event number
    time_s, rpm, load_pct, work, deviation_pct : NaN where not known; of several logs `time_s` runs on from one to
        the next
    state : one of STATES
    starts_s : where on `time_s` the second and every further log begins
    shown : the cylinders as a reader meets them, "3" or "A/C"
    """

    cylinders: tuple[str, ...]
    which: npt.NDArray[np.int64]
    event: npt.NDArray[np.int64]
    time_s: Floats
    rpm: Floats
    load_pct: Floats
    work: Floats
    deviation_pct: Floats
    state: npt.NDArray[np.str_]
    starts_s: tuple[float, ...] = ()
    shown: tuple[str, ...] = ()

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Events on which a decision stands."""
        return np.isin(self.state, ("firing", "misfire")) & np.isfinite(self.work)

    @property
    def missed(self) -> npt.NDArray[np.bool_]:
        """Events decided to be misfires."""
        return np.asarray(self.state == "misfire")

    def known(self, values: Floats) -> bool:
        """True when a column holds any number."""
        return bool(np.isfinite(values).any())


def read_firings(result: Mapping[str, Any], events: pd.DataFrame | None) -> Firings | None:
    """Arrays from the event table, None when there is no event in it."""
    if events is None or len(events) == 0 or not {"cylinder", "state"} <= set(events.columns):
        return None
    n = len(events)

    def column(name: str) -> Floats:
        if name not in events.columns:
            return np.full(n, np.nan)
        import pandas as pd

        out = pd.to_numeric(events[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        return np.where(np.isfinite(out), out, np.nan)

    import pandas as pd

    codes, found = pd.factorize(events["cylinder"])
    seen = [clean(v, 20) for v in found]
    given = [table(c).get("cylinder") for c in items(result.get("cylinders"))]
    listed = [clean(c, 20) for c in given]
    names = listed or sorted(seen, key=lambda s: (len(s), s))
    place = np.array([names.index(s) if s in names else -1 for s in seen] + [-1], dtype=np.int64)
    event = column("event")
    which = place[codes]
    deviation = column("segment_deviation_pct")
    if not np.isfinite(deviation).any():
        deviation = _rebuilt(result, names, which, column)
    time_s, starts = _end_to_end(column("time_s"))
    return Firings(
        tuple(names),
        which,
        np.where(np.isfinite(event), event, np.arange(n)).astype(np.int64),
        time_s,
        column("rpm"),
        column("load_pct"),
        column("lost_work"),
        deviation,
        events["state"].astype(str).to_numpy(dtype=str),
        starts,
        tuple(row_name(result, c) for c in given) or tuple(names),
    )


def _end_to_end(time_s: Floats) -> tuple[Floats, tuple[float, ...]]:
    """Times of several logs, each on its own clock, laid one after the other; where the further ones begin.

    In one log time only grows: where it falls, the next log begins.
    """
    known = np.flatnonzero(np.isfinite(time_s))
    t = time_s[known]
    back = np.flatnonzero(np.diff(t) < 0) + 1
    if back.size == 0:
        return time_s, ()
    shift = np.zeros(t.size)
    for k in back:
        # a second of space, so that the seam is seen
        shift[k:] += t[k - 1] - t[k] + 1.0
    out = time_s.copy()
    out[known] = t + shift
    return out, tuple(float(x) for x in (t + shift)[back])


def _rebuilt(
    result: Mapping[str, Any], names: list[str], which: npt.NDArray[np.int64], column: Callable[[str], Floats]
) -> Floats:
    """Deviation [%] of a segment before correction, put together again from what the joint fit took apart.

    Learned wheel error + 100 * lost_work * expected / w^2: half the change of w^2 over a firing is w^2 times
    the change of the relative segment time [derived from alpha = -Dth (T2 - T1) / T^3].
    NaN without those columns.
    """
    learned = table(table(result.get("pattern")).get("segment_error_pct"))
    wheel = np.array([finite(learned.get(n)) or 0.0 for n in names] + [0.0])[which]
    w2 = (column("rpm") * np.pi / 30) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        out = wheel + 100 * column("lost_work") * column("expected_rad2_s2") / w2
    return np.where(np.isfinite(out), out, np.nan)


def decision_limit(result: Mapping[str, Any]) -> float:
    """The lost work from which an event is taken for a misfire: the result's own, else the tool's."""
    given = finite(table(result.get("decision")).get("limit_lost_work"))
    return MISFIRE_FROM if given is None else given


def companions(result: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Pairs of cylinders that fire 360 deg apart, from the engine in the result; empty when there is none."""
    engine = table(result.get("engine"))
    order = [clean(c, 20) for c in items(engine.get("firing_order"))]
    tdc = [finite(x) for x in items(engine.get("firing_tdc_deg"))]
    n = len(order)
    if n < 2 or n % 2 or result.get("phase") == "unknown":
        return []
    half = n // 2
    pairs = [(order[i], order[i + half]) for i in range(half)]
    if len(tdc) == n and all(x is not None for x in tdc) and all(s.isdigit() for s in order):
        angle = {s: float(tdc[int(s) - 1] or 0.0) for s in order if 1 <= int(s) <= n}
        if len(angle) != n or any(abs((angle[b] - angle[a]) % 720 - 360) > 1 for a, b in pairs):
            return []
    return pairs


def steps(values: Floats, choices: tuple[float, ...], most: int) -> Floats:
    """Edges of round classes over the values: the smallest step that needs at most `most` classes."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    for step in choices:
        first, last = np.floor(low / step), np.floor(high / step) + 1
        if last - first <= most:
            break
    return np.asarray(np.arange(first, last + 1) * step, dtype=float)
