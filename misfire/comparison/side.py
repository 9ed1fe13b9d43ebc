"""The two sides of a comparison: whether they can be compared, and their counts by speed and load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from misfire.comparison.names import Naming, both_of, label_of, naming
from misfire.comparison.strata import stratum_keys
from misfire.engine import Engine, Wheel
from misfire.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from misfire.pipeline import Analysis

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


_BLOCK_TURNS = 50
_PARTIAL_FROM = 0.3  # a weaker burn is a fault: a monitor that counts it does not count falsely


@dataclass(frozen=True)
class Controller:
    """The engine controller's own counts that go with a log.

    Attributes
    ----------
    misfires : dict of cylinder number -> count, or None
        Counted during the log; None when only a driving-cycle total was read.
    totals : dict of cylinder number -> count
        As read last.
    monitor_ran : bool or None
        None: not known.
    at_least : tuple of int
        Cylinders whose count is a lower bound (a reset, or a counter at its limit).
    whole_side : bool
        The counts were read over all logs of the side, not over this one alone.
    """

    misfires: Mapping[int, int] | None
    totals: Mapping[int, int] = field(default_factory=dict)
    monitor_ran: bool | None = None
    at_least: tuple[int, ...] = ()
    whole_side: bool = False


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
    controller : Controller or None
        What the controller counted; None: as far as the cylinders of `result` say.
    codes : tuple of str
        SAE J2012 codes stored on that side.
    """

    result: dict[str, Any]
    events: pd.DataFrame
    engine: Engine
    controller: Controller | None = None
    codes: tuple[str, ...] = ()

    @classmethod
    def of(cls, analysis: Analysis, codes: tuple[str, ...] = ()) -> Side:
        """The side that an analysis is; what the controller counted is taken from its result."""
        return cls(analysis.result, analysis.events, analysis.engine, codes=codes)


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
    reported_firings, reported_found, reported_open : array, shape (cylinders, strata)
        In the logs with controller counts: firings, true misfires, firings not judged that may be misfires.
    by_number : dict of cylinder number -> number of counts, or None
        The controller's counts under its own numbers, also where the log's cylinders have none.
    monitor_ran : bool or None
    at_least : frozenset of int
        Cylinder numbers whose count is only a lower bound.
    active : int array, shape (cylinders, strata)
        Events with fuel, those that could not be judged included.
    """

    firings: IntArray
    found: IntArray
    false: IntArray
    partial: IntArray
    blocks: dict[str, FloatArray]
    reported: FloatArray | None
    reported_firings: IntArray
    reported_found: IntArray
    reported_open: IntArray
    by_number: dict[int, float] | None
    monitor_ran: bool | None
    at_least: frozenset[int]
    active: IntArray


@dataclass(frozen=True)
class Tables:
    """Both sides on the same strata; `strata`, shape (strata, 2), has a row (speed_rpm, load_pct): the mean of its firings."""

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


def same_logs(before: Sequence[Side], after: Sequence[Side]) -> bool:
    """True when the same recordings, with the same controller counts, stand on both sides in any order."""
    if len(before) != len(after):
        return False
    rest = list(after)
    for one in before:
        match = next((k for k, other in enumerate(rest) if _same_log(one, other)), None)
        if match is None:
            return False
        del rest[match]
    return True


def _same_log(a: Side, b: Side) -> bool:
    if len(a.events) != len(b.events) or controller_of(a) != controller_of(b):
        return False
    time_s = (a.events["time_s"].to_numpy(dtype=float), b.events["time_s"].to_numpy(dtype=float))
    state = (a.events["state"].to_numpy(dtype=object), b.events["state"].to_numpy(dtype=object))
    return bool(np.array_equal(*time_s) and np.array_equal(*state))


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
    keys = stratum_keys([s.events for s in before], [s.events for s in after], by_load)
    unique, where = np.unique(np.concatenate(keys), axis=0, return_inverse=True)
    if not unique.size:
        unique = np.full((1, 2), -1, dtype=np.int64)
    parts = np.split(where.ravel(), np.cumsum([len(k) for k in keys])[:-1])
    n = len(before)
    return Tables(
        named,
        _means((*before, *after), parts, len(unique), by_load),
        by_load,
        _count(before, parts[:n], named, len(unique)),
        _count(after, parts[n:], named, len(unique)),
    )


def _means(sides: Sequence[Side], strata: Sequence[IntArray], width: int, by_load: bool) -> FloatArray:
    """Mean speed [rpm] and load [%] of each stratum, shape (strata, 2); NaN where not known."""
    at = np.concatenate(strata) if strata else np.zeros(0, dtype=np.int64)
    out = np.full((width, 2), np.nan)
    for k, name in enumerate(("rpm", "load_pct") if by_load else ("rpm",)):
        value = np.concatenate([s.events[name].to_numpy(dtype=float) for s in sides])
        good = np.isfinite(value)
        number = np.bincount(at[good], minlength=width)
        total = np.bincount(at[good], weights=value[good], minlength=width)
        out[:, k] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return out


def _count(sides: Sequence[Side], strata: Sequence[IntArray], named: Naming, width: int) -> Counts:
    cylinders = len(named.labels)
    shape = (cylinders, width)
    kinds = ("firings", "found", "false", "partial", "active", "rf", "rt", "ro")
    total = {k: np.zeros(shape, dtype=np.int64) for k in kinds}
    flags: list[dict[str, npt.NDArray[np.bool_]]] = []
    cells: list[IntArray] = []
    given = [controller_of(side) for side in sides]
    whole = any(c is not None and c.whole_side for c in given)
    for side, stratum, counts in zip(sides, strata, given, strict=True):
        cyl = named.index(side.events["cylinder"].tolist())
        cell = cyl * width + stratum
        state = side.events["state"].to_numpy(dtype=object)
        missed, fired = state == "misfire", state == "firing"
        lost = side.events["lost_work"].to_numpy(dtype=float)
        # A table read from a file may lack the column: then nothing is known to be counted falsely.
        false = np.asarray(side.events.get("uncorrected", missed), dtype=bool) & fired
        false &= ~(lost >= _PARTIAL_FROM)
        partial = fired & (lost >= _PARTIAL_FROM) & (lost <= 0.8)

        def add(name: str, mask: npt.NDArray[np.bool_], cell: IntArray = cell) -> None:
            total[name] += np.bincount(cell[mask], minlength=cylinders * width).reshape(shape)

        judged, active = missed | fired, state != "motoring"
        add("firings", judged)
        add("found", missed)
        add("false", false)
        add("partial", partial)
        add("active", active)
        cells.append(cell)
        flags.append({"judged": judged, "found": missed, "false": false})
        if whole or (counts is not None and counts.misfires is not None):
            # The controller watches every fired event, also those that the log cannot judge.
            add("rf", active)
            add("rt", missed)
            add("ro", (state == "unusable") & ~(lost < _PARTIAL_FROM))
    blocks = {name: _blocks(sides, cells, flags, name, total, cylinders) for name in ("found", "false")}
    told = [c for c in given if c is not None and c.misfires is not None]
    by_number: dict[int, float] | None = {} if told else None
    for c in told:
        for number, count in (c.misfires or {}).items():
            assert by_number is not None
            by_number[number] = by_number.get(number, 0.0) + float(count)
    ran = [c.monitor_ran for c in told]
    return Counts(
        firings=total["firings"],
        found=total["found"],
        false=total["false"],
        partial=total["partial"],
        blocks=blocks,
        reported=_bylabel_of(by_number, named),
        reported_firings=total["rf"],
        reported_found=total["rt"],
        reported_open=total["ro"],
        by_number=by_number,
        monitor_ran=False if False in ran else True if ran and all(ran) else None,
        at_least=frozenset(x for c in told for x in c.at_least),
        active=total["active"],
    )


def controller_of(side: Side) -> Controller | None:
    """The controller's counts of a log, from the side or else from the analysis itself."""
    if side.controller is not None:
        return side.controller
    rows = side.result["cylinders"]
    counts = {
        int(r["cylinder"]): int(r["reported"])
        for r in rows
        if r.get("reported") is not None and isinstance(label_of(r["cylinder"]), int)
    }
    if not counts:
        return None
    return Controller(counts, counts, (side.result.get("reported") or {}).get("monitor_ran"))


def _bylabel_of(counts: Mapping[int, float] | None, named: Naming) -> FloatArray | None:
    """Counts in the order of the labels; None when there are none, or the labels are no numbers."""
    if counts is None or not all(isinstance(x, int) for x in named.labels):
        return None
    # a cylinder that was not read is not known, nor is a pair of which one was
    out = np.full(len(named.labels), np.nan)
    for i, label in enumerate(named.labels):
        both = [int(c) for c in both_of(label)]
        if all(c in counts for c in both):
            out[i] = sum(counts[c] for c in both)
    return out


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
