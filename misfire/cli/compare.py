"""`misfire compare`: logs from before and after a learn or a repair."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli import options as o

if TYPE_CHECKING:
    from misfire.compare import Side
    from misfire.engine import Engine
    from misfire.intake import ReadOptions


@o.reads_logs
def compare(
    before: Annotated[str, typer.Argument(help="Log from before; several with commas between.")],
    after: Annotated[str, typer.Argument(help="Log from after; several with commas between.")],
    engine: o.EngineOption | None = None,
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
        typer.Option("--counts-before", help="Controller counts of BEFORE (CSV, or FIRST,SECOND)."),
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
    *,
    read: o.Given,
) -> None:
    """Say whether a learn or repair cleared the counts, or whether a misfire moved with a swapped part."""
    from misfire.cli.output import emit_json, write_text
    from misfire.compare import CompareOptions
    from misfire.compare import compare as judge

    options = CompareOptions(_pair(swapped), _frame(freeze_frame))
    layout = o.build_engine(engine, firing_order, wheel, first_tooth)
    how = o.build_read(layout, **read)
    o.one_cam_file(how, 2)
    sides = [
        _analyse(logs, layout, how, channels, counts, name)
        for logs, channels, counts, name in (
            (before, channels_before, counts_before, "before"),
            (after, channels_after, counts_after, "after"),
        )
    ]
    result = judge(sides[0], sides[1], options)
    if swapped is not None:
        result["swapped"] = list(options.swapped or ())
    if report is not None:
        from misfire.report import comparison_page

        first, last = sides[0][0], sides[1][0]
        write_text(report, comparison_page(result, first.result, last.result, first.events, last.events))
    emit_json(result, json)
    if json != "-":
        from misfire.report.terminal import comparison_text

        print(comparison_text(result), end="")


def _analyse(
    logs: str, layout: Engine, read: ReadOptions, channels: str | None, counts: str | None, side: str
) -> list[Side]:
    """One analysis per log of a side; channels and counts are given one per log, in the same order."""
    from misfire.compare import Side
    from misfire.errors import InputError
    from misfire.pipeline import AnalyseOptions, analyse_files

    paths = _paths(logs)
    slow = _paths(channels) if channels else [None] * len(paths)
    # FIRST,SECOND is one pair of reads when one log is given; with several logs one table belongs to each.
    reads = [counts] if counts is None or len(paths) == 1 else list(_paths(counts))
    if len(reads) == 1:
        reads = reads * len(paths) if reads[0] is None else reads
    if len(slow) != len(paths):
        raise InputError(f"--channels-{side}: {len(slow)} files for {len(paths)} logs; give one per log")
    if len(reads) != len(paths):
        raise InputError(f"--counts-{side}: {len(reads)} files for {len(paths)} logs; give one per log")
    out = []
    for path, channel, count in zip(paths, slow, reads, strict=True):
        analysis = analyse_files(
            [path], AnalyseOptions(engine=layout, channels=channel, counts=count, read=read)
        )
        out.append(Side(analysis.to_dict(), analysis.events, analysis.engine))
    return out


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
