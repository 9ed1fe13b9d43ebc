"""Tooth-timing log: a text table of edge times, counter values or periods."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from misfire.errors import InputError
from misfire.intake import times
from misfire.intake.edges import SIGNALS, TIME_COLUMNS, CodeArray, EdgeColumns, TimeColumn, edges_to_recording
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.source import read_head
from misfire.intake.table import Layout, chunks, ends_cut, line_of_row, printable, sniff, split_unit

KIND = "tooth-timing CSV"


def _time_column(layout: Layout, options: ReadOptions) -> tuple[int, TimeColumn] | None:
    i = layout.find([options.time_column] if options.time_column else list(TIME_COLUMNS))
    if i is None:
        return None
    unit = layout.units[i] if i < len(layout.units) else ""
    # a header that names no unit gets the one of the option: --time-column "Time [ms]"
    return i, TimeColumn.from_name(layout.header[i], unit or split_unit(options.time_column or "")[1])


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for a table with a time column of the contract (or the one named) and no crank voltage column."""
    options = options or ReadOptions()
    layout = sniff(path, head)
    if layout is None or _time_column(layout, options) is None:
        return False
    if options.crank_column or layout.find(["crank_v", "crank_mv"]) is not None:
        return False
    known = {*TIME_COLUMNS, (options.signal_column or "signal").strip().lower()}
    if options.time_column:
        known.add(options.time_column.strip().lower())
    extra = [h for h in layout.header if h.strip() and h.strip().lower() not in known]
    return layout.find([options.signal_column or "signal"]) is not None or len(extra) <= 3


def read(path: Path, options: ReadOptions) -> Recording:
    """Read a tooth-timing table. Raises InputError."""
    head = read_head(path)
    layout = sniff(path, head)
    found = _time_column(layout, options) if layout else None
    if layout is None or found is None:
        raise InputError(f"{path}: no time column; name it with --time-column")
    index, column = found
    signal = layout.find([options.signal_column or "signal"])
    if options.signal_column and signal is None:
        header = printable(", ".join(layout.header))
        raise InputError(f"{path}: no column {options.signal_column!r}; the header is {header}")
    raw, code, cut = _load(path, head, layout, index, signal)
    decisions = {"format": KIND, "time column": column.name}
    if layout.decimal == ",":
        decisions["decimal mark"] = "comma"
    notes = ["The last line was cut off and was left out."] if cut else []
    if signal is None and len(layout.header) > 1:
        others = [h for k, h in enumerate(layout.header) if k != index and h.strip()]
        if others and not column.period and times.evenly_spaced(raw):
            raise InputError(
                f"{path}: {printable(column.name)} grows in equal steps, so the rows are samples, not edges; name the "
                f"crank's voltage with --crank-column: {printable(', '.join(others), 120)}"
            )
        notes.append(f"Columns not used: {printable(', '.join(others))}; every row is taken as a crank edge.")
    columns = EdgeColumns(
        source=str(path),
        column=column,
        raw=raw,
        code=code,
        clock_hz=_meta_number(path, layout, "clock_hz", 1.0, 1e12),
        counter_bits=_meta_number(path, layout, "counter_bits", 8, 64),
        where=lambda row: f"line {line_of_row(path, head, layout, row)[0]}",
    )
    return edges_to_recording(columns, options, decisions, notes)


def _meta_number(path: Path, layout: Layout, key: str, low: float, high: float) -> float | None:
    text = layout.meta.get(key)
    if text is None:
        return None
    try:
        value = float(text.split()[0].replace(",", "."))
    except (ValueError, IndexError):
        value = float("nan")
    if not low <= value <= high:
        raise InputError(
            f"{path}: '# {key} = {printable(text)}' is no number from {low:g} to {high:g}; correct the line"
        )
    return value


def _begins_signal(word: str) -> bool:
    return any(s.startswith(word.strip().lower()) for s in SIGNALS)


def _load(
    path: Path, head: bytes, layout: Layout, index: int, signal: int | None
) -> tuple[FloatArray, CodeArray | None, bool]:
    """Raw time values, signal code per row, and whether the last line was cut off."""
    columns = {index: "number"} | ({signal: "word"} if signal is not None else {})
    raws: list[FloatArray] = []
    codes: list[CodeArray] = []
    cut = False
    rows = 0
    for chunk in chunks(path, head, layout, columns):
        raws.append(chunk[index].to_numpy(dtype=np.float64))
        cut = cut or bool(chunk.attrs.get("cut"))
        if signal is not None:
            words = chunk[signal].cat
            table = np.full(len(words.categories) + 1, -1, dtype=np.int8)
            for k, word in enumerate(words.categories):
                text = str(word).strip().lower()
                if text in SIGNALS:
                    table[k] = SIGNALS.index(text)
            table[-1] = 0  # a blank cell: crank is the default
            code = table[words.codes.to_numpy()]
            if (table[:-1] < 0).any() and (code < 0).any():
                wrong = int(np.flatnonzero(code < 0)[0])
                word = printable(str(chunk[signal].iloc[wrong]))
                if wrong < len(chunk) - 1 or not _begins_signal(word) or not ends_cut(path, head):
                    number = line_of_row(path, head, layout, rows + wrong)[0]
                    raise InputError(
                        f"{path}, line {number}: signal {word!r} is none of crank, cam, cylinder1; correct it"
                    )
                cut, code, raws[-1] = True, code[:wrong], raws[-1][:wrong]
            codes.append(code)
        rows += len(chunk)
    raw = np.concatenate(raws) if raws else np.empty(0)
    return raw, (np.concatenate(codes) if codes else None), cut
