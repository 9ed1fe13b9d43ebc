"""From two sides of analysed logs to the comparison."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from misfire.comparison.answer import decide, unchanged
from misfire.comparison.codes import with_codes
from misfire.comparison.drive import Counted, needed_by_stratum, plan
from misfire.comparison.evidence import Evidence, FreezeFrame, Kind, Overall
from misfire.comparison.form import Judged, assumptions, number_row, row, sequential, verdict
from misfire.comparison.judge import Answer, Change, change, clustering, standardised
from misfire.comparison.names import Label, Naming, names
from misfire.comparison.pattern import compare_patterns
from misfire.comparison.side import (
    Counts,
    Side,
    Tables,
    check_sides,
    controller_of,
    same_logs,
    tabulate,
)
from misfire.comparison.strata import STRATUM_LOAD_PCT, STRATUM_RPM
from misfire.comparison.swap import check_pair, judge_swap
from misfire.counts import holm
from misfire.engine import Engine
from misfire.errors import InputError

# Firings after at the freeze-frame condition that count as having driven it again. Our own choice.
_FREEZE_FRAME_FIRINGS = 200
# Longer without a firing than any running engine: it stood still, and what follows is a new start.
_STANDSTILL_S = 3.0


@dataclass(frozen=True)
class CompareOptions:
    """Options of a comparison.

    Attributes
    ----------
    swapped : (int, int) or None
        The two cylinders between which a part was exchanged.
    freeze_frame : (float, float) or None
        Speed [rpm] and load [%] stored with the code; clearing needs that it was driven again.
    overall_error : float
        Error probability over all cylinders (Holm).
    """

    swapped: tuple[int, int] | None = None
    freeze_frame: tuple[float, float] | None = None
    overall_error: float = 0.01


def compare(
    before: Sequence[Side], after: Sequence[Side], options: CompareOptions | None = None
) -> dict[str, Any]:
    """Compare logs from before and after a learn or a repair, in the form "misfire-comparison".

    Rates are compared in strata of 375 rpm and 20 % load with the exact conditional test (central);
    `ratio` is after-rate / before-rate, None where it is infinite or nothing was counted.
    Raises InputError when the sides are not of one engine and nominal wheel, or the options do not fit.
    """
    options = options or CompareOptions()
    engine = check_sides(before, after)
    if options.swapped is not None:
        check_pair(options.swapped, engine.cylinders)
    if not 0.0 < options.overall_error < 0.5:
        raise InputError("compare: the overall error must lie between 0 and 0.5")
    tables = tabulate(before, after, engine)
    same = options.swapped is None and same_logs(before, after)
    alpha, labels = options.overall_error, tables.naming.labels
    pattern = compare_patterns([s.result for s in before], [s.result for s in after])
    _seen_over(pattern, before, after)
    frame = _freeze_frame(after, options.freeze_frame)
    judged = _judge(tables, (before, after), alpha, same, _Seen(engine, pattern, frame))
    evidence, kind, changes = judged.evidence, judged.kind, judged.changes
    overall = unchanged(evidence) if same else _unread_counts(decide(evidence), tables, evidence)
    if not same:
        overall = with_codes(overall, before, after, evidence)
    if tables.naming.paired:
        overall.reasons.append("phase unknown: a number stands for that cylinder or its companion")
    needs: dict[Label, np.ndarray[Any, Any] | None] = {}
    answers = evidence.answers
    shown: dict[Label, str] = dict(answers)
    if options.swapped is not None:
        clustered = max(_phi(tables, "found", i) for i in range(len(labels)))
        overall, needs = _swap(tables, options.swapped, engine, clustered, alpha)
        at = {tables.naming.common(c) for c in options.swapped}
        shown = {c: overall.answer if c in at else a for c, a in answers.items()}
    elif overall.answer == "not_proven":
        needs = _needs(judged, overall, alpha, engine)
    rows = [row(i, judged, shown, needs) for i in range(len(labels))]
    rows += [
        number_row(c, tables, ch, judged.adjusted["reported"][c], answers.get(c, judged.raw["reported"][c]))
        for c, ch in changes["reported"].items()
        if c not in labels
    ]
    return {
        "format": "misfire-comparison",
        "version": 1,
        "cylinders": rows,
        "pattern": pattern,
        "judged_on": kind,
        "monitor_ran": {"before": tables.before.monitor_ran, "after": tables.after.monitor_ran},
        "freeze_frame": None if frame is None else frame.to_dict(),
        "convention": "central",
        "overall_error": alpha,
        "strata": {"speed_rpm": STRATUM_RPM, "load_pct": STRATUM_LOAD_PCT if tables.by_load else None},
        "sequential": sequential(changes[kind], alpha),
        "verdict": verdict(overall, plan(needs, tables, engine.cylinders), changes[kind]),
        "assumptions": assumptions(tables),
    }


@dataclass(frozen=True)
class _Seen:
    """What stands beside the counts: the engine, the patterns of both sides, the freeze frame."""

    engine: Engine
    pattern: dict[str, Any]
    frame: FreezeFrame | None


def _judge(
    tables: Tables, sides: tuple[Sequence[Side], Sequence[Side]], alpha: float, same: bool, seen: _Seen
) -> Judged:
    """Each kind of count judged by itself, and what the answer rests on."""
    before, after = sides
    phi = {c: _phi(tables, "found", i) for i, c in enumerate(tables.naming.labels)}
    changes = _changes(tables, phi, seen.engine)
    adjusted = {k: _holm(v) for k, v in changes.items()}
    raw = {k: {c: ch.answer(adjusted[k][c], alpha) for c, ch in v.items()} for k, v in changes.items()}
    if same:
        # The same recording twice holds no change, however little it holds.
        raw = {k: dict.fromkeys(v, "unchanged") for k, v in raw.items()}
    kind = _kind(changes)
    answers = {c: _watched(c, a, kind, tables, changes["reported"].get(c)) for c, a in raw[kind].items()}
    false_kind = "false" if kind == "reported" else "uncorrected"
    evidence = Evidence(
        kind=kind,
        changes=changes[kind],
        raw=raw[kind],
        answers=raw[kind] if same else answers,
        false_changes=changes[false_kind],
        false_raw=raw[false_kind],
        found=changes["found"],
        found_raw=raw["found"],
        accused=frozenset(_accused(after, tables.naming)),
        pattern=seen.pattern,
        wheel_before=_has(before, "crank_pattern", "wheel"),
        wheel_after=_has(after, "crank_pattern", "wheel"),
        monitor_ran=tables.after.monitor_ran,
        reported_one_side=_one_side(tables),
        totals_only=tuple(n for n, side in (("before", before), ("after", after)) if _totals_only(side)),
        freeze_frame=seen.frame,
        usable_turns=(_turns(tables.before, seen.engine), _turns(tables.after, seen.engine)),
    )
    return Judged(tables, before, after, kind, changes, adjusted, raw, evidence)


def _needs(
    j: Judged, overall: Overall, alpha: float, engine: Engine
) -> dict[Label, np.ndarray[Any, Any] | None]:
    """Firings still needed by stratum, of the cylinders that are not proven yet."""
    each, answers = alpha / len(j.changes[j.kind]), j.evidence.answers
    return {
        c: _needed(j, c, each, engine)
        for c in overall.cylinders or list(answers)
        if c in j.changes[j.kind] and j.changes[j.kind][c].before[0] and answers[c] == "not_proven"
    }


def _material(changes: Mapping[Label, Change]) -> bool:
    return any(ch.material_before or ch.material_after for ch in changes.values())


def _kind(changes: Mapping[str, Mapping[Label, Change]]) -> Kind:
    """The count to judge on: the controller's, else the misfires found, else the uncorrected monitor's."""
    found = _material(changes["found"])
    if changes["reported"] and (_material(changes["reported"]) or not found):
        return "reported"
    any_false = any(ch.before[0] or ch.after[0] for ch in changes["uncorrected"].values())
    return "uncorrected" if any_false and not found else "found"


def _phi(tables: Tables, name: str, i: int) -> float:
    return max(clustering(t.blocks[name][:, i]) for t in (tables.before, tables.after))


def _changes(tables: Tables, phi: Mapping[Label, float], engine: Engine) -> dict[str, dict[Label, Change]]:
    b, a = tables.before, tables.after
    out: dict[str, dict[Label, Change]] = {"found": {}, "uncorrected": {}, "reported": {}, "false": {}}
    for i, c in enumerate(tables.naming.labels):
        out["found"][c] = change(b.found[i], b.firings[i], a.found[i], a.firings[i], phi[c])
        out["uncorrected"][c] = change(
            b.false[i], b.firings[i], a.false[i], a.firings[i], _phi(tables, "false", i)
        )
        if b.reported is None or a.reported is None or not np.isfinite(b.reported[i] + a.reported[i]):
            continue  # not read on both sides
        firings = b.reported_firings[i], a.reported_firings[i]
        flagged = np.minimum(b.found[i] + b.false[i], firings[0])
        spread = phi[c] if b.reported_found[i].sum() else 1.0
        out["reported"][c] = standardised(b.reported[i], a.reported[i], *firings, flagged, spread)
        out["false"][c] = standardised(_false(b, i), _false(a, i), *firings, flagged)
    if not out["reported"] and b.by_number is not None and a.by_number is not None:
        # The log names places, the controller numbers: its counts are compared under its own numbers.
        nb, na = (_per_cylinder(side.reported_firings, engine) for side in (b, a))
        nothing = np.zeros_like(nb)
        part = _false_part(b), _false_part(a)
        for c in sorted({*engine.firing_order} & {*b.by_number} & {*a.by_number}):
            counts = b.by_number[c], a.by_number[c]
            out["reported"][c] = standardised(*counts, nb, na, nothing)
            out["false"][c] = standardised(counts[0] * part[0], counts[1] * part[1], nb, na, nothing)
    return out


def _per_cylinder(firings: np.ndarray[Any, Any], engine: Engine) -> np.ndarray[Any, Any]:
    """Firings of one cylinder by stratum, the labels taken together."""
    return np.asarray(np.round(firings.sum(axis=0) / engine.cylinders), dtype=np.int64)


def _false_part(side: Counts) -> float:
    """1 when most of the controller's counts have no misfire in the log, else 0; over all cylinders."""
    total = sum((side.by_number or {}).values())
    return 1.0 if total - float(side.reported_found.sum()) > 0.5 * total else 0.0


