"""Logs of one engine -> evidence: counts and means per cylinder, signal and pattern, all logs pooled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from misfire.decide import FIRING, MISFIRE, MOTORING, PARTIAL_FROM, UNUSABLE
from misfire.intake.counts import Counts
from misfire.onelog import OneLog
from misfire.verdict.evidence import CylinderEvidence, Evidence


def _joined(logs: Sequence[OneLog], name: str) -> np.ndarray[Any, Any]:
    return np.concatenate([getattr(log.decision, name) for log in logs])


def all_labels(logs: Sequence[OneLog]) -> list[int | str]:
    """Cylinder numbers or places of all logs, in order."""
    engine, phase = logs[0].engine, logs[0].phase
    names = {x for log in logs for x in log.labels}
    if phase.named and phase.status != "unknown":
        names |= set(engine.firing_order)
    return sorted(names, key=lambda v: (isinstance(v, str), v))


def gather(logs: Sequence[OneLog], counts: Counts | None, codes: tuple[str, ...]) -> Evidence:
    """What the judgement rests on, pooled over logs of one engine."""
    label = np.concatenate([log.label for log in logs])
    lost, state = _joined(logs, "lost_work"), _joined(logs, "state")
    rpm = np.concatenate([log.events.rpm for log in logs])
    unc = np.concatenate([log.uncorrected for log in logs])
    rows = []
    for name in all_labels(logs):
        mine = label == name
        s, x = state[mine], lost[mine]
        counted = (s == FIRING) | (s == MISFIRE)
        fired = s == FIRING
        x_fired = x[fired]
        false = mine & unc & (state == FIRING) & (lost < PARTIAL_FROM)
        reported = None
        if counts is not None and counts.misfires is not None and isinstance(name, int):
            mate = logs[0].engine.companions.get(name)
            reported = counts.misfires.get(name, 0)
            if logs[0].phase.status == "unknown" and mate is not None:
                reported += counts.misfires.get(mate, 0)
        # neighbouring cycles are alike, so the error of the mean counts blocks, not events
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
                float(np.mean(x_fired)) if x_fired.size else np.nan,
                float(np.std(x_fired) / np.sqrt(max(x_fired.size / 4, 1))) if x_fired.size else np.nan,
                int((s == UNUSABLE).sum()),
                reported,
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
            deep = max(deep, float(log.decision.place_shared[i]))
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
        nothing_fired=bool(state.size and judged == 0 and (state == MOTORING).mean() > 0.5),
    )
