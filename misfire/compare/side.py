"""The two sides of a comparison: whether they can be compared, and their counts by speed and load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from misfire.engine import Engine, Wheel
from misfire.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

# Similar conditions of the regulation: within 375 rpm and 20 % load (from memory). Strata have that width, so
# that any two firings of one stratum are similar.
Label = int | str
STRATUM_RPM = 375.0
STRATUM_LOAD_PCT = 20.0
_BLOCK_TURNS = 50


@dataclass(frozen=True)
class Side:
    """One analysed log.

    Attributes
    ----------
    result : dict
        The analysis in the form "misfire-analysis".
    events : DataFrame, one row a firing event
        The event columns of the contract and `uncorrected`: a monitor that takes the wheel as perfect would
        count this firing.
    engine : Engine
    """

    result: dict[str, Any]
    events: pd.DataFrame
    engine: Engine


@dataclass(frozen=True)
class Counts:
    """Counts of one side by cylinder and stratum.

    Attributes
    ----------
    firings, found, false, partial : int array, shape (cylinders, strata)
        Judged firings; true misfires; firings that burned and that an uncorrected monitor would count.
    blocks : dict of str -> array, shape (4, cylinders, blocks)
        "found" and "false", per block of turns: events, expected events, their variance, firings.
    reported : float array, shape (cylinders,), or None
        Counts of the controller, NaN where it gave none for a cylinder.
    reported_firings, reported_found : array, shape (cylinders, strata)
        Firings and true misfires in the logs that have controller counts.
    monitor_ran : bool or None
    """

    firings: IntArray
    found: IntArray
    false: IntArray
    partial: IntArray
    blocks: dict[str, FloatArray]
    reported: FloatArray | None
    reported_firings: IntArray
    reported_found: IntArray
    monitor_ran: bool | None


@dataclass(frozen=True)
class Naming:
    """How the logs' names of cylinders become common ones.

    Attributes
    ----------
    labels : tuple
        Cylinder numbers; lower companions only, when a log does not know the phase; places (A, B, ...) when
        no log knows cylinder numbers; ("all",) when the logs name them in ways that do not fit together.
    companions : dict
        Used where lower companions stand for both.
    paired : bool
        A number stands for a cylinder or its companion.
    """

    labels: tuple[Label, ...]
    companions: dict[int, int]
    paired: bool

    def common(self, name: Label) -> Label:
        """The common name of a log's name."""
        name = _label(name)
        if self.labels == ("all",):
            return "all"
        if self.paired and isinstance(name, int):
            return min(name, self.companions.get(name, name))
        return name

    def index(self, names: Sequence[Label]) -> IntArray:
        """Indices into `labels`; shape of names."""
        place = {label: i for i, label in enumerate(self.labels)}
        known: dict[Label, int] = {}
        for name in set(names):
            known[name] = place[self.common(name)]
        return np.array([known[n] for n in names], dtype=np.int64)


def naming(sides: Sequence[Side], engine: Engine) -> Naming:
    """Find names that hold in every log."""
    seen: set[Label] = set()
    for s in sides:
        seen |= {_label(x) for x in s.events["cylinder"].unique().tolist()}
        seen |= {_label(r["cylinder"]) for r in s.result["cylinders"]}
    companions = engine.companions
    if all(isinstance(x, int) for x in seen):
        paired = bool(companions) and any(s.result.get("phase") == "unknown" for s in sides)
        numbers = range(1, engine.cylinders + 1)
        keep = {min(c, companions.get(c, c)) if paired else c for c in numbers}
        return Naming(tuple(sorted(keep)), companions, paired)
    if all(isinstance(x, str) for x in seen):
        return Naming(tuple(sorted(seen, key=str)), companions, False)
    return Naming(("all",), companions, False)


def _label(x: Any) -> Label:
    """Numbers as int, also when a table read from a file holds them as text."""
    return int(x) if not isinstance(x, str) or x.isdigit() else x


@dataclass(frozen=True)
class Tables:
    """Both sides on the same strata; `strata` has a row (speed_rpm, load_pct) of each stratum's middle."""

    naming: Naming
    strata: FloatArray
    by_load: bool
    before: Counts
    after: Counts


def check_sides(before: Sequence[Side], after: Sequence[Side]) -> Engine:
    """Refuse sides that are not of one engine and one nominal wheel. Returns that engine.

    Raises InputError that names what differs.
    """
    if not before or not after:
        raise InputError("compare: give at least one log before and one after")
    first = before[0].engine
    for side in (*before, *after):
        engine = side.engine
        if engine.cylinders != first.cylinders:
            raise InputError(
                f"compare: {first.cylinders} cylinders in one log and {engine.cylinders} in another; "
                "only logs of the same engine can be compared, check --engine"
            )
        if engine.firing_order != first.firing_order or engine.firing_tdc_deg != first.firing_tdc_deg:
            orders = ["-".join(map(str, e.firing_order)) for e in (first, engine)]
            raise InputError(
                f"compare: firing order {orders[0]} in one log and {orders[1]} in another (or other firing "
                "angles); only logs of the same engine can be compared, check --engine"
            )
        if not _same_wheel(engine.wheel, first.wheel):
            labels = [e.wheel.label if e.wheel else "none" for e in (first, engine)]
            raise InputError(
                f"compare: crank wheel {labels[0]} in one log and {labels[1]} in another; only logs of the "
                "same nominal wheel can be compared, check --wheel"
            )
    return first


