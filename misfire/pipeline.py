"""The whole job: from recordings to an analysis."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from misfire.counts import rate_interval_pct, windows
from misfire.decide import FIRING, MISFIRE, REASONS, STATES
from misfire.engine import Engine
from misfire.errors import InputError
from misfire.evidence.maps import lost_work_map
from misfire.intake.counts import Counts, count_files
from misfire.intake.inputs import input_rows
from misfire.intake.recording import Channels, Recording
from misfire.onelog import KnownCut, OneLog, study
from misfire.pattern import Pattern
from misfire.verdict import Evidence, all_labels, gather, judge

if TYPE_CHECKING:
    import pandas as pd

    from misfire.intake.options import ReadOptions


@dataclass(frozen=True)
class AnalyseOptions:
    """What may be said about the logs; everything has a default.

    Attributes
    ----------
    engine : Engine
        Layout and, where known, wheel, offset, cam and mark.
    channels : str or None
        Slow-channel CSV of the (first) log.
    counts : str or None
        Controller counts as the contract's `--counts`.
    codes : tuple of str
        SAE J2012 codes.
    known_cuts : tuple of KnownCut
    pattern : Pattern or None
        A saved tooth pattern, used instead of a learned one.
    read : ReadOptions or None
    also : mapping of str to sequence of str
        Further files that the caller has read (engine file, saved pattern), by use: the result names them as inputs.
    """

    engine: Engine
    channels: str | None = None
    counts: str | None = None
    codes: tuple[str, ...] = ()
    known_cuts: tuple[KnownCut, ...] = ()
    pattern: Pattern | None = None
    read: ReadOptions | None = None
    also: Mapping[str, Sequence[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Analysis:
    """The result: the contract's dict, the event rows, and the logs behind them."""

    result: dict[str, Any]
    logs: tuple[OneLog, ...]
    engine: Engine
    timings_s: dict[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The `misfire-analysis` JSON as a dict."""
        return self.result

    @property
    def events(self) -> pd.DataFrame:
        """One row a firing event, the contract's columns and `uncorrected`, `expected`, `reason`."""
        return event_rows(self.logs)


def analyse_files(paths: Sequence[str], options: AnalyseOptions) -> Analysis:
    """Read and analyse one or several logs of one engine.

    Raises InputError and TooFewTurnsError.
    """
    from misfire.intake import ReadOptions, progress, read
    from misfire.intake.channels import read_channels
    from misfire.intake.counts import read_counts

    if not paths:
        raise InputError("no log given; name at least one file")
    clock = time.perf_counter()
    recordings = [read(p, options.read or ReadOptions()) for p in paths]
    channels = [read_channels(options.channels)] if options.channels else []
    counts = read_counts(options.counts) if options.counts else None
    read_s = time.perf_counter() - clock
    progress.step(f"judging {', '.join(Path(p).name for p in paths)}")
    done = analyse(recordings, options, channels=channels, counts=counts)
    done.result["inputs"] = _inputs(paths, options)
    return replace(done, timings_s={"read": read_s, **done.timings_s})


def _inputs(paths: Sequence[str], options: AnalyseOptions) -> list[dict[str, Any]]:
    """All files behind a result, the logs first."""
    cam = options.read.cam_file if options.read else None
    used = {
        "log": paths,
        "cam": [cam] if cam else [],
        "channels": [options.channels] if options.channels else [],
        "counts": count_files(options.counts) if options.counts else [],
        **options.also,
    }
    return [row for use, files in used.items() for row in input_rows(use, files)]


def analyse(
    recordings: Sequence[Recording] | Recording,
    options: AnalyseOptions,
    *,
    channels: Sequence[Channels] = (),
    counts: Counts | None = None,
) -> Analysis:
    """Analyse recordings of one engine; several short ones are pooled.

    Raises InputError for a known cut that lies in none of the logs.

    Parameters
    ----------
    channels : sequence of Channels
        Slow channels of the logs in the same order; may be shorter.
    counts : Counts or None
        The controller's own counts.
    """
    many = [recordings] if isinstance(recordings, Recording) else list(recordings)
    _check_cuts(options.known_cuts, many)
    logs = []
    for i, rec in enumerate(many):
        slow = channels[i] if i < len(channels) else None
        logs.append(
            study(rec, options.engine, channels=slow, given=options.pattern, known_cuts=options.known_cuts)
        )
    clock = time.perf_counter()
    evidence = gather(logs, counts, options.codes)
    verdict = judge(evidence)
    result = _result(logs, evidence, verdict, counts, options)
    verdict_s = time.perf_counter() - clock
    took: dict[str, float] = {}
    for log in logs:
        for k, v in log.timings_s.items():
            took[k] = took.get(k, 0.0) + v
    return Analysis(result, tuple(logs), logs[0].engine, took | {"verdict": verdict_s})


def _check_cuts(cuts: Sequence[KnownCut], recordings: Sequence[Recording]) -> None:
    """Raise InputError for a commanded cut that lies in none of the logs: its seconds are of another clock."""
    spans = [(r.crank_s[0], r.crank_s[-1]) for r in recordings if r.crank_s.size]
    for cut in cuts:
        if spans and all(cut.to_s <= first or cut.from_s >= last for first, last in spans):
            runs = " or ".join(f"{first:.1f} to {last:.1f} s" for first, last in spans)
            raise InputError(
                f"known cut {cut.cylinder}@{cut.from_s:g}-{cut.to_s:g} lies outside the log, which runs from {runs}; "
                "correct its seconds"
            )


def _result(
    logs: Sequence[OneLog],
    ev: Evidence,
    verdict: dict[str, Any],
    counts: Counts | None,
    options: AnalyseOptions,
) -> dict[str, Any]:
    from misfire import __version__

    first = logs[0]
    engine = first.engine
    rpm = np.concatenate([log.events.rpm for log in logs])
    names = all_labels(logs)
    cylinders = []
    for c in ev.cylinders:
        lo, hi = rate_interval_pct(c.misfires, c.firings)
        cylinders.append(
            {
                "cylinder": c.cylinder,
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
    longest = max(logs, key=lambda one: one.pattern.turns)
    by_position = (
        longest.crank.wheel.positions if longest.crank.wheel.angles_deg is None else longest.crank.wheel.teeth
    )
    error: list[float | None] = [None] * by_position
    sd: list[float | None] = [None] * by_position
    for j, p in enumerate(longest.crank.wheel.tooth_positions):
        error[int(p)] = _or_none(float(longest.pattern.error_deg[j]))
        sd[int(p)] = _or_none(float(longest.pattern.sd_deg[j]))
    index = {name: i for i, name in enumerate(names)}
    offset, turn, cyl, flag, usable = 0, [], [], [], []
    for log in logs:
        turn.append(log.events.turn + offset)
        offset += log.crank.turns
        cyl.append(np.array([index[x] for x in log.label.tolist()], dtype=np.int64))
        flag.append(log.decision.state == MISFIRE)
        usable.append((log.decision.state == FIRING) | (log.decision.state == MISFIRE))
    turns, cyls, flags, good = (np.concatenate(v) for v in (turn, cyl, flag, usable))
    win = {f"turns{k}": windows(turns, cyls, flags, k, engine.cylinders, good) for k in (200, 1000)}
    assumptions = []
    if engine.cylinders > 1 and first.phase.named:
        order = "-".join(map(str, engine.firing_order))
        assumptions.append(f"cylinders named by the firing order {order}: check it in the service manual")
    if first.crank.wheel_found:
        assumptions.append(f"wheel {first.crank.wheel.label}: found in the log, not given")
    assumptions += list(dict.fromkeys(x for log in logs for x in log.phase.notes))
    if first.phase.status == "unknown" and engine.companions:
        assumptions.append("no cam edge or cylinder-1 mark: companions cannot be told apart, both are named")
    if not engine.reciprocating_mass_kg:
        assumptions.append(
            "normal work taken from the engine's own ripple with generic shapes of compression and combustion"
        )
    assumptions.append(
        "window floors of 5 % and 1 % are the legal floors; real calibrated limits depend on speed and load"
    )
    notes = list(
        dict.fromkeys(
            x for log in logs for x in (*log.recording.notes, *log.notes) if x not in log.phase.notes
        )
    )
    weak = sum(log.crank.first_tooth_lost for log in logs)
    if weak:
        notes.append(
            f"the first tooth after the gap (position 0) did not reach the threshold in {weak} turns: "
            "a matter of the threshold chosen, not a fault; the tool does not need that tooth"
        )
    return {
        "format": "misfire-analysis",
        "version": 1,
        "version_of_tool": __version__,
        "engine": {
            "name": engine.name,
            "cylinders": engine.cylinders,
            "firing_order": list(engine.firing_order),
            "firing_tdc_deg": list(engine.firing_tdc_deg),
            "wheel": {
                "label": first.crank.wheel.label,
                "positions": first.crank.wheel.positions,
                "missing": list(first.crank.wheel.missing),
                "first_tooth_after_tdc1_deg": first.phase.first_deg,
            },
        },
        "log": {
            "edges": sum(log.crank.edges for log in logs),
            "turns": sum(log.crank.turns for log in logs),
            "duration_s": float(sum(log.recording.crank_s[-1] - log.recording.crank_s[0] for log in logs)),
            "speed_rpm": {
                "min": _or_none(float(np.nanmin(rpm))) if rpm.size else None,
                "median": _or_none(float(np.nanmedian(rpm))) if rpm.size else None,
                "max": _or_none(float(np.nanmax(rpm))) if rpm.size else None,
            },
            "files": [log.recording.source for log in logs],
            "decisions": first.recording.decisions,
        },
        "signal": {
            "extra_edges": ev.extra_edges,
            "lost_edges": ev.lost_edges,
            "resyncs": ev.resyncs,
            "turns_set_aside": ev.turns_set_aside,
            "first_tooth_lost": weak,
            "notes": notes,
            "faults": [
                {"kind": f.kind, "time_s": f.time_s, "turn": f.turn, "position": f.position}
                for log in logs
                for f in log.crank.faults[:2000]
            ],
        },
        "phase": ev.phase,
        "pattern": {
            "learned_from": longest.pattern.learned_from,
            "turns": longest.pattern.turns,
            "tooth_error_deg": error,
            "tooth_error_sd_deg": sd,
            "segment_error_pct": {k: v[0] for k, v in longest.segment_error_pct.items()},
            "segment_error_sd_pct": {k: v[1] for k, v in longest.segment_error_pct.items()},
            "stable": ev.pattern_stable,
            "note": "orders of the firing frequency are taken out: inertia and gas ripple look exactly like them",
        },
        "cylinders": cylinders,
        "reported": None if counts is None else _reported(counts),
        "windows": win,
        "lost_work_map": lost_work_map(logs, names).to_dict(),
        "verdict": verdict,
        "assumptions": assumptions,
    }


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


def event_rows(logs: Sequence[OneLog]) -> pd.DataFrame:
    """The contract's event rows of all logs, in order."""
    import pandas as pd

    frames = []
    event = turn = 0
    states = np.array(STATES, dtype=object)
    for log in logs:
        n = log.events.time_s.size
        why = np.array([REASONS[k] for k in sorted(REASONS)], dtype=object)
        frames.append(
            pd.DataFrame(
                {
                    "event": np.arange(event, event + n),
                    "turn": log.events.turn + turn,
                    "time_s": log.events.time_s,
                    "cylinder": log.label,
                    "rpm": log.events.rpm,
                    "load_pct": log.load_pct,
                    "acceleration_rad_s2": log.events.acceleration_rad_s2,
                    "lost_work": log.decision.lost_work,
                    "state": states[log.decision.state],
                    "uncorrected": log.uncorrected,
                    "expected_rad2_s2": log.decision.expected,
                    "work_rad2_s2": log.decision.work,
                    "reason": why[log.decision.reason],
                }
            )
        )
        event += n
        turn += log.crank.turns
    return pd.concat(frames, ignore_index=True)
