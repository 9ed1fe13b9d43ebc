"""Rows kept as they come: a line of JSON each, safe on disk before the next one is waited for."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from misfire.errors import InputError

_FORMAT = "misfire-survey-progress"


class Progress:
    """The file beside the survey's table that holds every row done so far.

    A line is added with one write and forced to disk; one that was cut short by a crash is not read, and the
    next begins a line of its own. So a run that is ended at any time loses the logs in work and nothing else.
    """

    def __init__(self, path: Path, *, resume: bool) -> None:
        """Open for adding. Raises InputError when the file is of another kind or cannot be written."""
        self.path = path
        self.done: dict[str, dict[str, Any]] = {}
        try:
            if path.exists():
                self._load()
                if not resume:
                    os.replace(path, path.with_name(path.name + ".old"))
                    self.done = {}
            path.parent.mkdir(parents=True, exist_ok=True)
            torn = path.exists() and path.stat().st_size and not path.read_bytes().endswith(b"\n")
            self._file = open(path, "ab", buffering=0)  # noqa: SIM115 - closed in close()
            if torn:
                self._file.write(b"\n")
            elif not self._file.tell():
                self._write({"format": _FORMAT, "version": 1})
        except OSError as err:
            raise InputError(
                f"{path}: cannot be written ({err.strerror}); choose another place with --out"
            ) from err

    def _load(self) -> None:
        known = False
        for line in self.path.read_text("utf-8", errors="replace").splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if not isinstance(entry, dict):
                continue
            if entry.get("format") == _FORMAT:
                known = True
            elif known and isinstance(entry.get("row"), dict) and "key" in entry:
                self.done[str(entry["key"])] = entry["row"]
        if not known and self.path.stat().st_size:
            raise InputError(
                f"{self.path}: not a survey's progress file; move it away or choose another --out"
            )

    def add(self, key: str, row: dict[str, Any]) -> None:
        """Keep a row. Raises InputError when the disk does not take it."""
        try:
            self._write({"key": key, "row": row})
        except OSError as err:
            raise InputError(
                f"{self.path}: cannot be written ({err.strerror}); free space and go on with --resume"
            ) from err
        self.done[key] = row

    def count(self, keys: Iterable[str]) -> int:
        """How many of these jobs are done, as the file on disk has it."""
        self._load()
        return sum(key in self.done for key in keys)

    def _write(self, entry: dict[str, Any]) -> None:
        data = (json.dumps(entry, ensure_ascii=True, allow_nan=False) + "\n").encode()
        if self._file.write(data) != len(data):
            raise OSError(errno.ENOSPC, "no space left")
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file; its rows stay for the next run."""
        self._file.close()
