"""The tables: cause true against cause found, events, calibration."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import numpy as np

from tests.benchmarks.verdict.run import grade, line

CALLED = ("misfire", "crank_pattern", "sensor_signal", "weak_cylinder", "driveline", "clear", "undetermined")


def confusion(runs: list[dict[str, Any]]) -> str:
    """Rows: cause drawn. Columns: runs with each firm finding, or the status without one; and the grades."""
    short = ("misfire", "pattern", "signal", "weak", "drivel", "clear", "undet")
    grades = ("ok", "wrong", "missed", "open", "undecided", "crash", "simulator")
    out = [f"{'cause drawn':16s}{'runs':>5s} |" + "".join(f"{x:>8s}" for x in short)
           + " |" + "".join(f"{x:>10s}" for x in grades)]  # fmt: skip
    for cause in [*dict.fromkeys(r["cause"] for r in runs), "all"]:
        mine = [r for r in runs if cause in (r["cause"], "all")]
        called: Counter[str] = Counter()
        for r in mine:
            for c in {f[0] for f in r.get("findings", [])} or {r.get("status", "")}:
                called[c] += 1
        g = Counter(grade(r) for r in mine)
        out.append(
            f"{cause:16s}{len(mine):5d} |" + "".join(f"{called[c]:8d}" for c in CALLED)
            + " |" + "".join(f"{g[x]:10d}" for x in grades)
        )  # fmt: skip
    return "\n".join(out)


BINS = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


def reliability(runs: list[dict[str, Any]]) -> str:
    """Of the findings and candidates with a confidence, how many name a true cause and no cylinder wrongly."""
    every = [g for r in runs for g in r.get("graded", [])]
    lines = ["confidence      said   right"]
    for lo, hi in pairwise(BINS):
        mine = [ok for _, c, ok, *_ in every if lo <= c < hi or (hi == 1.0 and c == 1.0)]
        if mine:
            share = 100 * sum(mine) / len(mine)
            lines.append(f"{lo:.2f} to {hi:.2f} {len(mine):7d} {share:6.1f} %")
    return "\n".join(lines)


def calibration(runs: list[dict[str, Any]]) -> str:
    """Firm findings right, by cause."""
    right: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    for r in runs:
        for cause, *_ in r.get("right", []):
            right[cause] += 1
        for cause, *_ in r.get("wrong", []):
            wrong[cause] += 1
    lines = [
        f"{c:16s} firm {right[c] + wrong[c]:4d}  right {right[c]:4d}  wrong {wrong[c]:4d}" for c in CALLED[:5]
    ]
    a, b = sum(right.values()), sum(wrong.values())
    lines.append(
        f"{'all':16s} firm {a + b:4d}  right {a:4d}  wrong {b:4d}  ({100 * a / max(a + b, 1):.1f} % right)"
    )
    return "\n".join(lines)


def events(runs: list[dict[str, Any]]) -> str:
    """False alarms, misses, unusable share and bias of lost work, over all runs."""
    rows = [r["events"] for r in runs if "events" in r and grade(r) != "crash"]
    if not rows:
        return "no events"
    total = {k: float(np.nansum([e[k] for e in rows])) for k in rows[0]}

    def mean(value: str, weight: str) -> float:
        pairs = [(e[value], e[weight]) for e in rows if e[weight] > 0]
        return (
            float(np.average([p[0] for p in pairs], weights=[p[1] for p in pairs])) if pairs else float("nan")
        )

    per_m = 1e6 * total["false"] / max(total["fired"], 1)
    dirty = sum(e["false"] + e["false_motoring"] > 0 for e in rows)
    decided = total["true"] - total["true_unusable"] - total["true_motoring"]
    return "\n".join(
        [
            f"events {total['events']:.0f}, fired {total['fired']:.0f}, truly missed {total['true']:.0f}, "
            f"misnamed {total['misnamed']:.0f}, not matched in time {total['unmatched']:.0f}",
            f"false alarms {total['false']:.0f} = {per_m:.0f} per million firings, in {dirty} of {len(rows)} logs; "
            f"in fuel cut {total['false_motoring']:.0f}",
            f"misfires not counted {total['missed']:.0f} of {decided:.0f} decided "
            f"({100 * total['missed'] / max(decided, 1):.2f} %); unusable {total['true_unusable']:.0f}, "
            f"called motoring {total['true_motoring']:.0f}",
            f"unusable {100 * total['unusable'] / max(total['events'], 1):.2f} % of events",
            f"bias of lost work: full misfires {mean('full_bias', 'full_n'):+.3f}, "
            f"half burns {mean('part_bias', 'part_n'):+.3f}",
        ]
    )


def print_all(runs: list[dict[str, Any]]) -> None:
    """Everything, then one line a run that is not ok."""
    print(confusion(runs), calibration(runs), reliability(runs), events(runs), sep="\n\n")
    bad = [r for r in runs if grade(r) not in ("ok", "open")]
    print(f"\n{len(bad)} of {len(runs)} runs not right:")
    for r in bad:
        print(line(r))
