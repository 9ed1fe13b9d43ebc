"""The contract's dict of one analysis, part by part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from misfire import __version__
from misfire.counts import rate_interval_pct, windows
from misfire.decide import FIRING, MISFIRE
from misfire.evidence.maps import lost_work_map
from misfire.intake.counts import Counts
from misfire.onelog import OneLog
from misfire.verdict import Evidence, all_labels, pair_of

MOST_FAULTS = 2000  # of a log, listed one by one


def result_of(
    logs: Sequence[OneLog], ev: Evidence, verdict: dict[str, Any], counts: Counts | None
) -> dict[str, Any]:
    """Everything found, without arrays: see the contract's result of an analysis."""
    names = all_labels(logs)
    return {
        "format": "misfire-analysis",
        "version": 1,
        "version_of_tool": __version__,
        "engine": _engine(logs[0]),
        "log": _log(logs),
        "signal": _signal(logs, ev),
        "phase": ev.phase,
        "pattern": _pattern(logs, ev),
        "cylinders": _cylinders(ev),
        "reported": None if counts is None else _reported(counts),
        "windows": _windows(logs, names),
        "lost_work_map": lost_work_map(logs, names).to_dict(),
        "verdict": verdict,
        "assumptions": _assumptions(logs),
    }


def _engine(first: OneLog) -> dict[str, Any]:
    engine, wheel = first.engine, first.crank.wheel
    return {
        "name": engine.name,
        "cylinders": engine.cylinders,
        "firing_order": list(engine.firing_order),
        "firing_tdc_deg": list(engine.firing_tdc_deg),
        "wheel": {
            "label": wheel.label,
            "positions": wheel.positions,
            "missing": list(wheel.missing),
            "first_tooth_after_tdc1_deg": first.phase.first_deg,
        },
    }


def _log(logs: Sequence[OneLog]) -> dict[str, Any]:
    rpm = np.concatenate([log.events.rpm for log in logs])
    speed = (np.nanmin(rpm), np.nanmedian(rpm), np.nanmax(rpm)) if rpm.size else (np.nan, np.nan, np.nan)
    return {
        "edges": sum(log.crank.edges for log in logs),
        "turns": sum(log.crank.turns for log in logs),
        "duration_s": float(sum(log.recording.crank_s[-1] - log.recording.crank_s[0] for log in logs)),
        "speed_rpm": {k: _or_none(float(x)) for k, x in zip(("min", "median", "max"), speed, strict=True)},
        "files": [log.recording.source for log in logs],
        "decisions": logs[0].recording.decisions,
    }


def _signal(logs: Sequence[OneLog], ev: Evidence) -> dict[str, Any]:
    said = [x for log in logs for x in (*log.recording.notes, *log.notes) if x not in log.phase.notes]
    notes = list(dict.fromkeys(said))
    weak = sum(log.crank.first_tooth_lost for log in logs)
    if weak:
        notes.append(
            f"the first tooth after the gap (position 0) did not reach the threshold in {weak} turns: "
            "a matter of the threshold chosen, not a fault; the tool does not need that tooth"
        )
    # turns run on over all logs, as those of the event rows do
    before = np.concatenate(([0], np.cumsum([log.crank.turns for log in logs])))
    return {
        "extra_edges": ev.extra_edges,
        "lost_edges": ev.lost_edges,
        "resyncs": ev.resyncs,
        "turns_set_aside": ev.turns_set_aside,
        "first_tooth_lost": weak,
        "notes": notes,
        "faults": [
            {"kind": f.kind, "time_s": f.time_s, "turn": int(before[i]) + f.turn, "position": f.position}
            for i, log in enumerate(logs)
            for f in log.crank.faults[:MOST_FAULTS]
        ],
    }


