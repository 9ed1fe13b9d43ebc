"""The comparison in the form "misfire-comparison": rows, verdict, sequential plan.

Firings needed in each stratum have shape (strata,). `adjusted` and `p_holm` are probabilities after Holm.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.comparison.answer import remaining
from misfire.comparison.drive import Drive, to_exclude
from misfire.comparison.evidence import Evidence, Kind, Overall
from misfire.comparison.judge import CLEARED_FRACTION, Answer, Change, clustering
from misfire.comparison.names import Label, Naming, both_of
from misfire.comparison.side import Counts, Side, Tables
from misfire.comparison.strata import STRATUM_LOAD_PCT, STRATUM_RPM
from misfire.counts import WaldPlan, bootstrap_rate_pct, rate_interval_pct

FloatArray = npt.NDArray[np.float64]


@dataclasses.dataclass(frozen=True)
class Judged:
    """Everything judged of two sides before the answer: by kind of count (found, uncorrected, reported, false) and label."""

    tables: Tables
    before: Sequence[Side]
    after: Sequence[Side]
    kind: Kind  # the count that decides
    changes: Mapping[str, Mapping[Label, Change]]
    adjusted: Mapping[str, Mapping[Label, float]]
    raw: Mapping[str, Mapping[Label, Answer]]
    evidence: Evidence


def row(
    i: int, j: Judged, answers: Mapping[Label, str], needs: Mapping[Label, FloatArray | None]
) -> dict[str, Any]:
    """One cylinder of the result: counts of both sides, ratio, p-value, answer."""
    c = j.tables.naming.labels[i]
    used = j.kind if c in j.changes[j.kind] else "found"
    ch = j.changes[used][c]
    # A true misfire that is still there decides over what the controller reports on that cylinder.
    truly = c in remaining(j.evidence)
    answer: str = answers.get(c, j.raw["found"][c])
    if answer not in ("moved", "stayed") and (truly or used == "found"):
        answer = j.raw["found"][c]
    need = needs.get(c)
    both = both_of(c)
    return {
        "cylinder": c,
        **({"either": list(both)} if len(both) == 2 else {}),
        "before": _block(i, j.tables.naming, j.tables.before, j.before),
        "after": _block(i, j.tables.naming, j.tables.after, j.after),
        **_numbers(ch, j.adjusted[used][c]),
        "answer": answer,
        "needed_firings": None if need is None else int(need.sum()),
        "by_count": {
            k: {**_numbers(v[c], j.adjusted[k][c]), "answer": j.raw[k][c]}
            for k, v in j.changes.items()
            if c in v
        },
    }


def number_row(c: Label, tables: Tables, ch: Change, p_holm: float, answer: Answer) -> dict[str, Any]:
    """A cylinder that only the controller can name: the log knows places, no cylinder numbers."""

    def block(side: Counts, firings: int) -> dict[str, Any]:
        count = (side.by_number or {}).get(int(c))
        return {
            "firings": firings,
            "misfires": None,
            "partial": None,
            "misfires_uncorrected": None,
            "reported": None if count is None else int(count),
            **_of_the_controller(count, firings),
        }

    return {
        "cylinder": c,
        "before": block(tables.before, ch.before[1]),
        "after": block(tables.after, ch.after[1]),
        **_numbers(ch, p_holm),
        "answer": answer,
        "needed_firings": None,
        "by_count": {},
    }


def _numbers(ch: Change, p_holm: float) -> dict[str, Any]:
    return {
        "ratio": _finite(ch.ratio),
        "ratio_ci95": [_finite(ch.ratio_ci[0]), _finite(ch.ratio_ci[1])],
        "at_like_speed_and_load": None
        if ch.like_pct is None
        else {"before_pct": ch.like_pct[0], "after_pct": ch.like_pct[1]},
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
    reported = None if counts.reported is None else float(counts.reported[i])
    if reported is not None and not math.isfinite(reported):
        reported = None
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
        "reported": None if reported is None else int(reported),
        **_of_the_controller(reported, int(counts.reported_firings[i].sum())),
        "rate_pct": 100.0 * k / n if n else None,
        "rate_ci95_pct": [interval[0], interval[1]],
        "interval": "block bootstrap" if clustered else "exact",
    }


def _of_the_controller(count: float | None, firings: int) -> dict[str, Any]:
    """Rate of the controller's counts over the firings that it watched, and its exact 95 % interval [%].

    Counts carry no times, so clustering cannot be seen in them: every firing is taken as independent. A count above
    the firings has no rate.
    """
    known = count is not None and 0 <= count <= firings and firings > 0
    interval = rate_interval_pct(int(count), firings) if known and count is not None else None
    return {
        "reported_firings": None if count is None else firings,
        "reported_rate_pct": 100.0 * count / firings if known and count is not None else None,
        "reported_ci95_pct": None if interval is None else list(interval),
    }


def verdict(overall: Overall, drive: Drive | None, changes: Mapping[Label, Change]) -> dict[str, Any]:
    """The verdict block: answer, reasons, and the drive that would decide."""
    missing = list(overall.missing)
    if drive is not None:
        legs = [
            f"{leg.minutes:g} minutes near {leg.speed_rpm:.0f} rpm"
            + ("" if leg.load_pct is None else f" and {leg.load_pct:.0f} % load")
            for leg in drive.legs
        ]
        missing.insert(
            0,
            f"about {drive.firings} more firings ({drive.per_cylinder} of each cylinder): {', '.join(legs)}",
        )
    main = None if drive is None else drive.legs[0]
    return {
        "answer": overall.answer,
        "headline": overall.headline,
        "reasons": list(overall.reasons),
        "needed_firings": None if drive is None else drive.firings,
        "needed_firings_per_cylinder": None if drive is None else drive.per_cylinder,
        "needed_minutes": None if drive is None else drive.minutes,
        "needed_at": None if main is None else {"speed_rpm": main.speed_rpm, "load_pct": main.load_pct},
        "needed_drive": [] if drive is None else [dataclasses.asdict(leg) for leg in drive.legs],
        "firings_without_misfire_to_exclude": to_exclude(_highest(changes)[1]),
        "missing": missing,
    }


def _highest(changes: Mapping[Label, Change]) -> tuple[Label | None, float]:
    """The cylinder with the highest rate before, and that rate (0..1)."""
    rates = {c: ch.before[0] / ch.before[1] for c, ch in changes.items() if ch.material_before}
    if not rates:
        return None, 0.0
    c = max(rates, key=lambda k: rates[k])
    return c, rates[c]


def sequential(changes: Mapping[Label, Change], alpha: float) -> dict[str, Any] | None:
    """A plan for watching a drive grow (Wald), for the cylinder with the highest rate before.

    Good: a hundredth of the rate before; bad: a tenth of it. `firings_left_without_misfire` is how many more
    firings of that cylinder without a misfire end the watch as good.
    """
    c, rate = _highest(changes)
    if c is None:
        return None
    bad = min(rate * CLEARED_FRACTION, 0.99)
    plan = WaldPlan(bad / 10.0, bad, alpha=0.05, beta=alpha)
    k, n = changes[c].after
    state = plan.decide(k, n)
    left = math.ceil((k + plan.h1) / plan.s - n - 1e-9) if state == "go_on" else 0
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
        "misfires_after": k,
        "firings_after": n,
        "firings_left_without_misfire": max(0, left),
        "state": state,
        "text": _watch(c, k, n, state, max(0, left)),
    }


def _watch(c: Label, misfires: int, firings: int, state: str, left: int) -> str:
    seen = f"Watching the drive grow, cylinder {c}: {misfires} of {firings} firings after"
    if state == "go_on":
        return f"{seen}; {left} more firings of it without one end the watch as good."
    return f"{seen}; the watch may end: " + (
        "less than a tenth of the rate before." if state == "good" else "not cleared."
    )


def assumptions(tables: Tables) -> list[str]:
    """What the comparison takes for granted."""
    out = [
        f"firings are compared in strata of {STRATUM_RPM:.0f} rpm"
        + (
            f" and {STRATUM_LOAD_PCT:.0f} % load"
            if tables.by_load
            else "; load is not in every log, so it is not"
        )
    ]
    if tables.before.by_number is not None and tables.after.by_number is not None:
        out.append(
            "controller counts carry no times: totals are compared, weighted for the speeds and loads driven"
        )
    out.append("a repaired cylinder is taken to misfire at a hundredth of its rate before")
    return out


def _finite(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None
