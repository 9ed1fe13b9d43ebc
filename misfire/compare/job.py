"""From two sides of analysed logs to the comparison."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from misfire.compare.answer import KIND_WORDS, Evidence, Kind, Overall, decide, names, remaining
from misfire.compare.judge import CLEARED_FRACTION, Answer, Change, change, clustering, standardised
from misfire.compare.pattern import compare_patterns
from misfire.compare.side import STRATUM_LOAD_PCT, STRATUM_RPM, Counts, Side, Tables, check_sides, tabulate
from misfire.compare.swap import check_pair, judge_swap
from misfire.counts import WaldPlan, bootstrap_rate_pct, holm, rate_interval_pct
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

    Rates are compared in strata of 375 rpm and 20 % load with the exact conditional test (central convention);
    `ratio` is after-rate / before-rate, None where it is infinite or nothing was counted.
    Raises InputError when the sides are not of one engine and nominal wheel, or the options do not fit.
    """
    options = options or CompareOptions()
    engine = check_sides(before, after)
    if options.swapped is not None:
        check_pair(options.swapped, engine.cylinders)
    if not 0.0 < options.overall_error < 0.5:
        raise InputError("compare: the overall error must lie between 0 and 0.5")
    tables = tabulate(before, after, engine.cylinders)
    alpha = options.overall_error
    cylinders = range(1, engine.cylinders + 1)
    phi = {c: _phi(tables, "found", c) for c in cylinders}
    changes = _changes(tables, cylinders, phi)
    adjusted = {k: _holm(v) for k, v in changes.items()}
    raw = {k: {c: ch.answer(adjusted[k][c], alpha) for c, ch in v.items()} for k, v in changes.items()}
    kind: Kind = "found"
    if changes["reported"]:
        kind = "reported"
    elif not any(ch.material_before or ch.material_after for ch in changes["found"].values()) and any(
        ch.before[0] or ch.after[0] for ch in changes["uncorrected"].values()
    ):
        kind = "uncorrected"
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
        accused=frozenset(_accused(after)),
        pattern=pattern,
        wheel_before=_has(before, "crank_pattern", "wheel"),
        wheel_after=_has(after, "crank_pattern", "wheel"),
        monitor_ran=tables.after.monitor_ran,
        reported_one_side=_one_side(tables),
        freeze_frame_driven=_driven(after, options.freeze_frame),
    )
    overall = _unread_counts(decide(evidence), tables, evidence)
    needed: dict[int, int | None] = {}
    if options.swapped is not None:
        overall, needed = _swap(tables, options.swapped, engine, before, after, max(phi.values()), alpha)
    elif overall.answer == "not_proven":
        each = alpha / engine.cylinders
        needed = {
            c: _needed(changes[kind][c], raw[kind][c], each)
            for c in overall.cylinders or [c for c in cylinders if c in answers]
            if changes[kind][c].before[0] and answers[c] == "not_proven"
        }
    rows = [
        _row(c, tables, before, after, changes, adjusted, raw, kind, answers, evidence, needed)
        for c in cylinders
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
        "sequential": _sequential(changes[kind], alpha),
        "verdict": _verdict(overall, needed, tables, changes[kind], engine),
        "assumptions": _assumptions(tables),
    }


def _phi(tables: Tables, name: str, c: int) -> float:
    return max(clustering(t.blocks[name][:, c - 1]) for t in (tables.before, tables.after))


