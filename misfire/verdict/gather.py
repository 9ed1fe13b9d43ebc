"""Logs of one engine -> evidence: counts and means per cylinder, signal and pattern, all logs pooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.decide import FIRING, MISFIRE, MOTORING, PARTIAL_FROM, UNUSABLE, Reason
from misfire.evidence import Stopped, lines, stopped, two_kinds
from misfire.intake.counts import Counts
from misfire.onelog import OneLog
from misfire.verdict.evidence import CylinderEvidence, Evidence, Label, Steady

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


@dataclass(frozen=True)
class _Firings:
    """The events of all logs, one after the other; arrays of shape (events,)."""

    label: npt.NDArray[Any]
    state: npt.NDArray[Any]
    reason: npt.NDArray[Any]
    lost: npt.NDArray[Any]
    rpm: npt.NDArray[Any]
    uncorrected: npt.NDArray[Any]

    @classmethod
    def of(cls, logs: Sequence[OneLog]) -> _Firings:
        lost, state, reason = (_joined(logs, name) for name in ("lost_work", "state", "reason"))
        label, rpm, uncorrected = (
            np.concatenate(parts)
            for parts in (
                [log.label for log in logs],
                [log.events.rpm for log in logs],
                [log.uncorrected for log in logs],
            )
        )
        return cls(label, state, reason, lost, rpm, uncorrected)


def _cylinder(
    name: Label, all_: _Firings, logs: Sequence[OneLog], counts: Counts | None, stop: Stopped | None
) -> CylinderEvidence:
    mine = all_.label == name
    s, x = all_.state[mine], all_.lost[mine]
    counted, fired = (s == FIRING) | (s == MISFIRE), s == FIRING
    false = mine & all_.uncorrected & (all_.state == FIRING) & (all_.lost < PARTIAL_FROM)
    return CylinderEvidence(
        name,
        int(counted.sum()),
        int((s == MISFIRE).sum()),
        int((fired & (x >= PARTIAL_FROM)).sum()),
        int((all_.uncorrected & mine).sum()),
        int(false.sum()),
        float(np.nanpercentile(all_.rpm[false], 5)) if false.any() else None,
        float(np.mean(x[counted])) if counted.any() else np.nan,
        _steady(logs, name),
        int((s == UNUSABLE).sum()),
        _reported(name, logs[0], counts),
        int((all_.reason[mine] == Reason.SIZE_OPEN).sum()),
        _judged_around(s),
        stop,
        two_kinds(logs, name),
    )


def _reported(name: Label, log: OneLog, counts: Counts | None) -> int | None:
    """The controller's count; of a cylinder that the file does not name it was not read, which is not zero."""
    if counts is None or counts.misfires is None or not isinstance(name, int):
        return None
    mate = log.engine.companions.get(name)
    both = [name] if log.phase.status != "unknown" or mate is None else [name, mate]
    read = [counts.misfires[c] for c in both if c in counts.misfires]
    return sum(read) if len(read) == len(both) else None


def _ambiguous(logs: Sequence[OneLog]) -> tuple[tuple[Label, ...], float]:
    """Companions that are down together, wheel or work, and how much they lack at most."""
    found: list[Label] = []
    deep = 0.0
    for log in logs:
        order = log.engine.firing_order
        for i in log.decision.ambiguous:
            name = log.label[log.events.place == i]
            named = log.phase.status == "measured" and log.phase.named
            found += [order[i]] if named else name[:1].tolist()
            deep = max(deep, float(log.decision.open_lost[i]))
    return tuple(dict.fromkeys(found)), deep


def _worst_tooth(log: OneLog) -> tuple[int, float] | None:
    """Position and error [deg] of the tooth that is off most, those beside a gap left out; None without a pattern."""
    inner = log.pattern.error_deg.copy()
    if log.crank.wheel.missing:
        inner[0] = inner[-1] = np.nan
    if not np.isfinite(inner).any():
        return None
    j = int(np.nanargmax(np.abs(inner)))
    return int(log.crank.wheel.tooth_positions[j]), float(inner[j])


def gather(logs: Sequence[OneLog], counts: Counts | None, codes: tuple[str, ...]) -> Evidence:
    """What the judgement rests on, pooled over logs of one engine."""
    every, stops = _Firings.of(logs), stopped(logs)
    state, rpm = every.state, every.rpm
    rows = [_cylinder(name, every, logs, counts, stops.get(name)) for name in all_labels(logs)]
    first = logs[0]
    longest = max(logs, key=lambda one: one.pattern.turns)
    n = first.engine.cylinders
    ambiguous, deep = _ambiguous(logs)
    judged = int(((state == FIRING) | (state == MISFIRE)).sum())
    active = int((state != MOTORING).sum())
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
        worst_tooth=_worst_tooth(longest),
        ambiguous=ambiguous,
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
