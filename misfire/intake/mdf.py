"""MDF 4 (ASAM), through an optional library."""

from __future__ import annotations

import gc
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake import progress
from misfire.intake.arrays import from_columns
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.samples import Store
from misfire.intake.table import printable

# records read at once
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
    parts: list[tuple[float, float, int, int, int]] = []
    for group, index in mdf.channels_db[name]:
        count = int(mdf.groups[group].channel_group.cycles_nr)
        if count:
            first, last = (
                float(mdf.get(group=group, index=index, record_offset=k, record_count=1).timestamps[0])
                for k in (0, count - 1)
            )
            parts.append((first, last, count, group, index))
    parts.sort()
    note = ""
    if any(b[0] < a[1] for a, b in pairwise(parts)):
        parts = [max(parts, key=lambda part: part[2])]
        note = f"Channel {printable(name)} stands in the file several times; the longest was read."
    elif len(parts) > 1:
        note = (
            f"Channel {printable(name)} comes in {len(parts)} groups, one after the other; they were joined."
        )
    times, stored = Store(str(path), np.float64), Store(str(path))
    low, high = np.inf, -np.inf
    for _, _, count, group, index in parts:
        for at in range(0, count, PIECE):
            progress.step(f"reading {path.name}")
            piece = mdf.get(group=group, index=index, record_offset=at, record_count=min(PIECE, count - at))
            values = np.asarray(piece.samples)
            if values.dtype.kind not in "fiub" or values.ndim != 1:
                raise InputError(f"{path}: channel {printable(name)} holds no numbers")
            if str(piece.unit).strip().lower() == "mv":
                values = values * 1e-3
            times.append(np.asarray(piece.timestamps, dtype=np.float64))
            stored.append(values)
            if values.size:
                low, high = min(low, float(values.min())), max(high, float(values.max()))
    return times.array(), None if low == high else stored.array(), note


def _onto(path: Path, base: Any, time_s: Any, values: Any) -> Any:
    """Values at the times of the crank's samples, by straight lines between their own."""
    store = Store(str(path))
    for at in range(0, base.size, PIECE):
        store.append(np.interp(base[at : at + PIECE], time_s, values))
    return store.array()
