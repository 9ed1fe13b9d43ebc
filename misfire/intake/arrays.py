"""NumPy .npy and .npz, and Parquet: columns by the contract's names, edges or a waveform."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from misfire.errors import InputError
from misfire.intake import times
from misfire.intake.edges import (
    SIGNALS,
    TIME_COLUMNS,
    CodeArray,
    EdgeColumns,
    TimeColumn,
    edges_to_recording,
    volts_per_unit,
)
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.samples import Samples, Store, as_samples, let_go, set_times
from misfire.intake.source import MAX_RATIO
from misfire.intake.table import printable
from misfire.intake.waveform import to_recording

MAX_BYTES = 4 << 30
# columns above this size are handled in pieces of so many values
LONG_BYTES, PIECE = 32 << 20, 1 << 21


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for a NumPy array, a zip archive of arrays, or a Parquet file."""
    if head[:6] == b"\x93NUMPY" or head[:4] == b"PAR1":
        return True
    return head[:4] == b"PK\x03\x04" and b".npy" in head[:400]


def read(path: Path, options: ReadOptions) -> Recording:
    """Read columns from a NumPy or Parquet file. Raises InputError."""
    with open(path, "rb") as f:
        magic = f.read(6)
    if magic[:4] == b"PAR1":
        return from_columns(path, "Parquet", _parquet(path), options)
    if magic[:2] == b"\x1f\x8b":
        raise InputError(f"{path}: a packed NumPy or Parquet file; unpack it first")
    return from_columns(path, "NumPy", *_plain(_numpy(path, options), options))


def _numbered(path: Path, rows: Any, options: ReadOptions) -> dict[str, Any]:
    """Columns of a plain array by their numbers: the time first where it grows, the crank next, others by option."""
    timed = _growing(rows[0]) and options.crank_channel != 1 and options.crank_column != "1"
    out = {"time_s": rows[0]} if timed else {}
    for name in SIGNALS:
        column, channel = getattr(options, f"{name}_column"), getattr(options, f"{name}_channel")
        if column:
            if not column.strip().isdecimal():
                raise InputError(
                    f"{path}: columns of a plain array have numbers, not names; give --{name}-channel"
                )
            channel = int(column[:6])
        channel = channel or (1 + timed if name == "crank" else None)
        if channel is not None and not 1 <= channel <= len(rows):
            raise InputError(f"{path}: no column {channel} for {name}; the array has {len(rows)}")
        if channel is not None:
            out[f"{name}_v"] = rows[channel - 1]
    return out


def _plain(columns: dict[str, Any], options: ReadOptions) -> tuple[dict[str, Any], ReadOptions]:
    """Column options that named numbers of a plain array have done their work."""
    numbers = [c for c in (options.crank_column, options.cam_column, options.cylinder1_column) if c]
    if numbers and all(c.strip().isdecimal() and c not in columns for c in numbers):
        options = replace(options, crank_column=None, cam_column=None, cylinder1_column=None)
    return columns, options


def _numpy(path: Path, options: ReadOptions) -> dict[str, Any]:
    try:
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as z:
                members = z.infolist()
                size = sum(i.file_size for i in members)
                packed = sum(i.compress_size for i in members)
                if size > MAX_BYTES or (size > 128 << 20 and size > MAX_RATIO * packed):
                    raise InputError(f"{path}: unpacks to {size} bytes; this is no recorded log")
                return {i.filename.removesuffix(".npy"): _member(path, z, i) for i in members}
        # mapped, so that a long record is never in memory as a whole
        array = np.lib.format.open_memmap(path, mode="r")
    except InputError:
        raise
    except Exception as e:  # a damaged archive fails in many ways
        raise InputError(
            f"{path}: cannot be read as a NumPy file ({printable(str(e))}); save it again"
        ) from None
    if array.dtype.names:
        return {n: np.asarray(array[n]) for n in array.dtype.names}
    if array.ndim == 1:
        return {"": array}
    if array.ndim == 2 and 1 <= min(array.shape) <= 64:
        rows = array if array.shape[0] < array.shape[1] else array.T
        return {"": rows[0]} if len(rows) == 1 else _numbered(path, rows, options)
    raise InputError(f"{path}: an array of shape {array.shape}; save one column, or named columns as .npz")


