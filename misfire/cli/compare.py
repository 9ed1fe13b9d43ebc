"""`misfire compare`: logs from before and after a learn or a repair."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli import options as o

if TYPE_CHECKING:
    from misfire.compare import Controller, Side
    from misfire.engine import Engine
    from misfire.intake import ReadOptions


@o.reads_logs
def compare(
    before: Annotated[str, typer.Argument(help="Log from before; several with commas between.")],
    after: Annotated[str, typer.Argument(help="Log from after; several with commas between.")],
    engine: o.EngineOption = None,
    engine_after: Annotated[
        str | None,
        typer.Option(
            "--engine-after", help="Engine file of AFTER, where the wheel was set in another place."
        ),
    ] = None,
    firing_order: o.OrderOption = None,
    wheel: o.WheelOption = None,
    first_tooth: o.FirstToothOption = None,
    channels_before: Annotated[
        str | None, typer.Option("--channels-before", help="Slow channels (CSV); one per log, with commas.")
    ] = None,
    channels_after: Annotated[
        str | None, typer.Option("--channels-after", help="The same for AFTER.")
    ] = None,
    counts_before: Annotated[
        str | None,
        typer.Option(
            "--counts-before",
            help="Controller counts of BEFORE: one file (CSV) or two readings FIRST,SECOND for the whole side, "
            "or one of these per log.",
        ),
    ] = None,
    counts_after: Annotated[str | None, typer.Option("--counts-after", help="The same for AFTER.")] = None,
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
    *,
    read: o.Given,
) -> None:
    """Say whether a learn or repair cleared the counts, or whether a misfire moved with a swapped part."""
    from misfire.cli.output import colour_wanted, emit_json, say, write_text
    from misfire.cli.saved import load_job
    from misfire.compare import CompareOptions
    from misfire.compare import compare as judge
    from misfire.compare.swap import check_pair

    options = CompareOptions(_pair(swapped), _frame(freeze_frame))
    facts = load_job(job) if job else None
    layout = o.build_engine(engine, firing_order, wheel, first_tooth)
    other = o.build_engine(engine_after, firing_order, wheel, first_tooth) if engine_after else layout
    if options.swapped is not None:
        check_pair(options.swapped, layout.cylinders)
    sides = []
    for logs, own, channels, counts, name in (
        (before, layout, channels_before, counts_before, "before"),
        (after, other, channels_after, counts_after, "after"),
    ):
        how = o.build_read(own, **read)
        o.one_cam_file(how, 2)
        sides.append(_analyse(logs, own, how, channels, counts, name))
    result = judge(sides[0], sides[1], options)
    if swapped is not None:
        result["swapped"] = list(options.swapped or ())
    if report is not None:
        from misfire.report import comparison_page

        first, last = sides[0][0], sides[1][0]
        write_text(
            report, comparison_page(result, first.result, last.result, first.events, last.events, facts)
        )
    emit_json(result, json)
    if json != "-":
        from misfire.report.terminal import comparison_text

        print(comparison_text(result, colour=colour_wanted()), end="")
        if result["sequential"] and result["verdict"]["answer"] == "not_proven":
            say(["", result["sequential"]["text"]])


def _analyse(
    logs: str, layout: Engine, read: ReadOptions, channels: str | None, counts: str | None, side: str
) -> list[Side]:
    """One analysis per log of a side; channels are given one per log, counts per log or for the side."""
    from misfire.compare import Side
    from misfire.compare.beat import check_cylinders
    from misfire.errors import InputError
    from misfire.pipeline import AnalyseOptions, analyse_files

    paths = _paths(logs)
    slow = _paths(channels) if channels else [None] * len(paths)
    if len(slow) != len(paths):
        raise InputError(f"--channels-{side}: {len(slow)} files for {len(paths)} logs; give one per log")
    reads, whole = _reads(counts, len(paths), side)
    if counts is not None:
        for given in {r for r in reads if r is not None}:
            o.check_cylinders(layout, (), given)
    out = []
    for k, (path, channel, text) in enumerate(zip(paths, slow, reads, strict=True)):
        # Counts read over the whole side belong to no single log, so no single log is judged with them.
        own = None if whole else text
        done = analyse_files([path], AnalyseOptions(engine=layout, channels=channel, counts=own, read=read))
        crank = done.logs[0].crank
        check_cylinders(path, crank.time_s, crank.wheel.tooth_angles_deg, crank.block, done.engine)
        told = _controller(text, whole) if text is not None and not (whole and k) else None
        out.append(Side(done.to_dict(), done.events, done.engine, told))
    return out


def _controller(text: str, whole: bool) -> Controller:
    from misfire.compare import Controller
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
