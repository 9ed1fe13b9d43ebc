"""Logs of one engine -> evidence: counts and means per cylinder, signal and pattern, all logs pooled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from misfire.decide import FIRING, MISFIRE, MOTORING, PARTIAL_FROM, UNUSABLE, Reason
from misfire.evidence import lines, stopped
from misfire.intake.counts import Counts
from misfire.onelog import OneLog
from misfire.verdict.evidence import CylinderEvidence, Evidence, Steady

LEAST_STRETCH = 20  # firings of a stretch whose mean is to count


def _joined(logs: Sequence[OneLog], name: str) -> np.ndarray[Any, Any]:
    return np.concatenate([getattr(log.decision, name) for log in logs])


def all_labels(logs: Sequence[OneLog]) -> list[int | str]:
    """Cylinder numbers or places of all logs, in order."""
    engine, phase = logs[0].engine, logs[0].phase
    names = {x for log in logs for x in log.labels}
    if phase.named and phase.status != "unknown":
        names |= set(engine.firing_order)
    return sorted(names, key=lambda v: (isinstance(v, str), v))


def _steady(logs: Sequence[OneLog], name: int | str) -> Steady:
    """What the place of a label lacks, all logs pooled; of two places under one label the one that lacks more."""
    lost, other, stretch = [np.zeros(0)], [np.zeros(0)], [np.zeros(0)]
    for number, log in enumerate(logs):
        d, place = log.decision, log.events.place
        fired = (d.state == FIRING) & np.isfinite(d.lost_work)
        means = {p: float(np.mean(d.lost_work[fired & (place == p)])) for p in np.unique(place[fired])}
        seen = (fired | (d.state == MISFIRE)) & np.isfinite(d.lost_work)
        usual = {p: float(np.median(d.lost_work[seen & (place == p)])) for p in np.unique(place[seen])}
        own = [p for p in np.unique(place[fired & (log.label == name)])]
        if not own:
            continue
        worst = max(own, key=lambda p: means[p])
        mine = fired & (place == worst)
        order = log.engine.firing_order
        mate = log.engine.companions.get(order[worst])
        x = d.lost_work[mine]
        lost.append(x)
        other.append(np.full(x.size, np.nan if mate is None else usual.get(order.index(mate), np.nan)))
        octave = np.floor(3 * np.log2(np.maximum(log.events.rpm[mine], 50.0)))
        quarter = np.arange(x.size) * 4 // max(x.size, 1)
        stretch.append(1000.0 * number + 10.0 * octave + quarter)
    x, both, where = (np.concatenate(v) for v in (lost, other, stretch))
    if not x.size:
        return Steady(np.nan, np.nan, np.nan, np.nan, 0)
    parts = [x[where == k] for k in np.unique(where)]
    least = min((float(np.mean(v)) for v in parts if v.size >= LEAST_STRETCH), default=float(np.mean(x)))
    # neighbouring cycles are alike, so the error of the mean counts blocks, not events
    sd = float(np.std(x) / np.sqrt(max(x.size / 4, 1)))
    mate_lost = float(np.mean(both)) if np.isfinite(both).all() else np.nan
    return Steady(float(np.mean(x)), sd, least, mate_lost, x.size)


def gather(logs: Sequence[OneLog], counts: Counts | None, codes: tuple[str, ...]) -> Evidence:
    """What the judgement rests on, pooled over logs of one engine."""
    label = np.concatenate([log.label for log in logs])
    lost, state, reason = (_joined(logs, name) for name in ("lost_work", "state", "reason"))
    rpm = np.concatenate([log.events.rpm for log in logs])
    unc = np.concatenate([log.uncorrected for log in logs])
    rows, stops = [], stopped(logs)
    for name in all_labels(logs):
        mine = label == name
        s, x = state[mine], lost[mine]
        counted = (s == FIRING) | (s == MISFIRE)
        fired = s == FIRING
        false = mine & unc & (state == FIRING) & (lost < PARTIAL_FROM)
        reported = None
        if counts is not None and counts.misfires is not None and isinstance(name, int):
            mate = logs[0].engine.companions.get(name)
            both = [name] if logs[0].phase.status != "unknown" or mate is None else [name, mate]
            read = [counts.misfires[c] for c in both if c in counts.misfires]
            # a cylinder that the file does not name was not read, which is not zero
            reported = sum(read) if len(read) == len(both) else None
        rows.append(
            CylinderEvidence(
                name,
                int(counted.sum()),
                int((s == MISFIRE).sum()),
                int((fired & (x >= PARTIAL_FROM)).sum()),
                int((unc & mine).sum()),
                int(false.sum()),
                float(np.nanpercentile(rpm[false], 5)) if false.any() else None,
                float(np.mean(x[counted])) if counted.any() else np.nan,
                _steady(logs, name),
                int((s == UNUSABLE).sum()),
                reported,
                int((reason[mine] == Reason.SIZE_OPEN).sum()),
                _judged_around(s),
                stops.get(name),
            )
        )
    first = logs[0]
    longest = max(logs, key=lambda one: one.pattern.turns)
    n = first.engine.cylinders
    ambiguous: list[int | str] = []
    deep = 0.0
    for log in logs:
        order = log.engine.firing_order
        for i in log.decision.ambiguous:
            name = log.label[log.events.place == i]
            ambiguous += (
                name[:1].tolist() if log.phase.status != "measured" or not log.phase.named else [order[i]]
            )
            deep = max(deep, float(log.decision.open_lost[i]))
    judged = int(((state == FIRING) | (state == MISFIRE)).sum())
    active = int((state != MOTORING).sum())
    error = longest.pattern.error_deg
    inner = error.copy()
    if longest.crank.wheel.missing:
        inner[0] = inner[-1] = np.nan
    worst = None
    if np.isfinite(inner).any():
        j = int(np.nanargmax(np.abs(inner)))
        worst = (int(longest.crank.wheel.tooth_positions[j]), float(inner[j]))
    unstable = [log.pattern.stable for log in logs if log.pattern.stable is not None]
    return Evidence(
        engine=first.engine,
        cylinders=rows,
        phase=first.phase.status,
        named=first.phase.named,
        usable_turns=int(judged * 2 / n),
        turns=sum(log.crank.turns for log in logs),
        extra_edges=sum(log.crank.extra_edges for log in logs),
        lost_edges=sum(log.crank.lost_edges for log in logs),
        resyncs=sum(log.crank.resyncs for log in logs),
        turns_set_aside=sum(log.crank.turns_set_aside for log in logs),
        pattern_from=longest.pattern.learned_from,
        pattern_stable=None if not unstable else all(unstable),
        pattern_drift_deg=max(log.pattern.drift_deg for log in logs),
        worst_tooth=worst,
        ambiguous=tuple(dict.fromkeys(ambiguous)),
        ambiguous_lost=deep,
        unusable_share=float((state == UNUSABLE).sum() / max(active, 1)),
        motoring_share=float((state == MOTORING).mean()) if state.size else 0.0,
        speed_ratio=float(np.nanpercentile(rpm, 95) / np.nanpercentile(rpm, 5)) if rpm.size else 1.0,
        codes=codes,
        counts_given=counts is not None and counts.misfires is not None,
        monitor_ran=None if counts is None else counts.monitor_ran,
        nothing_fired=bool(state.size and judged == 0 and (state == MOTORING).mean() > 0.5),
        engine_doubt=next((log.phase.doubt for log in logs if log.phase.doubt), ""),
        lines=lines(logs),
    )


def _judged_around(state: np.ndarray[Any, Any]) -> float:
    """Share of a cylinder's firings within ten of each of its misfires that could be judged, mean over misfires.

    Of a stretch that is nearly all noise, the few that pass for misfires are its tail and no sample of it.
    """
    miss = np.flatnonzero(state == MISFIRE)
    if not miss.size:
        return 1.0
    open_ = np.concatenate([[0], np.cumsum(state == UNUSABLE)])
    any_ = np.concatenate([[0], np.cumsum(state != MOTORING)])
    lo, hi = np.maximum(miss - 10, 0), np.minimum(miss + 11, state.size)
    return float(1 - np.mean((open_[hi] - open_[lo]) / np.maximum(any_[hi] - any_[lo], 1)))
