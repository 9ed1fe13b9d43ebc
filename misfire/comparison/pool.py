"""All logs of a side shown as one: what the figures of a comparison are drawn from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from misfire.comparison.pattern import pooled_pattern

if TYPE_CHECKING:
    import pandas as pd

    from misfire.comparison.side import Side

_SUMS = ("firings", "misfires", "partial", "misfires_uncorrected", "unusable")


def pooled(sides: Sequence[Side]) -> tuple[dict[str, Any], pd.DataFrame]:
    """One result in the form "misfire-analysis" and one table of events for all logs of a side.

    Counts and turns are summed, notes and findings listed once, the tooth pattern is the mean weighted with
    1/sd^2. Events stand log after log, numbered on; their `time_s` is that of each log's own clock.
    """
    if len(sides) == 1:
        return sides[0].result, sides[0].events
    import pandas as pd

    results = [s.result for s in sides]
    frames, event, turn = [], 0, 0
    for s in sides:
        own = s.events
        frames.append(own.assign(event=own["event"] + event, turn=own["turn"] + turn))
        event += len(own)
        turn += int(own["turn"].max()) + 1 if len(own) else 0
    events = pd.concat(frames, ignore_index=True)
    out = dict(results[0])
    out["log"] = _log(results, events)
    out["signal"] = _signal(results)
    out["pattern"] = pooled_pattern(results)
    out["cylinders"] = _cylinders(results)
    phases = {r.get("phase") for r in results}
    out["phase"] = next((p for p in ("unknown", "assumed") if p in phases), results[0].get("phase"))
    out["windows"] = {}
    out["inputs"] = [i for r in results for i in r.get("inputs") or []]
    out["assumptions"] = _once(a for r in results for a in r.get("assumptions") or [])
    verdict = dict(results[0]["verdict"])
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for f in (f for r in results for f in r["verdict"]["findings"]):
        key = (f["cause"], tuple(f["cylinders"]), (f.get("detail") or {}).get("where"))
        found.setdefault(key, f)
    verdict["findings"] = list(found.values())
    out["verdict"] = verdict
    return out, events


def _log(results: Sequence[dict[str, Any]], events: pd.DataFrame) -> dict[str, Any]:
    logs = [r.get("log") or {} for r in results]
    rpm = events["rpm"].dropna()
    speed = {k: float(getattr(rpm, k)()) if len(rpm) else None for k in ("min", "median", "max")}
    return {
        **{k: sum(one.get(k) or 0 for one in logs) for k in ("edges", "turns", "duration_s")},
        "speed_rpm": speed,
        "files": [f for one in logs for f in one.get("files") or []],
    }


def _signal(results: Sequence[dict[str, Any]]) -> dict[str, Any]:
    signals = [r.get("signal") or {} for r in results]
    keys = ("extra_edges", "lost_edges", "resyncs", "turns_set_aside", "first_tooth_lost")
    return {
        **{k: sum(s.get(k) or 0 for s in signals) for k in keys},
        "notes": _once(n for s in signals for n in s.get("notes") or []),
        "faults": [f for s in signals for f in s.get("faults") or []],
    }


def _cylinders(results: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of all names that any log uses; sums where every number is known."""
    names = sorted(
        {r["cylinder"] for one in results for r in one["cylinders"]}, key=lambda c: (isinstance(c, str), c)
    )
    out = []
    for name in names:
        rows = [r for one in results for r in one["cylinders"] if r["cylinder"] == name]
        out.append({"cylinder": name, **{k: sum(r.get(k) or 0 for r in rows) for k in _SUMS}})
    return out


def _once(lines: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(lines))
