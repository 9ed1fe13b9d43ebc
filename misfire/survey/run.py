"""The survey: jobs to rows, in the order of the jobs, each row kept as soon as it is there."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from typing import Any

from misfire.survey.columns import error_row
from misfire.survey.jobs import Job
from misfire.survey.one import survey_one
from misfire.survey.progress import Progress
from misfire.survey.workers import DEAD, TRIES, cores, dask, local

# what may go better next time: these rows are made again by --resume
_AGAIN = ("stopped", "internal")


def survey(
    jobs: Sequence[Job],
    *,
    processes: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
    tell: Callable[[int, dict[str, Any] | None], None] | None = None,
) -> list[dict[str, Any]]:
    """Judge every log.

    Parameters
    ----------
    jobs : sequence of Job
    processes : int or None
        Worker processes on this machine; None takes one for each core.
    scheduler : str or None
        Address of a Dask scheduler, whose workers then do the work.
    progress : Progress or None
        Where rows are kept; those already there are not made again.
    tell : callable or None
        Called with the number of rows done so far and the row just made (None at the start).

    Returns
    -------
    list of dict
        A row of `columns.COLUMNS` for every job, in the order of the jobs.

    Raises
    ------
    InputError
        When the cluster or the progress file fails; what is done is kept.
    """
    from misfire import __version__

    keys = [job.key(__version__) for job in jobs]
    rows: list[dict[str, Any] | None] = [None] * len(jobs)
    for i, key in enumerate(keys):
        kept = progress.done.get(key) if progress else None
        if kept is not None and kept.get("error_kind") not in _AGAIN:
            # the key holds the absolute path; the name is the one given this time
            rows[i] = kept | {"file": error_row(jobs[i].file, "", "", "")["file"]}
    left = [i for i, row in enumerate(rows) if row is None]
    done = len(jobs) - len(left)
    if tell:
        tell(done, None)
    todo = [jobs[i] for i in left]
    if not todo:
        return [r for r in rows if r is not None]
    if scheduler is None:
        coming = local(survey_one, todo, processes or cores())
    else:
        coming = dask(survey_one, todo, scheduler)
    with contextlib.closing(coming):
        for k, row in coming:
            i = left[k]
            made = row or error_row(jobs[i].file, __version__, DEAD.format(tries=TRIES), "stopped")
            rows[i] = made
            if progress:
                progress.add(keys[i], made)
            done += 1
            if tell:
                tell(done, made)
    return [r for r in rows if r is not None]
