"""The whole job: from recordings to an analysis."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from misfire.decide import REASONS, STATES
from misfire.engine import Engine
from misfire.errors import InputError, naming_log
from misfire.intake.counts import Counts, count_files
from misfire.intake.inputs import input_rows
from misfire.intake.recording import Channels, Recording
from misfire.onelog import KnownCut, OneLog, study, with_places_of
from misfire.pattern import Pattern
from misfire.result import result_of
from misfire.verdict import gather, judge

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
    like : OneLog or None
        A log of the same engine whose unnamed places (A, B, ...) these logs' places are called after.
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
    like: OneLog | None = None
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

    >>> from misfire.simulate import Misfires, Scenario, simulate
    >>> missing = Misfires(cylinders=(3,), rate=0.1)
    >>> log = simulate(Scenario.steady("inline4", rpm=2000, load_pct=50, duration_s=20, misfires=(missing,)))
    >>> done = analyse(log.recording, AnalyseOptions(log.engine), channels=[log.channels])
    >>> done.result["verdict"]["headline"]
    'True misfire in cylinder 3.'
    >>> done.events.query("state == 'misfire'").cylinder.unique().tolist()
    [3]

    Parameters
    ----------
    channels : sequence of Channels
        Slow channels of the logs in the same order; may be shorter.
    counts : Counts or None
        The controller's own counts.
    """
    many = [recordings] if isinstance(recordings, Recording) else list(recordings)
    cuts = _cuts_of_logs(options.known_cuts, many)
    logs = []
    for i, rec in enumerate(many):
        slow = channels[i] if i < len(channels) else None
        with naming_log(rec.source):
            logs.append(study(rec, options.engine, channels=slow, given=options.pattern, known_cuts=cuts[i]))
    like = options.like or logs[0]
    logs = [with_places_of(log, like) for log in logs]
    clock = time.perf_counter()
    evidence = gather(logs, counts, options.codes)
    verdict = judge(evidence)
    result = result_of(logs, evidence, verdict, counts)
    verdict_s = time.perf_counter() - clock
    took: dict[str, float] = {}
    for log in logs:
        for k, v in log.timings_s.items():
            took[k] = took.get(k, 0.0) + v
    return Analysis(result, tuple(logs), logs[0].engine, took | {"verdict": verdict_s})


def _cuts_of_logs(cuts: Sequence[KnownCut], recordings: Sequence[Recording]) -> list[tuple[KnownCut, ...]]:
    """The commanded cuts of each log.

    Raises InputError for one that lies in none of them (its seconds are of another clock), or in several without a number.
    """
    spans = [(r.crank_s[0], r.crank_s[-1]) if r.crank_s.size else (np.inf, -np.inf) for r in recordings]
    out: list[list[KnownCut]] = [[] for _ in recordings]
    for cut in cuts:
        if cut.log is not None and not 1 <= cut.log <= len(spans):
            raise InputError(f"known cut {cut}: there is no log {cut.log}; logs count from 1 to {len(spans)}")
        asked = range(len(spans)) if cut.log is None else [cut.log - 1]
        inside = [i for i in asked if cut.to_s > spans[i][0] and cut.from_s < spans[i][1]]
        if not inside:
            runs = " or ".join(f"{spans[i][0]:.1f} to {spans[i][1]:.1f} s" for i in asked)
            raise InputError(
                f"known cut {cut} lies outside the log, which runs from {runs}; correct its seconds"
            )
        if len(inside) > 1:
            raise InputError(f"known cut {cut}: {len(inside)} logs run then; say which, for example 2:{cut}")
        out[inside[0]].append(cut)
    return [tuple(c) for c in out]


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
