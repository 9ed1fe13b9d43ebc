"""MDF 4 (ASAM), through an optional library."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake.arrays import from_columns
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.table import printable


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
        group, index = mdf.channels_db[name][0]
        data = mdf.get(group=group, index=index)
        time_s = np.asarray(data.timestamps, dtype=np.float64)
        values = np.asarray(data.samples)
        if values.dtype.kind not in "fiub":
            raise InputError(f"{path}: channel {printable(name)} holds no numbers")
        if str(data.unit).strip().lower() == "mv":
            values = values * 1e-3
        events = values.size and np.all(values == values[0])
        if events or f"{signal}_s" in columns:
            # one value in every record: the records themselves are the edges
            columns[f"{signal}_s"] = time_s
            continue
        if base is None:
            base = time_s
            columns["time_s"] = time_s
        elif time_s.size != base.size or not np.array_equal(time_s, base):
            values = np.interp(base, time_s, values.astype(np.float64))
        columns[f"{signal}_v"] = values
    plain = ReadOptions(threshold_v=options.threshold_v, edge=options.edge, both_edges=options.both_edges)
    return from_columns(path, "MDF 4", columns, plain)
