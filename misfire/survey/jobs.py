"""Which logs a survey holds, and what lies beside each of them."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from misfire.engine import Engine
from misfire.errors import InputError
from misfire.intake.options import ReadOptions

# .csv and .wav may be packed; what else a log can be is found by content, but not every file in a folder is one
_LOG_ENDINGS = (".csv", ".csv.gz", ".wav", ".vcd", ".npz", ".npy", ".parquet", ".mf4")
_TABLE = b"file,status,headline,causes,"
_BESIDE = ("channels", "counts", "events")


@dataclass(frozen=True)
class Job:
    """One log of the survey; plain values only, so that it travels to any worker.

    Attributes
    ----------
    file : str
        The log as the row names it.
    path : str
        Its absolute path.
    engine : Engine or None
        The engine of all logs; None when each has its own file.
    engine_file, channels, counts : str or None
        Absolute paths of what lies beside the log.
    read : ReadOptions
    """

    file: str
    path: str
    engine: Engine | None = None
    engine_file: str | None = None
    channels: str | None = None
    counts: str | None = None
    read: ReadOptions = field(default_factory=ReadOptions)

    def key(self, version: str) -> str:
        """What the row depends on, as a short text: a job with the same key need not be done again."""
        told: list[object] = [version, asdict(self.read), repr(self.engine)]
        for path in (self.path, self.engine_file, self.channels, self.counts):
            try:
                info = os.stat(path) if path else None
            except OSError:
                info = None
            told.append([path, info and info.st_size, info and info.st_mtime_ns])
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:32]


def find_jobs(
    places: Sequence[str],
    engine: Engine | None = None,
    read: ReadOptions = ReadOptions(),  # noqa: B008 - frozen
    *,
    beside: bool = True,
    but: Sequence[Path] = (),
) -> list[Job]:
    """The logs in the order of the names given, those of a folder sorted by name.

    Parameters
    ----------
    places : sequence of str
        Logs and folders; a folder is searched with everything under it.
    engine : Engine or None
        The engine of every log; None takes NAME_engine.toml, or the nearest engine.toml above the log.
    beside : bool
        Take NAME_channels.csv and NAME_counts.csv (channels.csv and counts.csv of a log.csv).
    but : sequence of Path
        Files that are no logs, such as the survey's own tables.

    Raises
    ------
    InputError
        When a place does not exist, a folder holds no log, or nothing was named.
    """
    jobs: list[Job] = []
    apart = {p.resolve() for p in but}
    seen: set[Path] = set()
    for place in places:
        top = Path(place)
        if not os.path.lexists(top):
            raise InputError(f"{place}: no such log or folder; check the name")
        found = list(_logs_under(top)) if top.is_dir() else [top]
        found = [p for p in found if p.resolve() not in apart]
        if not found:
            ends = ", ".join(_LOG_ENDINGS)
            raise InputError(f"{place}: no log in this folder; logs end in {ends}")
        for path in found:
            if path.resolve() in seen:
                continue
            seen.add(path.resolve())
            whole = Path(os.path.abspath(path))
            root = Path(os.path.abspath(top if top.is_dir() else path.parent))
            jobs.append(
                Job(
                    str(path),
                    str(whole),
                    engine,
                    None if engine is not None else _engine_file(whole, root),
                    _companion(whole, "channels") if beside else None,
                    _companion(whole, "counts") if beside else None,
                    read,
                )
            )
    if not jobs:
        raise InputError("no log given; name logs or a folder of them")
    return jobs


def _stem(path: Path) -> str:
    name = path.name
    return next(
        (name[: -len(e)] for e in sorted(_LOG_ENDINGS, key=len)[::-1] if name.lower().endswith(e)), name
    )


def _logs_under(folder: Path) -> Iterator[Path]:
    for at, folders, names in os.walk(folder):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            path = Path(at) / name
            if name.startswith(".") or not name.lower().endswith(_LOG_ENDINGS):
                continue
            if _stem(path).lower().rsplit("_", 1)[-1] in _BESIDE or is_table(path):
                continue
            yield path


def is_table(path: Path) -> bool:
    """True for the table of an earlier survey, which may lie among the logs."""
    try:
        if path.suffix.lower() == ".parquet":
            from pyarrow import ArrowInvalid
            from pyarrow.parquet import read_schema

            try:
                return ",".join(read_schema(path).names).encode().startswith(_TABLE)
            except ArrowInvalid:
                return False
        with path.open("rb") as f:
            return f.read(len(_TABLE)) == _TABLE
    except (OSError, ImportError):
        return False


def _companion(log: Path, what: str) -> str | None:
    names = [f"{_stem(log)}_{what}.csv"] + ([f"{what}.csv"] if _stem(log) == "log" else [])
    return next((str(log.with_name(n)) for n in names if log.with_name(n).is_file()), None)


def _engine_file(log: Path, root: Path) -> str | None:
    """NAME_engine.toml, else the nearest engine.toml from the log's folder up to the folder given."""
    own = log.with_name(f"{_stem(log)}_engine.toml")
    if own.is_file():
        return str(own)
    for folder in log.parents:
        if (folder / "engine.toml").is_file():
            return str(folder / "engine.toml")
        if folder == root:
            return None
    return None
