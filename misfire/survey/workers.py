"""Who does the work: processes on this machine, or the workers of an existing Dask cluster.

Only the standard library is imported at the top: a fresh worker process comes through here first, and its number
of threads must be set before numpy is loaded.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import multiprocessing
import os
import queue
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

Row = dict[str, Any]
TRIES = 2  # a log that ends its worker process twice gets an error row
DEAD = (
    "the worker process died on this log {tries} times (out of memory?); analyse it alone, or survey with fewer "
    "--jobs"
)


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _begin() -> None:
    """First thing in a worker: one thread, no interrupt of its own, and an end when the run has gone."""
    import signal

    # each worker has a core; threads of the linear algebra would only stand in each other's way
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


class _Worker:
    """One worker process, made again when it died.

    Every worker has a pool of its own size one, so that a process that is killed takes one log with it and no
    lock that others wait for, and it is known which log that was.
    """

    def __init__(self, work: Callable[[Any], Row]) -> None:
        self._work = work
        self._pool: ProcessPoolExecutor | None = None
        self.pid: int | None = None

    def do(self, job: Any) -> Row | None:
        """The row, or None when the process died `TRIES` times on this job."""
        for _ in range(TRIES):
            try:
                if self._pool is None:
                    context = multiprocessing.get_context("spawn")
                    self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_begin)
                    self.pid = self._pool.submit(os.getpid).result()
                return self._pool.submit(self._work, job).result()
            except BrokenProcessPool:
                self.close()
        return None

    def close(self) -> None:
        """End the process once its log is done."""
        if self._pool is not None:
            self._pool.shutdown()
        self._pool = self.pid = None

    def kill(self) -> None:
        """End the process now."""
        for child in multiprocessing.active_children():
            if child.pid is not None and child.pid == self.pid:
                child.kill()


def local(
    work: Callable[[Any], Row], jobs: Sequence[Any], processes: int
) -> Generator[tuple[int, Row | None], None, None]:
    """Do the jobs in worker processes of this machine; (number of the job, its row) as they come.

    The row is None when the worker process died on the job, twice. A worker that dies is replaced.
    Closing the iterator early, also by an interrupt, ends the workers at once.
    """
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    for i in range(len(jobs)):
        waiting.put(i)
    rows: queue.SimpleQueue[tuple[int, Row | None] | BaseException] = queue.SimpleQueue()
    stop = threading.Event()
    workers = [_Worker(work) for _ in range(max(1, min(processes, len(jobs))))]

    def drive(worker: _Worker) -> None:
        try:
            while not stop.is_set():
                try:
                    i = waiting.get_nowait()
                except queue.Empty:
                    return
                rows.put((i, worker.do(jobs[i])))
        except BaseException as err:
            rows.put(err)
        finally:
            worker.close()

    threads = [threading.Thread(target=drive, args=(w,), daemon=True) for w in workers]
    for t in threads:
        t.start()
    try:
        for _ in range(len(jobs)):
            done = rows.get()
            if isinstance(done, BaseException):
                raise done
            yield done
    finally:
        stop.set()
        for w in workers:
            w.kill()
        for t in threads:
            t.join()


def dask(
    work: Callable[[Any], Row], jobs: Sequence[Any], address: str
) -> Generator[tuple[int, Row | None], None, None]:
    """The same on the workers of an existing Dask cluster, which must see the logs at the same paths.

    Raises
    ------
    InputError
        When the `fleet` extra is missing, the scheduler does not answer, or it goes away during the work.
    """
    from misfire.errors import InputError

    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise InputError("--scheduler needs an extra; install it with pip install 'misfire[fleet]'") from None
    with _silent("distributed", "distributed.client", "distributed.comm.core"):
        yield from _on_cluster(distributed, work, jobs, address)


@contextlib.contextmanager
def _silent(*names: str) -> Generator[None, None, None]:
    """Keep a library's own reports of a lost connection to itself: the error that is raised says it in one line."""
    loggers = [logging.getLogger(name) for name in names]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _on_cluster(
    distributed: Any, work: Callable[[Any], Row], jobs: Sequence[Any], address: str
) -> Generator[tuple[int, Row | None], None, None]:
    from misfire.errors import InputError

    try:
        client = distributed.Client(address, timeout=5, set_as_default=False)
    except (OSError, ValueError) as err:
        why = " ".join(str(err).split())[:120]
        raise InputError(
            f"--scheduler {address}: no Dask scheduler answers there ({why}); start one with `dask scheduler` "
            "or correct the address"
        ) from err
    with client:
        number = {}
        for i, job in enumerate(jobs):
            number[client.submit(work, job, pure=False, retries=TRIES - 1)] = i
        waiting = distributed.as_completed(number, loop=client.loop)
        try:
            for future in waiting:
                i = number[future]
                if future.status == "cancelled":
                    raise InputError(
                        f"--scheduler {address}: the scheduler went away; what is done is kept, go on with --resume"
                    )
                try:
                    row = future.result()
                except distributed.KilledWorker:
                    row = None
                yield i, row
                future.release()
        finally:
            with contextlib.suppress(Exception):
                client.cancel(list(number), force=True)
