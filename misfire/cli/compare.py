"""`misfire compare`: logs from before and after a learn or a repair."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli import options as o

if TYPE_CHECKING:
    from misfire.comparison import Controller, Side
    from misfire.engine import Engine
    from misfire.intake import ReadOptions
    from misfire.onelog import KnownCut, OneLog
    from misfire.pattern import Pattern


@o.gathers
def compare(
    before: Annotated[str, typer.Argument(help="Log from before; several with commas between.")],
    after: Annotated[str, typer.Argument(help="Log from after; several with commas between.")],
    *,
    layout: o.EngineWords,
    engine_after: Annotated[
        str | None,
        typer.Option(
            "--engine-after", help="Engine file of AFTER, where the wheel was set in another place."
        ),
    ] = None,
    first: o.SideWords,
    last: o.SideWords,
    pattern: Annotated[
        str | None,
        typer.Option(
            "--pattern", help="Tooth pattern saved by `misfire pattern`, for the logs of both sides."
        ),
    ] = None,
    swapped: Annotated[
        str | None,
        typer.Option("--swapped", help="A part was swapped between these cylinders, for example 2-4."),
    ] = None,
    freeze_frame: Annotated[
        str | None,
        typer.Option("--freeze-frame", help="Speed and load of the code, for example 2350rpm,46pct."),
    ] = None,
    json: o.JsonOption = None,
    report: Annotated[str | None, typer.Option("--report", help="Write a report (HTML).")] = None,
    job: Annotated[str | None, typer.Option("--job", help="Job facts for the report's head (TOML).")] = None,
    read: o.Given,
    asked: str,
) -> None:
    """Say whether a learn or repair cleared the counts, or whether a misfire moved with a swapped part.

    Example: misfire compare before.csv after.csv --engine engine.toml --counts-before a.csv --counts-after b.csv
    """
    from misfire.cli.output import check_page, colour_wanted, columns, emit_json, say, write_text
    from misfire.cli.saved import load_job
    from misfire.comparison import CompareOptions, pooled
    from misfire.comparison import compare as judge
    from misfire.comparison.swap import check_pair

    check_page(report)
    options = CompareOptions(_pair(swapped), _frame(freeze_frame))
    facts = load_job(job) if job else None
    engine = layout.build()
    moved = replace(layout, engine=engine_after or layout.engine)
    if options.swapped is not None:
        check_pair(options.swapped, engine.cylinders)
    given = [
        _side(logs, replace(words, pattern=words.pattern or pattern), side)
        for logs, words, side in ((before, first, layout), (after, last, moved))
    ]
    sides = []
    like: OneLog | None = None
    for one in given:
        how = o.build_read(one.layout, **read)
        o.one_cam_file(how, 2)
        side, like = _analyse(one, how, like)
        sides.append(side)
    result = {**judge(sides[0], sides[1], options), "command": asked}
    if swapped is not None:
        result["swapped"] = list(options.swapped or ())
    if report is not None:
        from misfire.report import comparison_page

        (earlier, earlier_events), (later, later_events) = (pooled(side) for side in sides)
        write_text(report, comparison_page(result, earlier, later, earlier_events, later_events, facts))
    emit_json(result, json)
    if json != "-":
        from misfire.report.terminal import comparison_text

        print(comparison_text(result, columns(), colour_wanted()), end="")
        if result["sequential"] and result["verdict"]["answer"] == "not_proven":
            say(["", result["sequential"]["text"]])


@dataclass(frozen=True)
class _Given:
    """What the command line says about one side; `channels` and `cuts` per log, `reads` as of `_reads`."""

    layout: Engine
    paths: Sequence[str]
    channels: Sequence[str | None]
    reads: Sequence[str | None]
    whole: bool
    codes: tuple[str, ...]
    cuts: Sequence[tuple[KnownCut, ...]]
    pattern: Pattern | None
    also: dict[str, list[str]]


def _side(logs: str, words: o.SideWords, engine: o.EngineWords) -> _Given:
    """Read and check the options of a side before any log is analysed. Raises InputError."""
    from misfire.cli.saved import load_pattern
    from misfire.errors import InputError
    from misfire.intake.counts import parse_codes

    paths, layout = _paths(logs), engine.build()
    slow = _paths(words.channels) if words.channels else [None] * len(paths)
    if len(slow) != len(paths):
        raise InputError(
            f"--channels-{words.name}: {len(slow)} files for {len(paths)} logs; give one per log"
        )
    reads, whole = _reads(words.counts, len(paths), words.name)
    for read in {r for r in reads if r is not None}:
        o.check_cylinders(layout, (), read)
    stored = parse_codes(words.codes) if words.codes else ()
    o.check_cylinders(layout, stored, None)
    return _Given(
        layout,
        paths,
        slow,
        reads,
        whole,
        stored,
        _cuts(words.known_cut or (), layout, len(paths), words.name),
        load_pattern(words.pattern) if words.pattern else None,
        o.files(engine=engine.engine, pattern=words.pattern),
    )


def _cuts(texts: Sequence[str], layout: Engine, logs: int, side: str) -> list[tuple[KnownCut, ...]]:
    """The known cuts of each log of a side."""
    from misfire.errors import InputError

    out: list[list[KnownCut]] = [[] for _ in range(logs)]
    for text in texts:
        number, colon, cut = text.rpartition(":")
        if not colon and logs > 1:
            raise InputError(
                f"--known-cut-{side} {text}: say which of the {logs} logs it belongs to, for example 1:{text}"
            )
        if colon and not (number.isdigit() and 1 <= int(number) <= logs):
            raise InputError(
                f"--known-cut-{side} {text}: write a log's number from 1 to {logs} before the colon, "
                "for example 1:3@41.0-49.5"
            )
        try:
            out[int(number) - 1 if colon else 0].append(o.parse_cut(cut, layout))
        except InputError as err:
            raise InputError(str(err).replace("--known-cut", f"--known-cut-{side}", 1)) from err
    return [tuple(c) for c in out]


def _analyse(given: _Given, read: ReadOptions, like: OneLog | None = None) -> tuple[list[Side], OneLog]:
    """One analysis per log of a side, and the log whose places all are called after: `like`, else the first."""
    from misfire.comparison import Side
    from misfire.comparison.beat import check_cylinders
    from misfire.intake.counts import count_files
    from misfire.pipeline import AnalyseOptions, analyse_files

    out = []
    whole = given.whole
    also = dict(given.also)
    if whole and given.reads[0] is not None:
        also["counts"] = count_files(given.reads[0])
    rows = zip(given.paths, given.channels, given.reads, given.cuts, strict=True)
    for k, (path, channel, text, cuts) in enumerate(rows):
        # Counts read over the whole side belong to no single log, so no single log is judged with them.
        own = None if whole else text
        options = AnalyseOptions(
            engine=given.layout,
            channels=channel,
            counts=own,
            codes=given.codes,
            known_cuts=cuts,
            pattern=given.pattern,
            read=read,
            like=like,
            also=also,
        )
        also = {}  # files of the whole side are named once
        done = analyse_files([path], options)
        like = like or done.logs[0]
        crank = done.logs[0].crank
        check_cylinders(path, crank.time_s, crank.wheel.tooth_angles_deg, crank.block, done.engine)
        told = _controller(text, whole) if text is not None and not (whole and k) else None
        out.append(Side(done.to_dict(), done.events, done.engine, told, given.codes))
    assert like is not None
    return out, like


def _controller(text: str, whole: bool) -> Controller:
    from misfire.comparison import Controller
    from misfire.intake.counts import SATURATED, read_counts

    c = read_counts(text)
    # A total that stands at the counter's limit all along has counted nothing and proves nothing.
    full = {n for n, total in c.totals.items() if c.kind == "running_totals" and total in SATURATED}
    return Controller(c.misfires, c.totals, c.monitor_ran, tuple(sorted(full | set(c.at_least))), whole)


def _reads(counts: str | None, logs: int, side: str) -> tuple[list[str | None], bool]:
    """What to read for each log, and whether it covers the whole side.

    A table, or the two service $06 readings FIRST,SECOND, covers all logs of the side; with several logs
    there may also be one table, or one pair of readings, per log.
    """
    from misfire.errors import InputError
    from misfire.intake.counts import read_counts

    if counts is None:
        return [None] * logs, False
    files = _paths(counts)
    if logs == 1:
        return [counts], False
    pair = len(files) == 2 and all(read_counts(f).kind == "driving_cycle" for f in files)
    if len(files) == 1 or pair:
        return [counts] * logs, True
    if len(files) == logs:
        return list(files), False
    if len(files) == 2 * logs:
        return [",".join(files[2 * k : 2 * k + 2]) for k in range(logs)], False
    raise InputError(
        f"--counts-{side}: {len(files)} files for {logs} logs; give one for the whole side, or one per log"
    )


def _paths(text: str) -> list[str]:
    from pathlib import Path

    # A file whose own name holds a comma is taken as it is.
    return [text] if Path(text).exists() else [p for p in text.split(",") if p]


def _pair(text: str | None) -> tuple[int, int] | None:
    from misfire.errors import InputError

    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,2})\s*[-,]\s*(\d{1,2})\s*", text)
    if not found:
        raise InputError(f"--swapped {text}: name two cylinders, for example --swapped 2-4")
    return int(found[1]), int(found[2])


def _frame(text: str | None) -> tuple[float, float] | None:
    from misfire.errors import InputError

    if text is None:
        return None
    found = re.fullmatch(r"\s*([\d.]+)\s*rpm\s*,\s*([\d.]+)\s*(?:pct|%)\s*", text, re.IGNORECASE)
    try:
        if not found:
            raise ValueError
        return float(found[1]), float(found[2])
    except ValueError as err:
        raise InputError(f"--freeze-frame {text}: write speed and load, for example 2350rpm,46pct") from err