def _changes(tables: Tables, cylinders: range, phi: Mapping[int, float]) -> dict[str, dict[int, Change]]:
    b, a = tables.before, tables.after
    out: dict[str, dict[int, Change]] = {"found": {}, "uncorrected": {}, "reported": {}, "false": {}}
    for c in cylinders:
        i = c - 1
        out["found"][c] = change(b.found[i], b.firings[i], a.found[i], a.firings[i], phi[c])
        out["uncorrected"][c] = change(
            b.false[i], b.firings[i], a.false[i], a.firings[i], _phi(tables, "false", c)
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


def _holm(changes: Mapping[int, Change]) -> dict[int, float]:
    return dict(zip(changes, holm([c.p_value for c in changes.values()]), strict=True))


def _watched(raw: Answer, kind: Kind, ran: bool | None, reported: Change | None) -> Answer:
    """Fallen controller counts prove something only when the monitor ran."""
    if kind == "reported" and ran is not True and reported is not None and raw in ("cleared", "improved"):
        return "not_proven"
    return raw


def _unread_counts(overall: Overall, tables: Tables, e: Evidence) -> Overall:
    """The controller accused firing cylinders before and was not read after: whether it still does is open."""
    if tables.before.reported is None or tables.after.reported is not None:
        return overall
    false = [c for c in e.found if not e.found[c].material_before and _false(tables.before, c - 1) >= 3]
    if not false or overall.answer not in ("cleared", "cleared_cause_present", "unchanged", "improved"):
        return overall
    return replace(
        overall,
        answer="not_proven",
        headline=f"Not proven: the controller counted on firing {names(false)}, and was not read after.",
        missing=[*overall.missing, "the controller counts after the work (--counts-after)"],
    )


def _accused(after: Sequence[Side]) -> set[int]:
    return {
        int(c)
        for s in after
        for f in s.result["verdict"]["findings"]
        if f["cause"] == "misfire"
        for c in f["cylinders"]
    }


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
    before: Sequence[Side],
    after: Sequence[Side],
    phi: float,
    alpha: float,
) -> tuple[Overall, dict[int, int | None]]:
    named = all(s.result.get("phase") != "unknown" for s in (*before, *after))
    swap = judge_swap(tables, pair, engine, named, phi, alpha)
    head = {
        "moved": f"The misfire moved with the part between cylinders {pair[0]} and {pair[1]}: the part is at fault.",
        "stayed": "The misfire stayed with its cylinder: the swapped part is not the cause.",
        "not_proven": "Not proven: whether the misfire went with the part is open.",
    }[swap.answer]
    overall = Overall(swap.answer, head, list(swap.reasons), list(swap.missing), list(pair))
    return overall, {c: swap.needed_per_cylinder for c in pair}


def _row(
    c: int,
    tables: Tables,
    before: Sequence[Side],
    after: Sequence[Side],
    changes: Mapping[str, Mapping[int, Change]],
    adjusted: Mapping[str, Mapping[int, float]],
    raw: Mapping[str, Mapping[int, Answer]],
    kind: Kind,
    answers: Mapping[int, Answer],
    evidence: Evidence,
    needed: Mapping[int, int | None],
) -> dict[str, Any]:
    used = kind if c in changes[kind] else "found"
    ch = changes[used][c]
    # A true misfire that is still there decides over what the controller reports on that cylinder.
    truly = c in remaining(evidence)
    answer = raw["found"][c] if truly or used == "found" else answers[c]
    return {
        "cylinder": c,
        "before": _block(c, tables.before, before),
        "after": _block(c, tables.after, after),
        **_numbers(ch, adjusted[used][c]),
        "answer": answer,
        "needed_firings": needed.get(c),
        "by_count": {
            k: {**_numbers(v[c], adjusted[k][c]), "answer": raw[k][c]} for k, v in changes.items() if c in v
        },
    }


def _numbers(ch: Change, p_holm: float) -> dict[str, Any]:
    return {
        "ratio": _finite(ch.ratio),
        "ratio_ci95": [_finite(ch.ratio_ci[0]), _finite(ch.ratio_ci[1])],
        "p_value": ch.p_value,
        "p_holm": p_holm,
        "dispersion": round(ch.dispersion, 3),
        "covered_pct": round(100.0 * ch.covered, 1),
    }


