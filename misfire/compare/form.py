"""The comparison in the form "misfire-comparison": rows, verdict, sequential plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from misfire.compare.answer import Evidence, Kind, Overall, remaining
from misfire.compare.judge import CLEARED_FRACTION, Answer, Change, clustering
from misfire.compare.side import STRATUM_LOAD_PCT, STRATUM_RPM, Counts, Label, Naming, Side, Tables
from misfire.counts import WaldPlan, bootstrap_rate_pct, rate_interval_pct
from misfire.engine import Engine


def row(
    i: int,
    tables: Tables,
    before: Sequence[Side],
    after: Sequence[Side],
    changes: Mapping[str, Mapping[Label, Change]],
    adjusted: Mapping[str, Mapping[Label, float]],
    raw: Mapping[str, Mapping[Label, Answer]],
    kind: Kind,
    answers: Mapping[Label, Answer],
    evidence: Evidence,
    needed: Mapping[Label, int | None],
) -> dict[str, Any]:
    c = tables.naming.labels[i]
    used = kind if c in changes[kind] else "found"
    ch = changes[used][c]
    # A true misfire that is still there decides over what the controller reports on that cylinder.
    truly = c in remaining(evidence)
    answer = raw["found"][c] if truly or used == "found" else answers[c]
    return {
        "cylinder": c,
        "before": _block(i, tables.naming, tables.before, before),
        "after": _block(i, tables.naming, tables.after, after),
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


def _block(i: int, named: Naming, counts: Counts, sides: Sequence[Side]) -> dict[str, Any]:
    k, n = int(counts.found[i].sum()), int(counts.firings[i].sum())
    blocks = counts.blocks["found"][:, i]
    clustered = clustering(blocks) > 1.0
    interval = bootstrap_rate_pct(blocks[0], blocks[3]) if clustered else rate_interval_pct(k, n)
    reported = None if counts.reported is None else counts.reported[i]
    uncorrected = [
        r["misfires_uncorrected"]
        for s in sides
        for r in s.result["cylinders"]
        if named.labels.index(named.common(r["cylinder"])) == i
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


def verdict(
    overall: Overall,
    needed: Mapping[Label, int | None],
    tables: Tables,
    changes: Mapping[Label, Change],
    engine: Engine,
) -> dict[str, Any]:
    known = [v for v in needed.values() if v is not None]
    most = max(known) if known else None
    reasons, missing = list(overall.reasons), list(overall.missing)
    total = minutes = at = None
    if most is not None:
        rpm, load_pct = _where(tables, [c for c in needed if needed[c] is not None])
        at = {"speed_rpm": rpm, "load_pct": load_pct}
        total = most * len(tables.naming.labels)
        minutes = round(total / (engine.cylinders * rpm / 2.0), 1)
        load = "" if load_pct is None else f" and {load_pct:.0f} % load"
        missing.insert(
            0,
            f"about {total} more firings ({most} of each cylinder): {minutes:g} minutes "
            f"near {rpm:.0f} rpm{load}, at the speeds and loads of the log before",
        )
    return {
        "answer": overall.answer,
        "headline": overall.headline,
        "reasons": reasons,
        "needed_firings": total,
        "needed_firings_per_cylinder": most,
        "needed_minutes": minutes,
        "needed_at": at,
        "missing": missing,
    }


def _where(tables: Tables, cylinders: Sequence[Label]) -> tuple[float, float | None]:
    """The stratum that held most counts before (most firings when the log shows none)."""
    rows = [tables.naming.labels.index(c) for c in cylinders]
    weight = (tables.before.found[rows] + tables.before.false[rows]).sum(axis=0)
    if not weight.any():
        weight = tables.before.firings[rows].sum(axis=0)
    rpm, load = tables.strata[int(np.argmax(weight))]
    return float(max(rpm, 1.0)), _finite(float(load))


def sequential(changes: Mapping[Label, Change], alpha: float) -> dict[str, Any] | None:
    """A plan for watching a drive grow, for the cylinder with the highest rate before."""
    rates = {c: ch.before[0] / ch.before[1] for c, ch in changes.items() if ch.material_before}
    if not rates:
        return None
    c = max(rates, key=lambda k: rates[k])
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


def assumptions(tables: Tables) -> list[str]:
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
            "controller counts carry no times: totals are compared, weighted for the speeds and loads driven"
        )
    out.append("a repaired cylinder is taken to misfire at a hundredth of its rate before")
    return out


def _finite(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None