def _same_wheel(a: Wheel | None, b: Wheel | None) -> bool:
    if a is None or b is None:
        return True
    if (
        a.positions != b.positions
        or a.missing != b.missing
        or (a.angles_deg is None) != (b.angles_deg is None)
    ):
        return False
    if a.angles_deg is None:
        return True
    return bool(np.allclose(a.tooth_angles_deg, b.tooth_angles_deg, atol=0.5))


def tabulate(before: Sequence[Side], after: Sequence[Side], engine: Engine) -> Tables:
    """Count both sides on common strata of speed and, when every log has it, of load."""
    named = naming((*before, *after), engine)
    by_load = all(bool(s.events["load_pct"].notna().any()) for s in (*before, *after))
    keys = [_stratum_keys(s, by_load) for s in (*before, *after)]
    unique, where = np.unique(np.concatenate(keys), axis=0, return_inverse=True)
    if not unique.size:
        unique = np.full((1, 2), -1, dtype=np.int64)
    parts = np.split(where.ravel(), np.cumsum([len(k) for k in keys])[:-1])
    middle = (unique + 0.5) * np.array([STRATUM_RPM, STRATUM_LOAD_PCT])
    middle[unique[:, 1] < 0, 1] = np.nan
    n = len(before)
    return Tables(
        named,
        middle,
        by_load,
        _count(before, parts[:n], named, len(unique)),
        _count(after, parts[n:], named, len(unique)),
    )


def _stratum_keys(side: Side, by_load: bool) -> IntArray:
    rpm = side.events["rpm"].to_numpy(dtype=float)
    load = side.events["load_pct"].to_numpy(dtype=float) if by_load else np.full(rpm.size, np.nan)
    speed = np.where(np.isfinite(rpm), np.floor(rpm / STRATUM_RPM), -1)
    return np.stack(
        [speed, np.where(np.isfinite(load), np.floor(load / STRATUM_LOAD_PCT), -1)], axis=1
    ).astype(np.int64)


def _count(sides: Sequence[Side], strata: Sequence[IntArray], named: Naming, width: int) -> Counts:
    cylinders = len(named.labels)
    shape = (cylinders, width)
    total = {k: np.zeros(shape, dtype=np.int64) for k in ("firings", "found", "false", "partial", "rf", "rt")}
    flags: list[dict[str, npt.NDArray[np.bool_]]] = []
    cells: list[IntArray] = []
    reported: FloatArray | None = None
    ran: list[bool | None] = []
    for side, stratum in zip(sides, strata, strict=True):
        cyl = named.index(side.events["cylinder"].tolist())
        cell = cyl * width + stratum
        state = side.events["state"].to_numpy(dtype=object)
        missed, fired = state == "misfire", state == "firing"
        # A table read from a file may lack the column: then nothing is known to be counted falsely.
        false = np.asarray(side.events.get("uncorrected", missed), dtype=bool) & fired
        lost = side.events["lost_work"].to_numpy(dtype=float)
        partial = fired & (lost >= 0.3) & (lost <= 0.8)

        def add(name: str, mask: npt.NDArray[np.bool_], cell: IntArray = cell) -> None:
            total[name] += np.bincount(cell[mask], minlength=cylinders * width).reshape(shape)

        judged = missed | fired
        add("firings", judged)
        add("found", missed)
        add("false", false)
        add("partial", partial)
        cells.append(cell)
        flags.append({"judged": judged, "found": missed, "false": false})
        rows = side.result["cylinders"]
        counts = [c.get("reported") for c in rows]
        if any(c is not None for c in counts):
            # The controller watches every fired event, also those that the log cannot judge.
            add("rf", state != "motoring")
            add("rt", missed)
            here = np.zeros(cylinders)
            place = named.index([c["cylinder"] for c in rows])
            np.add.at(here, place, [np.nan if c is None else float(c) for c in counts])
            reported = here if reported is None else reported + here
            ran.append((side.result.get("reported") or {}).get("monitor_ran"))
    blocks = {name: _blocks(sides, cells, flags, name, total, cylinders) for name in ("found", "false")}
    monitor = False if False in ran else True if ran and all(r is True for r in ran) else None
    return Counts(
        total["firings"],
        total["found"],
        total["false"],
        total["partial"],
        blocks,
        reported,
        total["rf"],
        total["rt"],
        monitor,
    )


def _blocks(
    sides: Sequence[Side],
    cells: Sequence[IntArray],
    flags: Sequence[dict[str, npt.NDArray[np.bool_]]],
    name: str,
    total: dict[str, IntArray],
    cylinders: int,
) -> FloatArray:
    """Per block of turns: events, expected events and their variance at the rate of their stratum.

    Returns an array of shape (4, cylinders, blocks): events, expected, variance, firings.
    """
    rate = (total[name] / np.maximum(total["firings"], 1)).ravel()
    width = total["firings"].shape[1]
    out: list[FloatArray] = []
    for side, cell, flag in zip(sides, cells, flags, strict=True):
        block = side.events["turn"].to_numpy(dtype=np.int64) // _BLOCK_TURNS
        judged = flag["judged"]
        count = int(block.max()) + 1 if block.size else 0
        place = ((cell // width) * count + block)[judged]
        r = rate[cell[judged]]
        size = cylinders * count
        rows = [
            np.bincount(place, weights=w, minlength=size).reshape(cylinders, count)
            for w in (flag[name][judged].astype(float), r, r * (1.0 - r), np.ones(r.size))
        ]
        out.append(np.stack(rows))
    joined = np.concatenate(out, axis=2)
    # A canonical order makes the result independent of the order in which the logs were given.
    order = np.lexsort(joined.reshape(4 * cylinders, -1)[::-1])
    return np.asarray(joined[:, :, order])