def _false(side: Counts, i: int) -> float:
    """Controller counts on firings that burned: all that the log does not confirm, unless it confirms half of them, or
    may do so where it could not judge."""
    assert side.reported is not None
    if not np.isfinite(side.reported[i]):
        return 0.0
    extra = float(side.reported[i]) - float(side.reported_found[i].sum())
    sure = extra - float(side.reported_open[i].sum())
    return extra if sure > 0.5 * float(side.reported[i]) else 0.0


def _holm(changes: Mapping[Label, Change]) -> dict[Label, float]:
    return dict(zip(changes, holm([c.p_value for c in changes.values()]), strict=True))


def _watched(c: Label, raw: Answer, kind: Kind, tables: Tables, reported: Change | None) -> Answer:
    """Fallen controller counts prove something only when the monitor ran and no counter was stuck or reset."""
    if kind != "reported" or reported is None:
        return raw
    fell = raw in ("cleared", "improved")
    if tables.after.monitor_ran is not True and fell:
        return "not_proven"
    if (fell and c in tables.after.at_least) or (raw == "worse" and c in tables.before.at_least):
        return "not_proven"
    return raw


def _unread_counts(overall: Overall, tables: Tables, e: Evidence) -> Overall:
    """A controller that accused firing cylinders before and was not read after: it is open what it does."""
    b = tables.before
    if b.by_number is None or tables.after.by_number is not None:
        return overall
    false: list[Label] = []
    if b.reported is not None:
        false = [c for i, c in enumerate(e.found) if not e.found[c].material_before and _false(b, i) >= 3]
    elif _false_part(b):
        false = [c for c, n in sorted(b.by_number.items()) if n >= 3]
    if not false or overall.answer not in ("cleared", "cleared_cause_present", "unchanged", "improved"):
        return overall
    return replace(
        overall,
        answer="not_proven",
        headline=f"Not proven: the controller counted on firing {names(false)}, and was not read after.",
        missing=[*overall.missing, "the controller counts after the work (--counts-after)"],
    )