def _block(c: int, counts: Counts, sides: Sequence[Side]) -> dict[str, Any]:
    i = c - 1
    k, n = int(counts.found[i].sum()), int(counts.firings[i].sum())
    blocks = counts.blocks["found"][:, i]
    clustered = clustering(blocks) > 1.0
    interval = bootstrap_rate_pct(blocks[0], blocks[3]) if clustered else rate_interval_pct(k, n)
    reported = None if counts.reported is None else counts.reported[i]
    uncorrected = [
        r["misfires_uncorrected"] for s in sides for r in s.result["cylinders"] if r["cylinder"] == c
    ]
    return {
        "firings": n,
        "misfires": k,
        "partial": int(counts.partial[i].sum()),
        "misfires_uncorrected": int(sum(uncorrected)),
        "reported": None if reported is None or not math.isfinite(reported) else int(reported),
        "rate_pct": 100.0 * k / n if n else None,
        "rate_ci95_pct": [interval[0], interval[1]],
        "interval": "block bootstrap" if clustered else "exact",
    }


def _verdict(
    overall: Overall,
    needed: Mapping[int, int | None],
    tables: Tables,
    changes: Mapping[int, Change],
    engine: Engine,
) -> dict[str, Any]:
    known = [v for v in needed.values() if v is not None]
    most = max(known) if known else None
    reasons, missing = list(overall.reasons), list(overall.missing)
    minutes = at = None
    if most is not None:
        at = _where(tables, [c for c in needed if needed[c] is not None])
        minutes = round(most / (at["speed_rpm"] / 2.0), 1)
        load = "" if at["load_pct"] is None else f" and {at['load_pct']:.0f} % load"
        missing.insert(
            0,
            f"about {most * engine.cylinders} more firings ({most} of each cylinder): {minutes:g} minutes near "
            f"{at['speed_rpm']:.0f} rpm{load}, at the speeds and loads of the log before",
        )
    return {
        "answer": overall.answer,
        "headline": overall.headline,
        "reasons": reasons,
        "needed_firings": None if most is None else most * engine.cylinders,
        "needed_firings_per_cylinder": most,
        "needed_minutes": minutes,
        "needed_at": at,
        "missing": missing,
    }


def _where(tables: Tables, cylinders: Sequence[int]) -> dict[str, float | None]:
    """The stratum that held most counts before (most firings when the log shows none)."""
    rows = [c - 1 for c in cylinders]
    weight = (tables.before.found[rows] + tables.before.false[rows]).sum(axis=0)
    if not weight.any():
        weight = tables.before.firings[rows].sum(axis=0)
    rpm, load = tables.strata[int(np.argmax(weight))]
    return {"speed_rpm": float(max(rpm, 1.0)), "load_pct": _finite(float(load))}


def _sequential(changes: Mapping[int, Change], alpha: float) -> dict[str, Any] | None:
    """A plan for watching a drive grow, for the cylinder with the highest rate before."""
    rates = {c: ch.before[0] / ch.before[1] for c, ch in changes.items() if ch.material_before}
    if not rates:
        return None
    c = max(rates, key=lambda k: (rates[k], -k))
    bad = min(rates[c] * CLEARED_FRACTION, 0.99)
    plan = WaldPlan(bad / 10.0, bad, alpha=0.05, beta=alpha)
    k, n = changes[c].after
    return {
        "cylinder": c,
        "good_rate_pct": 100.0 * plan.good_rate,
        "bad_rate_pct": 100.0 * plan.bad_rate,
        "alpha": plan.alpha,
        "beta": plan.beta,
        "h1": plan.h1,
        "h2": plan.h2,
        "s": plan.s,
        "firings_without_misfire": plan.firings_without_misfire,
        "state": plan.decide(k, n),
    }


def _assumptions(tables: Tables) -> list[str]:
    out = [
        f"firings are compared in strata of {STRATUM_RPM:.0f} rpm"
        + (
            f" and {STRATUM_LOAD_PCT:.0f} % load"
            if tables.by_load
            else "; load is not in every log, so it is not"
        )
    ]
    if tables.before.reported is not None and tables.after.reported is not None:
        out.append(
            "controller counts carry no times: they are compared as totals, weighted for the speeds and loads driven"
        )
    out.append("a repaired cylinder is taken to misfire at a hundredth of its rate before")
    return out


def _finite(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None


__all__ = ["KIND_WORDS", "CompareOptions", "compare"]