def _pattern(logs: Sequence[OneLog], ev: Evidence) -> dict[str, Any]:
    """The pattern of the log that had most turns for it, by wheel position."""
    longest = max(logs, key=lambda one: one.pattern.turns)
    wheel = longest.crank.wheel
    by_position = wheel.positions if wheel.angles_deg is None else wheel.teeth
    error: list[float | None] = [None] * by_position
    sd: list[float | None] = [None] * by_position
    for j, p in enumerate(wheel.tooth_positions):
        error[int(p)] = _or_none(float(longest.pattern.error_deg[j]))
        sd[int(p)] = _or_none(float(longest.pattern.sd_deg[j]))
    return {
        "learned_from": longest.pattern.learned_from,
        "turns": longest.pattern.turns,
        "tooth_error_deg": error,
        "tooth_error_sd_deg": sd,
        "segment_error_pct": {k: v[0] for k, v in longest.segment_error_pct.items()},
        "segment_error_sd_pct": {k: v[1] for k, v in longest.segment_error_pct.items()},
        "stable": ev.pattern_stable,
        "note": "orders of the firing frequency are taken out: inertia and gas ripple look exactly like them",
    }


def _cylinders(ev: Evidence) -> list[dict[str, Any]]:
    out = []
    for c in ev.cylinders:
        lo, hi = rate_interval_pct(c.misfires, c.firings)
        both = pair_of(ev, c.cylinder)
        out.append(
            {
                "cylinder": c.cylinder,
                **({"either": both} if len(both) == 2 else {}),
                "firings": c.firings,
                "misfires": c.misfires,
                "partial": c.partial,
                "rate_pct": 100 * c.misfires / c.firings if c.firings else None,
                "rate_ci95_pct": [float(lo), float(hi)],
                "misfires_uncorrected": c.uncorrected,
                "uncorrected_ci95_pct": _interval(c.uncorrected, c.firings),
                "reported": c.reported,
                # the controller watches every firing with fuel, also those that the log cannot judge
                "reported_ci95_pct": _interval(c.reported, c.firings + c.unusable),
                "mean_lost_work": _or_none(c.mean_lost_work),
                "unusable": c.unusable,
            }
        )
    return out


def _windows(logs: Sequence[OneLog], names: Sequence[int | str]) -> dict[str, Any]:
    """Counting windows of 200 and 1000 turns over all logs, one after the other."""
    index = {name: i for i, name in enumerate(names)}
    offset, turn, cylinder, flag, usable = 0, [], [], [], []
    for log in logs:
        turn.append(log.events.turn + offset)
        offset += log.crank.turns
        cylinder.append(np.array([index[x] for x in log.label.tolist()], dtype=np.int64))
        flag.append(log.decision.state == MISFIRE)
        usable.append((log.decision.state == FIRING) | (log.decision.state == MISFIRE))
    turns, cylinders, flags, good = (np.concatenate(v) for v in (turn, cylinder, flag, usable))
    count = logs[0].engine.cylinders
    return {f"turns{k}": windows(turns, cylinders, flags, k, count, good) for k in (200, 1000)}


def _assumptions(logs: Sequence[OneLog]) -> list[str]:
    first = logs[0]
    engine, out = first.engine, []
    if engine.cylinders > 1 and first.phase.named:
        order = "-".join(map(str, engine.firing_order))
        out.append(f"cylinders named by the firing order {order}: check it in the service manual")
    if first.crank.wheel_found:
        out.append(f"wheel {first.crank.wheel.label}: found in the log, not given")
    out += list(dict.fromkeys(x for log in logs for x in log.phase.notes))
    if first.phase.status == "unknown" and engine.companions:
        out.append("no cam edge or cylinder-1 mark: companions cannot be told apart, both are named")
    if not engine.reciprocating_mass_kg:
        out.append(
            "normal work taken from the engine's own ripple with generic shapes of compression and combustion"
        )
    out.append(
        "window floors of 5 % and 1 % are the legal floors; real calibrated limits depend on speed and load"
    )
    return out


def _reported(counts: Counts) -> dict[str, Any]:
    """What the controller said; one read alone is a total that is shown and not compared."""
    return {
        "monitor_ran": counts.monitor_ran,
        "kind": counts.kind,
        "totals": {str(c): n for c, n in counts.totals.items()},
        "at_least": list(counts.at_least),
        "notes": list(counts.notes),
    }


def _interval(count: int | None, firings: int) -> list[float] | None:
    """Exact 95 % interval of a rate [%]; None without firings, or for a count above them."""
    if count is None or not 0 <= count <= firings or not firings:
        return None
    lo, hi = rate_interval_pct(count, firings)
    return [float(lo), float(hi)]


def _or_none(x: float) -> float | None:
    return float(x) if np.isfinite(x) else None