def _member(path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Any:
    """One array of an archive; a long column is unpacked in pieces."""
    with archive.open(info) as f:
        if info.file_size < LONG_BYTES:
            return np.load(io.BytesIO(f.read()), allow_pickle=False)
        version = np.lib.format.read_magic(f)
        read_header = (
            np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        )
        shape, _, dtype = read_header(f)
        if len(shape) != 1 or dtype.kind not in "fiu":
            raise InputError(
                f"{path}: {printable(info.filename)} has shape {shape} of {dtype}; save one column of numbers each"
            )
        store = Store(str(path), dtype)
        while block := f.read(1 << 24):
            store.append(np.frombuffer(block[: len(block) // dtype.itemsize * dtype.itemsize], dtype))
        return store.array()


def _parquet(path: Path) -> dict[str, Any]:
    try:
        import pyarrow.parquet as pq
    except ImportError:
        raise InputError(f"{path}: Parquet needs an extra: pip install 'misfire[parquet]'") from None
    try:
        file = pq.ParquetFile(path, pre_buffer=False, memory_map=False)
        meta = {
            k.decode("utf-8", "replace").lower(): v.decode("utf-8", "replace")
            for k, v in (file.schema_arrow.metadata or {}).items()
        }
        columns: dict[str, Any] = {}
        for key in ("clock_hz", "counter_bits", "sample_rate_hz"):
            if key in meta:
                columns[key] = np.array(float(meta[key]))
        if file.metadata.num_rows * max(file.metadata.num_columns, 1) > MAX_BYTES // 8:
            raise InputError(f"{path}: {file.metadata.num_rows} rows; this is no recorded log")
        for field in file.schema_arrow:
            columns[field.name] = _column_of(path, file, field)
        return columns
    except InputError:
        raise
    except Exception as e:  # a damaged file fails in many ways
        raise InputError(f"{path}: cannot be read as Parquet ({printable(str(e))}); save it again") from None


def _column_of(path: Path, file: Any, field: Any) -> Any:
    """One column of a Parquet file, in pieces: numbers in a store, anything else as it comes."""
    parts: list[Any] = []
    store: Store | None = None
    for batch in file.iter_batches(batch_size=1 << 20, columns=[field.name], use_threads=False):
        column = batch.column(0)
        if str(field.type).startswith("dictionary"):
            column = column.cast("string")
        values = column.to_numpy(zero_copy_only=False)
        if values.dtype.kind not in "fiu":
            parts.append(values)
            continue
        store = store or Store(str(path), values.dtype if not column.null_count else np.float64)
        store.append(values)
    return store.array() if store is not None else np.concatenate(parts) if parts else np.empty(0)


def from_columns(path: Path, kind: str, columns: dict[str, Any], options: ReadOptions) -> Recording:
    """A recording from named columns. Raises InputError with the row."""
    names = {k.strip().lower(): k for k in columns}

    def get(*wanted: str | None) -> Any:
        key = next((names[w.strip().lower()] for w in wanted if w and w.strip().lower() in names), None)
        return None if key is None else columns[key]

    for given in (options.time_column, options.crank_column, options.cam_column, options.cylinder1_column):
        if given and get(given) is None:
            raise InputError(f"{path}: no column {given!r}; there are {printable(', '.join(columns))}")
    crank = get(options.crank_column) if options.crank_column else get("crank_v", "crank_mv")
    if crank is None and list(columns) == [""] and (options.sample_rate_hz or not _growing(columns[""])):
        crank = columns[""]
    if crank is not None:
        return _waveform(path, kind, columns, crank, get, options)
    listed = {n: get(f"{n}_s") for n in SIGNALS}
    if list(columns) == [""]:
        listed["crank"] = columns[""]
    if listed["crank"] is not None:
        raws = [_numbers(path, n, a) for n, a in listed.items() if a is not None]
        code = np.concatenate(
            [np.full(len(a), k, np.int8) for k, a in enumerate(listed.values()) if a is not None]
        )
        column, raw = TimeColumn("crank_s", 1.0, False), np.concatenate(raws)
        offset = len(listed["crank"])
        codes: CodeArray | None = code if raw.size > offset else None
    else:
        key = options.time_column or next((n for n in TIME_COLUMNS if n in names), None)
        if key is None:
            raise InputError(
                f"{path}: no time column; there are {printable(', '.join(columns)) or 'none'}; name one time_s, "
                "tick, period_us, crank_s or crank_v, or give --time-column"
            )
        column, raw = TimeColumn.from_name(key), _numbers(path, key, get(key))
        words = get(options.signal_column or "signal")
        codes = _codes(path, words, raw.size)
        others = [
            n for n, a in columns.items() if n.lower() != column.name.lower() and np.size(a) == raw.size
        ]
        if words is None and others and not column.period and times.evenly_spaced(raw):
            raise InputError(
                f"{path}: {printable(key)} grows in equal steps, so the rows are samples, not edges; name the "
                f"crank's voltage with --crank-column: {printable(', '.join(others), 120)}"
            )
    edge_columns = EdgeColumns(
        source=str(path),
        column=column,
        raw=raw,
        code=codes,
        clock_hz=_one(path, "clock_hz", get("clock_hz")),
        counter_bits=_one(path, "counter_bits", get("counter_bits")),
        where=lambda row: f"row {row + 1}",
    )
    return edges_to_recording(edge_columns, options, {"format": kind, "time column": column.name}, [])


def _growing(values: Any) -> bool:
    if values.ndim != 1 or values.size < 2 or values.dtype.kind not in "fiu":
        return False
    head = values[:10_000]
    return bool(np.isfinite(head).all() and np.all(head[1:] > head[:-1]))


def _one(path: Path, name: str, value: Any) -> float | None:
    if value is None:
        return None
    try:
        number = float(np.asarray(value).reshape(-1)[0])
    except (ValueError, TypeError, IndexError):
        number = float("nan")
    if not 1 <= number <= 1e12:
        raise InputError(f"{path}: {name} is no number from 1 to 1e12")
    return number


def _numbers(path: Path, name: str, values: Any, first: int = 0) -> FloatArray:
    try:
        out = np.asarray(values, dtype=np.float64)
    except (ValueError, TypeError):
        raise InputError(f"{path}: column {printable(name)} holds no numbers") from None
    if out.ndim != 1 or not out.size:
        raise InputError(
            f"{path}: column {printable(name)} has shape {out.shape}; one value per row is needed"
        )
    bad = np.flatnonzero(~np.isfinite(out))
    if bad.size:
        row = first + int(bad[0]) + 1
        raise InputError(f"{path}, row {row}: {printable(name)} is {out[bad[0]]}, no finite number")
    return out


def _signal(path: Path, name: str, values: Any, scale: float) -> Any:
    """A sampled signal [V] as float32, a long one piece by piece; `scale` [V] of its unit."""
    if values.ndim == 1 and values.nbytes > LONG_BYTES and values.dtype.kind in "fiu":
        store = Store(str(path))
        for at in range(0, values.size, PIECE):
            store.append(_numbers(path, name, values[at : at + PIECE], at) * scale)
            let_go(values)
        return store.array()
    return as_samples(_numbers(path, name, values) * scale, str(path))


def _times(path: Path, name: str, values: Any) -> Any:
    """Sample times [s], a long column piece by piece. Raises InputError with the row when they go backwards."""
    scale = TimeColumn.from_name(name).scale or 1.0
    if values.ndim != 1 or not values.size:
        return _numbers(path, name, values)
    store, last = Store(str(path), np.float64), -np.inf
    for at in range(0, values.size, PIECE):
        part = _numbers(path, name, values[at : at + PIECE], at)
        back = np.flatnonzero(np.diff(part, prepend=last) < 0)
        if back.size:
            raise InputError(
                f"{path}, row {at + int(back[0]) + 1}: time goes backwards; sort or split the log"
            )
        last = float(part[-1])
        store.append(part * scale)
        let_go(values)
    return store.array()


def _codes(path: Path, words: Any, size: int) -> CodeArray | None:
    if words is None:
        return None
    text = np.char.lower(np.char.strip(np.asarray(words).astype(str)))
    if text.shape != (size,):
        raise InputError(f"{path}: the signal column has {text.size} rows, the time column {size}")
    code = np.full(size, -1, np.int8)
    for k, name in enumerate(SIGNALS):
        code[text == name] = k
    bad = np.flatnonzero(code < 0)
    if bad.size:
        word = printable(str(text[bad[0]]))
        raise InputError(f"{path}, row {bad[0] + 1}: signal {word!r} is none of crank, cam, cylinder1")
    return code


def _waveform(
    path: Path, kind: str, columns: dict[str, Any], crank: Any, get: Any, options: ReadOptions
) -> Recording:
    time_name = options.time_column or next(
        (n for n in ("time_s", "time_ms", "time_us") if get(n) is not None), ""
    )
    time = get(time_name) if time_name else None
    given = {n: getattr(options, f"{n}_column") for n in SIGNALS}
    size = len(crank)
    arrays: dict[str, Any] = {}
    for name in SIGNALS:
        wanted = [given[name]] if given[name] else [f"{name}_v", f"{name}_mv"]
        column = next((w for w in wanted if get(w) is not None), "")
        values = crank if name == "crank" else get(column) if column else None
        if values is not None:
            arrays[name] = _signal(path, name, values, volts_per_unit(column))
            if arrays[name].size != size:
                raise InputError(f"{path}: {name} has {arrays[name].size} samples, crank {size}")
    samples = Samples(
        source=str(path),
        start_s=0.0,
        step_s=0.0,
        crank=arrays["crank"],
        cam=arrays.get("cam"),
        cylinder1=arrays.get("cylinder1"),
        decisions={"format": kind, "columns": printable(", ".join(n for n in columns if n)) or "one"},
    )
    if time is not None:
        time_s = _times(path, time_name, time)
        if time_s.size != size:
            raise InputError(f"{path}: {time_name} has {time_s.size} rows, crank {size}")
        set_times(samples, time_s)
    else:
        rate = options.sample_rate_hz or _one(path, "sample_rate_hz", get("sample_rate_hz"))
        if rate is None:
            raise InputError(f"{path}: no time column and no sampling rate; give --sample-rate")
        samples.step_s = 1.0 / rate
    return to_recording(samples, options)
