"""MDF 4 (ASAM), through an optional library."""

from __future__ import annotations

import gc
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from misfire.errors import InputError
from misfire.intake import progress
from misfire.intake.arrays import from_columns
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.samples import Store, let_go
from misfire.intake.table import printable

# values, or records of eight bytes, at once
PIECE = 1 << 20


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for the file identification of MDF 3 and 4."""
    return head[:8] in (b"MDF     ", b"UnFinMF ")


def read(path: Path, options: ReadOptions) -> Recording:
    """Read a waveform, or edges as the time stamps of an event channel. Raises InputError."""
    try:
        from asammdf import MDF
    except ImportError:
        raise InputError(f"{path}: MDF 4 needs an extra: pip install 'misfire[mdf]'") from None
    # the library's own clean-up complains aloud about files that it could not open
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        got = _open(MDF, path, options)
        if isinstance(got, str):
            gc.collect()
    finally:
        sys.unraisablehook = hook
    if isinstance(got, str):
        raise InputError(got)
    return got


def _open(library: Any, path: Path, options: ReadOptions) -> Recording | str:
    """The recording, or what is wrong with the file."""
    try:
        with library(path) as mdf:
            mdf.configure(read_fragment_size=8 * PIECE)
            return _read(path, mdf, options)
    except InputError as e:
        return str(e)
    except Exception as e:  # a damaged file fails in many ways
        text = printable(str(e)) or type(e).__name__
        return f"{path}: cannot be read as MDF ({text}); export it again"


def _read(path: Path, mdf: Any, options: ReadOptions) -> Recording:
    have = {name.lower(): name for name in mdf.channels_db}
    columns: dict[str, Any] = {}
    notes: list[str] = []
    base: Any = None
    wanted = {"crank": options.crank_column, "cam": options.cam_column, "cylinder1": options.cylinder1_column}
    for signal, given in wanted.items():
        names = [given] if given else [f"{signal}_v", signal]
        name = next((have[n.lower()] for n in names if n.lower() in have), None)
        if name is None:
            if given or signal == "crank":
                shown = printable(", ".join(n for n in mdf.channels_db), 120)
                raise InputError(
                    f"{path}: no channel {given or 'crank_v'!r}; name it with --{signal}-column: {shown}"
                )
            continue
        time_s, values, note = _channel(path, mdf, name)
        notes += [note] if note else []
        if values is None or f"{signal}_s" in columns:
            # one value in every record: the records themselves are the edges
            columns[f"{signal}_s"] = time_s
            continue
        if base is None:
            base = time_s
            columns["time_s"] = time_s
        elif time_s.size != base.size or not np.array_equal(time_s, base):
            values = _onto(path, base, time_s, values)
        columns[f"{signal}_v"] = values
    plain = ReadOptions(threshold_v=options.threshold_v, edge=options.edge, both_edges=options.both_edges)
    recording = from_columns(path, "MDF 4", columns, plain)
    return replace(recording, notes=(*dict.fromkeys(notes), *recording.notes)) if notes else recording


def _channel(path: Path, mdf: Any, name: str) -> tuple[Any, Any, str]:
    """Time [s] and values of a channel, and a note; values None where all are alike (an event channel).

    A recorder may begin a new channel group for every block of time: groups that follow one another are
    joined. Of groups that run at the same time the one with most records is taken. Read in pieces.
    """
    parts = [p for group, index in mdf.channels_db[name] if (p := _group(path, mdf, name, group, index)).size]
    if not parts:
        raise InputError(f"{path}: channel {printable(name)} holds no record; record it again")
    parts.sort(key=lambda part: part.first_s)
    note = ""
    if any(b.first_s < a.last_s for a, b in pairwise(parts)):
        parts = [max(parts, key=lambda part: part.size)]
        note = f"Channel {printable(name)} stands in the file several times; the longest was read."
    elif len(parts) > 1:
        note = (
            f"Channel {printable(name)} comes in {len(parts)} groups, one after the other; they were joined."
        )
    one_value = len({v for part in parts for v in (part.low, part.high)}) <= 1
    times, values = (
        parts[0][:2] if len(parts) == 1 else (_joined(path, [p[k] for p in parts]) for k in (0, 1))
    )
    return times, None if one_value else values, note


class _Part(NamedTuple):
    """One group's times [s] and values of a channel, and their ends."""

    time_s: Any
    values: Any
    low: float
    high: float

    @property
    def size(self) -> int:
        return int(self.time_s.size)

    @property
    def first_s(self) -> float:
        return float(self.time_s[0])

    @property
    def last_s(self) -> float:
        return float(self.time_s[-1])


def _group(path: Path, mdf: Any, name: str, group: int, index: int) -> _Part:
    """A channel as one group holds it, read in pieces."""
    times, stored = Store(str(path), np.float64), Store(str(path))
    low, high = np.inf, -np.inf
    whole = max(int(mdf.groups[group].channel_group.cycles_nr), 1)
    for piece in mdf.iter_get(group=group, index=index):
        progress.step(f"reading {path.name}", times.size / whole)
        values = np.asarray(piece.samples)
        if values.dtype.kind not in "fiub" or values.ndim != 1:
            raise InputError(f"{path}: channel {printable(name)} holds no numbers")
        if str(piece.unit).strip().lower() == "mv":
            values = values * 1e-3
        times.append(np.asarray(piece.timestamps, dtype=np.float64))
        stored.append(values)
        if values.size:
            low, high = min(low, float(values.min())), max(high, float(values.max()))
    return _Part(times.array(), stored.array(), low, high)


def _joined(path: Path, parts: list[Any]) -> Any:
    store = Store(str(path), parts[0].dtype)
    for part in parts:
        for at in range(0, part.size, PIECE):
            store.append(part[at : at + PIECE])
        let_go(part)
    return store.array()


def _onto(path: Path, base: Any, time_s: Any, values: Any) -> Any:
    """Values at the times of the crank's samples, by straight lines between their own."""
    store = Store(str(path))
    for at in range(0, base.size, PIECE):
        store.append(np.interp(base[at : at + PIECE], time_s, values))
    return store.array()