def _accused(after: Sequence[Side], named: Naming) -> set[Label]:
    known = set(named.labels)
    listed = {
        named.common(c)
        for s in after
        for f in s.result["verdict"]["findings"]
        if f["cause"] == "misfire"
        for c in f["cylinders"]
    }
    return {c for c in listed if c in known}


def _has(sides: Sequence[Side], cause: str, where: str) -> bool:
    return any(
        f["cause"] == cause and (f.get("detail") or {}).get("where") == where
        for s in sides
        for f in s.result["verdict"]["findings"]
    )


def _one_side(tables: Tables) -> str:
    b, a = tables.before.by_number is not None, tables.after.by_number is not None
    return "" if b == a else "before" if b else "after"


def _totals_only(side: Sequence[Side]) -> bool:
    """Controller counts were given, and every one is the total of a driving cycle."""
    told = [c for c in map(controller_of, side) if c is not None]
    return bool(told) and all(c.misfires is None for c in told)


def _turns(counts: Counts, engine: Engine) -> float:
    return 2.0 * float(counts.firings.sum()) / engine.cylinders


def _freeze_frame(after: Sequence[Side], frame: tuple[float, float] | None) -> FreezeFrame | None:
    if frame is None:
        return None
    count = speed_alone = 0
    for s in after:
        judged = s.events["state"].isin(["firing", "misfire"]).to_numpy(dtype=bool)
        near = judged & (np.abs(s.events["rpm"].to_numpy(dtype=float) - frame[0]) <= 375.0)
        load = s.events["load_pct"].to_numpy(dtype=float)
        count += int(np.sum(near & (np.abs(load - frame[1]) <= 20.0)))
        speed_alone += int(np.sum(near & ~np.isfinite(load)))
    return FreezeFrame(*frame, count, count >= _FREEZE_FRAME_FIRINGS, speed_alone >= _FREEZE_FRAME_FIRINGS)


