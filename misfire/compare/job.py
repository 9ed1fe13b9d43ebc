"""From two sides of analysed logs to the comparison."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from misfire.compare.answer import Evidence, Kind, Overall, decide, names
from misfire.compare.form import assumptions, row, sequential, verdict
from misfire.compare.judge import Answer, Change, change, clustering, standardised
from misfire.compare.pattern import compare_patterns
from misfire.compare.side import (
    STRATUM_LOAD_PCT,
    STRATUM_RPM,
    Counts,
    Label,
    Naming,
    Side,
    Tables,
    check_sides,
    tabulate,
)
from misfire.compare.swap import check_pair, judge_swap
from misfire.counts import holm
from misfire.engine import Engine
from misfire.errors import InputError

# Firings after at the freeze-frame condition that count as having driven it again. Our own choice.
_FREEZE_FRAME_FIRINGS = 200


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
    alpha = options.overall_error
    labels = tables.naming.labels
    phi = {c: _phi(tables, "found", i) for i, c in enumerate(labels)}
    changes = _changes(tables, phi)
    adjusted = {k: _holm(v) for k, v in changes.items()}
    raw = {k: {c: ch.answer(adjusted[k][c], alpha) for c, ch in v.items()} for k, v in changes.items()}
    kind = _kind(changes)
    pattern = compare_patterns([s.result for s in before], [s.result for s in after])
    answers = {
        c: _watched(a, kind, tables.after.monitor_ran, changes["reported"].get(c))
        for c, a in raw[kind].items()
    }
    false_kind = "false" if kind == "reported" else "uncorrected"
    evidence = Evidence(
        kind=kind,
        changes=changes[kind],
        raw=raw[kind],
        answers=answers,
        false_changes=changes[false_kind],
        false_raw=raw[false_kind],
        found=changes["found"],
        found_raw=raw["found"],
        accused=frozenset(_accused(after, tables.naming)),
        pattern=pattern,
        wheel_before=_has(before, "crank_pattern", "wheel"),
        wheel_after=_has(after, "crank_pattern", "wheel"),
        monitor_ran=tables.after.monitor_ran,
        reported_one_side=_one_side(tables),
        freeze_frame_driven=_driven(after, options.freeze_frame),
    )
    overall = _unread_counts(decide(evidence), tables, evidence)
    if tables.naming.paired:
        overall.reasons.append("phase unknown: a number stands for that cylinder or its companion")
    needed: dict[Label, int | None] = {}
    if options.swapped is not None:
        overall, needed = _swap(tables, options.swapped, engine, max(phi.values()), alpha)
    elif overall.answer == "not_proven":
        each = alpha / len(labels)
        needed = {
            c: _needed(changes[kind][c], raw[kind][c], each)
            for c in overall.cylinders or [c for c in labels if c in answers]
            if changes[kind][c].before[0] and answers[c] == "not_proven"
        }
    rows = [
        row(i, tables, before, after, changes, adjusted, raw, kind, answers, evidence, needed)
        for i in range(len(labels))
    ]
    return {
        "format": "misfire-comparison",
        "version": 1,
        "cylinders": rows,
        "pattern": pattern,
        "judged_on": kind,
        "monitor_ran": {"before": tables.before.monitor_ran, "after": tables.after.monitor_ran},
        "convention": "central",
        "overall_error": alpha,
        "strata": {"speed_rpm": STRATUM_RPM, "load_pct": STRATUM_LOAD_PCT if tables.by_load else None},
        "sequential": sequential(changes[kind], alpha),
        "verdict": verdict(overall, needed, tables, changes[kind], engine),
        "assumptions": assumptions(tables),
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


def _changes(tables: Tables, phi: Mapping[Label, float]) -> dict[str, dict[Label, Change]]:
    b, a = tables.before, tables.after
    out: dict[str, dict[Label, Change]] = {"found": {}, "uncorrected": {}, "reported": {}, "false": {}}
    for i, c in enumerate(tables.naming.labels):
        out["found"][c] = change(b.found[i], b.firings[i], a.found[i], a.firings[i], phi[c])
        out["uncorrected"][c] = change(
            b.false[i], b.firings[i], a.false[i], a.firings[i], _phi(tables, "false", i)
        )
        if b.reported is None or a.reported is None or not np.isfinite(b.reported[i] + a.reported[i]):
            continue
        firings = b.reported_firings[i], a.reported_firings[i]
        flagged = np.minimum(b.found[i] + b.false[i], firings[0])
        spread = phi[c] if b.reported_found[i].sum() else 1.0
        out["reported"][c] = standardised(b.reported[i], a.reported[i], *firings, flagged, spread)
        out["false"][c] = standardised(_false(b, i), _false(a, i), *firings, flagged)
    return out


def _false(side: Counts, i: int) -> float:
    """Controller counts on firings that burned: all of them, unless the log confirms half of them or more."""
    assert side.reported is not None
    extra = float(side.reported[i]) - float(side.reported_found[i].sum())
    return extra if extra > 0.5 * float(side.reported[i]) else 0.0


def _holm(changes: Mapping[Label, Change]) -> dict[Label, float]:
    return dict(zip(changes, holm([c.p_value for c in changes.values()]), strict=True))


def _watched(raw: Answer, kind: Kind, ran: bool | None, reported: Change | None) -> Answer:
    """Fallen controller counts prove something only when the monitor ran."""
    if kind == "reported" and ran is not True and reported is not None and raw in ("cleared", "improved"):
        return "not_proven"
    return raw


def _unread_counts(overall: Overall, tables: Tables, e: Evidence) -> Overall:
    """A controller that accused firing cylinders before and was not read after: it is open what it does."""
    if tables.before.reported is None or tables.after.reported is not None:
        return overall
    false = [
        c for i, c in enumerate(e.found) if not e.found[c].material_before and _false(tables.before, i) >= 3
    ]
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
    b, a = tables.before.reported is not None, tables.after.reported is not None
    return "" if b == a else "before" if b else "after"


def _driven(after: Sequence[Side], frame: tuple[float, float] | None) -> bool | None:
    if frame is None:
        return None
    count = 0
    for s in after:
        judged = s.events["state"].isin(["firing", "misfire"]).to_numpy(dtype=bool)
        near = np.abs(s.events["rpm"].to_numpy(dtype=float) - frame[0]) <= 375.0
        load = s.events["load_pct"].to_numpy(dtype=float)
        count += int(np.sum(judged & near & (np.abs(load - frame[1]) <= 20.0)))
    return count >= _FREEZE_FRAME_FIRINGS


def _needed(ch: Change, raw: Answer, alpha: float) -> int | None:
    # When only the monitor's silence stands against it, the whole drive is to be repeated.
    return (replace(ch, shared_after=(0, 0)) if raw == "cleared" else ch).needed(alpha)


def _swap(
    tables: Tables,
    pair: tuple[int, int],
    engine: Engine,
    phi: float,
    alpha: float,
) -> tuple[Overall, dict[Label, int | None]]:
    swap = judge_swap(tables, pair, engine, phi, alpha)
    head = {
        "moved": f"The misfire moved with the part between cylinders {pair[0]} and {pair[1]}: "
        "the part is at fault.",
        "stayed": "The misfire stayed with its cylinder: the swapped part is not the cause.",
        "not_proven": "Not proven: whether the misfire went with the part is open.",
    }[swap.answer]
    overall = Overall(swap.answer, head, list(swap.reasons), list(swap.missing), list(pair))
    at = {tables.naming.common(c) for c in pair} & set(tables.naming.labels)
    return overall, dict.fromkeys(at, swap.needed_per_cylinder)
