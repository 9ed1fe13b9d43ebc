"""One log to one row. Whatever is wrong with the log stands in its row; nothing is raised."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import Any

from misfire.survey.columns import error_row, result_row
from misfire.survey.jobs import Job


def survey_one(job: Job) -> dict[str, Any]:
    """Judge one log; the row of `columns.COLUMNS`, the same on whatever machine it is made."""
    from misfire import __version__
    from misfire.errors import InputError, TooFewTurnsError

    try:
        with warnings.catch_warnings():
            # a warning has no reader here, and may not differ between one worker's first log and its second
            warnings.simplefilter("ignore")
            return result_row(job.file, _analysed(job))
    except TooFewTurnsError as err:
        return error_row(job.file, __version__, _told(job, err), "too_few_turns")
    except (InputError, OSError) as err:
        return error_row(job.file, __version__, _told(job, err), "input")
    except MemoryError:
        text = "not enough memory for this log; cut it into shorter records, or survey with fewer --jobs"
        return error_row(job.file, __version__, text, "stopped")
    except Exception as err:
        text = f"the tool failed on this log ({type(err).__name__}: {err}); analyse it alone and report that"
        return error_row(job.file, __version__, text, "internal")


def _told(job: Job, err: Exception) -> str:
    """The message as `analyse` gives it, with the log's name as the row has it."""
    return str(err).replace(job.path, job.file)


def _analysed(job: Job) -> dict[str, Any]:
    from misfire.engine import Engine
    from misfire.errors import InputError
    from misfire.intake.counts import read_counts
    from misfire.pipeline import AnalyseOptions, analyse_files

    engine = job.engine or (Engine.load(job.engine_file) if job.engine_file else None)
    if engine is None:
        raise InputError(
            f"{job.path}: no engine is known for it; give --engine, or put an engine.toml into its folder"
        )
    if job.counts:
        strange = sorted(set(read_counts(job.counts).misfires or ()) - set(engine.firing_order))
        if strange:
            raise InputError(
                f"{job.counts}: a count names cylinder {strange[0]}, but the engine has {engine.cylinders} "
                "cylinders; check the engine or the file"
            )
    read = job.read
    if read.edge is None and engine.wheel is not None and engine.wheel.counted_edge:
        read = replace(read, edge=engine.wheel.counted_edge)
    options = AnalyseOptions(engine, channels=job.channels, counts=job.counts, read=read)
    return analyse_files([job.path], options).to_dict()