def _seen_over(pattern: dict[str, Any], before: Sequence[Side], after: Sequence[Side]) -> None:
    """Starts and minutes over which each side's pattern was seen.

    Every log is a start of its own, and so is every standstill inside a log.
    """
    for name, side in (("before", before), ("after", after)):
        starts, seconds = 0, 0.0
        for s in side:
            time_s = s.events["time_s"].to_numpy(dtype=float)
            gap = np.diff(time_s)
            pause = gap > _STANDSTILL_S
            starts += 1 + int(pause.sum())
            seconds += float(gap[~pause].sum())
        pattern[f"starts_{name}"] = starts
        pattern[f"minutes_{name}"] = round(seconds / 60.0, 2)


def _needed(j: Judged, c: Label, alpha: float, engine: Engine) -> np.ndarray[Any, Any] | None:
    counted = _counted(j.tables, j.kind, c, engine)
    # When only the monitor's silence stands against it, the whole drive is to be repeated.
    fresh = counted.fresh() if j.raw[j.kind][c] == "cleared" else counted
    return needed_by_stratum(fresh, j.changes[j.kind][c].dispersion, alpha)


def _counted(tables: Tables, kind: Kind, c: Label, engine: Engine) -> Counted:
    """One cylinder's counts by stratum; a controller's total is laid out as the log's own events lie."""
    b, a = tables.before, tables.after
    i = tables.naming.labels.index(c) if c in tables.naming.labels else None
    if kind != "reported" and i is not None:
        pick = [getattr(side, "found" if kind == "found" else "false")[i].astype(float) for side in (b, a)]
        return Counted(pick[0], b.firings[i].astype(float), pick[1], a.firings[i].astype(float))
    if i is None:
        assert b.by_number is not None
        assert a.by_number is not None
        nb, na = (_per_cylinder(side.reported_firings, engine).astype(float) for side in (b, a))
        total = b.by_number.get(int(c), 0.0), a.by_number.get(int(c), 0.0)
        flagged = np.zeros_like(nb)
    else:
        assert b.reported is not None
        assert a.reported is not None
        nb, na = b.reported_firings[i].astype(float), a.reported_firings[i].astype(float)
        total = float(b.reported[i]), float(a.reported[i])
        flagged = np.minimum(b.found[i] + b.false[i], nb)
    weight = flagged if flagged.sum() >= 10 else nb
    return Counted(
        np.minimum(total[0] * weight / max(weight.sum(), 1.0), nb), nb, total[1] * na / max(na.sum(), 1.0), na
    )


def _swap(
    tables: Tables,
    pair: tuple[int, int],
    engine: Engine,
    phi: float,
    alpha: float,
) -> tuple[Overall, dict[Label, np.ndarray[Any, Any] | None]]:
    swap = judge_swap(tables, pair, engine, phi, alpha)
    head = {
        "moved": f"The misfire moved with the part between cylinders {pair[0]} and {pair[1]}: "
        "the part is at fault.",
        "stayed": "The misfire stayed with its cylinder: the swapped part is not the cause.",
        "not_proven": "Not proven: whether the misfire went with the part is open.",
    }[swap.answer]
    overall = Overall(swap.answer, head, list(swap.reasons), list(swap.missing), list(pair))
    needs: dict[Label, np.ndarray[Any, Any] | None] = {}
    if swap.needed_per_cylinder is not None:
        # Where it misfired before is where it shows again.
        at = [tables.naming.labels.index(tables.naming.common(c)) for c in pair]
        found = tables.before.found[at].sum(axis=0)
        need = np.zeros(found.size)
        need[int(np.argmax(found))] = swap.needed_per_cylinder
        needs = {tables.naming.common(c): need for c in pair}
    return overall, needs
