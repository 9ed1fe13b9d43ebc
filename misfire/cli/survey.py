"""`misfire survey`: many logs, one row each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from misfire.cli import options as o

if TYPE_CHECKING:
    from collections.abc import Sequence


@o.gathers
def survey(
    place: Annotated[list[str], typer.Argument(metavar="LOG...|FOLDER", help="Logs, or folders of logs.")],
    *,
    layout: o.EngineWords,
    out: Annotated[
        list[str] | None,
        typer.Option(
            "--out", help="Table of the rows (.csv, .parquet); may be given twice. Else survey.csv."
        ),
    ] = None,
    report: Annotated[str | None, typer.Option("--report", help="Write the overview page (.html).")] = None,
    json: o.JsonOption = None,
    resume: Annotated[
        bool,
        typer.Option("--resume", help="Go on with an earlier run: logs that are done are not done again."),
    ] = False,
    jobs: Annotated[
        int | None, typer.Option("--jobs", help="Worker processes on this machine; else one for each core.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            help="Address of a Dask scheduler, such as tcp://host:8786; its workers do the work and must see the logs "
            "at the same paths.",
        ),
    ] = None,
    beside: Annotated[
        bool,
        typer.Option(
            "--beside/--alone", help="Use, or leave, NAME_channels.csv and NAME_counts.csv beside NAME.csv."
        ),
    ] = True,
    read: o.Given,
) -> None:
    """Judge many logs, one row each: a shop's month, a fleet's night.

    Example: misfire survey shop --out survey.csv --report survey.html

    Without --engine each log takes NAME_engine.toml beside it, or the nearest engine.toml in its folder and above.
    A log that cannot be judged gets a row with the reason. A run that is stopped, by whatever, keeps the rows that
    are done in a file beside the table; the same command with --resume goes on.
    """
    import sys
    from pathlib import Path

    from misfire import __version__
    from misfire.cli.keep import refuse
    from misfire.cli.output import check_page, emit_json, write_text
    from misfire.errors import InputError
    from misfire.intake.progress import step
    from misfire.report import survey_page, survey_text
    from misfire.survey.jobs import find_jobs
    from misfire.survey.progress import Progress
    from misfire.survey.run import survey as judge

    check_page(report)
    tables = out or ["survey.csv"]
    for table in tables:
        _check(table)
    if jobs is not None and jobs < 1:
        raise InputError(f"--jobs {jobs}: give a number from 1 up")
    if jobs is not None and scheduler is not None:
        raise InputError("--jobs and --scheduler exclude each other: the cluster has its own workers")
    chosen = layout.build() if layout != o.EngineWords() else None
    todo = find_jobs(
        place, chosen, o.build_read(chosen, **read), beside=beside, but=[Path(t) for t in tables]
    )
    refuse(
        [
            *(("--out", t) for t in tables),
            *(("--report", r) for r in [report] if r),
            *(("--json", j) for j in [json] if j),
        ],
        (f for job in todo for f in (job.path, job.engine_file, job.channels, job.counts) if f),
    )
    kept = Progress(Path(tables[0] + ".progress"), resume=resume)
    errors = 0

    def tell(done: int, row: dict[str, Any] | None) -> None:
        nonlocal errors
        errors += row is not None and row["status"] == "error"
        bad = f", {errors} not judged" if errors else ""
        step(f"{done} of {len(todo)} logs{bad}", done / len(todo))

    try:
        rows = judge(todo, processes=jobs, scheduler=scheduler, progress=kept, tell=tell)
    except KeyboardInterrupt:
        done = kept.count(job.key(__version__) for job in todo)
        print(
            f"misfire: {done} of {len(todo)} logs are done and kept; the same command with --resume goes on",
            file=sys.stderr,
        )
        raise
    finally:
        kept.close()
    for table in tables:
        _write(table, rows)
    if report:
        write_text(report, survey_page(rows))
    emit_json({"format": "misfire-survey", "version": 1, "logs": rows}, json)
    if json != "-":
        print(survey_text(rows, [*tables, *([report] if report else [])]), end="")


def _check(table: str) -> None:
    """Refuse a table that could not be written, before the work and not after it."""
    from pathlib import Path

    from misfire.errors import InputError
    from misfire.survey.jobs import is_table

    kind = Path(table).suffix.lower()
    if kind not in (".csv", ".parquet"):
        raise InputError(f"--out {table}: rows are written as .csv or .parquet; choose one of these endings")
    if Path(table).is_dir():
        raise InputError(f"--out {table}: is a folder; give a file name to write to")
    if kind == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError:
            raise InputError(
                f"{table}: parquet needs an extra; install it with pip install 'misfire[parquet]'"
            ) from None
    if Path(table).is_file() and Path(table).stat().st_size and not is_table(Path(table)):
        raise InputError(f"--out {table}: is there already and no table of a survey; give another name")


def _write(table: str, rows: Sequence[dict[str, Any]]) -> None:
    from misfire.cli.output import write_whole
    from misfire.survey.columns import frame

    made = frame(rows)
    if table.lower().endswith(".csv"):
        write_whole(table, lambda p: made.to_csv(p, index=False, float_format="%.6g", lineterminator="\n"))
    else:
        write_whole(table, lambda p: made.to_parquet(p, index=False))
