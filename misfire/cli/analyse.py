"""`misfire analyse`: which firings misfired, and is it true, false, or not decidable."""

from __future__ import annotations

from typing import Annotated

import typer

from misfire.cli import options as o


@o.gathers
def analyse(
    log: Annotated[list[str], typer.Argument(help="One log, or several short ones of the same engine.")],
    *,
    layout: o.EngineWords,
    channels: Annotated[str | None, typer.Option("--channels", help="Slow channels (CSV).")] = None,
    counts: Annotated[
        str | None, typer.Option("--counts", help="Controller counts: CSV, or two J1979 reads.")
    ] = None,
    codes: Annotated[
        str | None, typer.Option("--codes", help="Codes, for example P0300,P0302,P0305.")
    ] = None,
    known_cut: Annotated[
        list[str] | None, typer.Option("--known-cut", help="Injector off: 3@41.0-49.5 (cylinder@seconds).")
    ] = None,
    pattern: Annotated[
        str | None, typer.Option("--pattern", help="Tooth pattern saved by `misfire pattern`.")
    ] = None,
    json: o.JsonOption = None,
    events: Annotated[
        str | None, typer.Option("--events", help="Write one row a firing event (.csv, .parquet).")
    ] = None,
    report: Annotated[str | None, typer.Option("--report", help="Write the report page (.html).")] = None,
    job: Annotated[str | None, typer.Option("--job", help="Job facts for the report's head (TOML).")] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the headline only.")] = False,
    timings: Annotated[bool, typer.Option("--timings", help="Print what each stage took.")] = False,
    read: o.Given,
    asked: str,
) -> None:
    """Judge every firing of a log: true misfire, false detection, or not decidable.

    Example: misfire analyse log.csv --engine engine.toml --counts counts.csv --report report.html
    """
    import sys
    import time

    from misfire.cli.output import (
        check_page,
        colour_wanted,
        columns,
        emit_json,
        say,
        write_events,
        write_text,
    )
    from misfire.cli.saved import load_job, load_pattern
    from misfire.intake.counts import parse_codes

    check_page(report)
    began = time.perf_counter()
    from misfire.pipeline import AnalyseOptions, analyse_files
    from misfire.report import analysis_page, terminal_text

    if timings:
        # loaded by the first stage that needs them; here, so that no stage is charged with it
        import pandas  # noqa: F401
        import scipy.ndimage  # noqa: F401
    imports_s = time.perf_counter() - began
    chosen = layout.build()
    how = o.build_read(chosen, **read)
    o.one_cam_file(how, len(log))
    code_list = parse_codes(codes) if codes else ()
    o.check_cylinders(chosen, code_list, counts)
    job_facts = load_job(job) if job else None
    done = analyse_files(
        log,
        AnalyseOptions(
            chosen,
            channels=channels,
            counts=counts,
            codes=code_list,
            known_cuts=tuple(o.parse_cut(c, chosen) for c in known_cut or ()),
            pattern=load_pattern(pattern) if pattern else None,
            read=how,
            also=o.files(engine=layout.engine, pattern=pattern),
        ),
    )
    result = {**done.to_dict(), "command": asked}
    clock = time.perf_counter()
    if events:
        write_events(events, done.events)
    if report:
        write_text(report, analysis_page(result, done.events, job_facts))
    if timings:
        now = time.perf_counter()
        result["timings_s"] = {
            "imports": imports_s,
            **done.timings_s,
            "write": now - clock,
            "total": now - began,
        }
    emit_json(result, json)
    if json != "-":
        if quiet:
            say(result["verdict"]["headline"])
        else:
            print(terminal_text(result, columns(), colour_wanted()))
    if timings:
        for name, seconds in result["timings_s"].items():
            print(f"{name:<10} {seconds:8.3f} s", file=sys.stderr)
