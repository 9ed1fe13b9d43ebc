"""Tooth-timing log: a text table of edge times, counter values or periods."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake import times
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.table import Layout, chunks, line_of_row, sniff

KIND = "tooth-timing CSV"
# column name -> (seconds per unit, None for ticks; True for periods)
TIME_COLUMNS: dict[str, tuple[float | None, bool]] = {
    "time_s": (1.0, False),
    "time_ms": (1e-3, False),
    "time_us": (1e-6, False),
    "tick": (None, False),
    "period_s": (1.0, True),
    "period_us": (1e-6, True),
    "period_tick": (None, True),
}
UNITS = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3}
UNITS |= {"us": 1e-6, "usec": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "tick": 0.0, "ticks": 0.0}
SIGNALS = ("crank", "cam", "cylinder1")


def time_column(layout: Layout, options: ReadOptions) -> tuple[int, str, float | None, bool] | None:
    """Index, name, seconds per unit (None for ticks) and whether periods, of the time column; None without one."""
    if options.time_column:
        i = layout.find([options.time_column])
        if i is None:
            return None
        name = layout.header[i]
        known = TIME_COLUMNS.get(name.strip().lower())
        if known:
            return i, name, known[0], known[1]
        unit = layout.units[i] if i < len(layout.units) else ""
        low = name.strip().lower()
        period = "period" in low or low.startswith(("dt", "delta"))
        if not unit:
            unit = next(
                (u for u in ("ms", "us", "ns", "tick", "ticks") if low.endswith(("_" + u, " " + u))), ""
            )
            unit = unit or ("tick" if low in ("ticks", "count", "counter") else "s")
        scale = UNITS.get(unit, 1.0)
        return i, name, (scale or None), period
    i = layout.find(list(TIME_COLUMNS))
    if i is None:
        return None
    name = layout.header[i].strip().lower()
    scale_, period = TIME_COLUMNS[name]
    return i, name, scale_, period


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for a table with a time column of the contract and no voltage column."""
    options = options or ReadOptions()
    layout = sniff(path, head)
    if layout is None or time_column(layout, options) is None:
        return False
    if options.crank_column or layout.find(["crank_v", "crank_mv"]) is not None:
        return False
    return layout.find([options.signal_column or "signal"]) is not None or _few_columns(layout)


def _few_columns(layout: Layout) -> bool:
    extra = [h for h in layout.header if h.strip().lower() not in TIME_COLUMNS]
    return len(extra) <= 3


def read(path: Path, options: ReadOptions) -> Recording:
    """Read a tooth-timing table. Raises InputError."""
    from misfire.intake.source import read_head

    head = read_head(path)
    layout = sniff(path, head)
    found = time_column(layout, options) if layout else None
    if layout is None or found is None:
        raise InputError(f"{path}: no time column; name it with --time-column")
    index, name, scale, period = found
    clock_hz = None
    if scale is None:
        clock_hz = options.clock_hz or _meta_number(path, layout, "clock_hz")
        if clock_hz is None:
            raise InputError(
                f"{path}: column {name} counts ticks, but no clock is given; add '# clock_hz = ...' on top or --clock-hz"
            )
        scale = 1.0 / clock_hz
    bits = options.counter_bits or _meta_number(path, layout, "counter_bits")
    signal = layout.find([options.signal_column or "signal"])
    if options.signal_column and signal is None:
        raise InputError(
            f"{path}: no column {options.signal_column!r}; the header is {', '.join(layout.header)}"
        )

    raw, code, cut = _load(path, head, layout, index, signal)
    decisions = {"format": KIND, "time column": name}
    notes: list[str] = []
    if cut:
        notes.append("The last line was cut off and was left out.")
    if not raw.size:
        raise InputError(f"{path}: a header, but no row of numbers; record or export it again")
    if clock_hz is not None:
        decisions["clock"] = f"{clock_hz:g} Hz"
    if layout.decimal == ",":
        decisions["decimal mark"] = "comma"

    if period:
        time_s = _from_periods(path, head, layout, raw * scale, code, bits)
    else:
        if bits is not None:
            raw = times.unwrap(raw, int(bits))
            decisions["counter"] = f"{int(bits)} bits, unwrapped"
        elif np.any(np.diff(raw) < 0) and code is None:
            guess = times.guess_bits(raw)
            if guess is not None:
                raw = times.unwrap(raw, guess)
                decisions["counter"] = f"{guess} bits (found from its wraps), unwrapped"
        # ticks beyond 2**53 do not occur; the product keeps the clock's resolution in a double
        time_s = raw * scale if clock_hz is None else raw / clock_hz
    step = scale if clock_hz is not None else times.decimal_step(raw) * scale
    parts = _split(path, head, layout, time_s, code)
    crank = parts["crank"]
    if clock_hz is None and step > 0 and crank.size > 2:
        pitch = float(np.median(np.diff(crank)))
        if step > 2e-3 * pitch:
            notes.append(
                f"Times are written in steps of {step * 1e6:g} us, {100 * step / pitch:.2g} % of a tooth interval: "
                "the lost digits count as clock noise; export more digits if you can."
            )
    recording = Recording(
        source=str(path),
        crank_s=crank,
        cam_s=parts.get("cam"),
        cylinder1_s=parts.get("cylinder1"),
        clock_step_s=float(step),
        decisions=decisions,
        notes=tuple(notes),
    )
    return times.one_edge_per_tooth(recording, options.both_edges)


def _meta_number(path: Path, layout: Layout, key: str) -> float | None:
    text = layout.meta.get(key)
    if text is None:
        return None
    try:
        value = float(text.replace(",", ".").split()[0])
    except (ValueError, IndexError):
        value = float("nan")
    low, high = (8, 64) if key == "counter_bits" else (1.0, 1e12)
    if not low <= value <= high:
        raise InputError(
            f"{path}: '# {key} = {text[:40]}' is no number from {low:g} to {high:g}; correct the line"
        )
    return value


def _load(
    path: Path, head: bytes, layout: Layout, index: int, signal: int | None
) -> tuple[FloatArray, npt.NDArray[np.int8] | None, bool]:
    """Raw time values, signal code per row (0 crank, 1 cam, 2 cylinder 1), and whether the last line was cut."""
    columns = {index: "number"} | ({signal: "word"} if signal is not None else {})
    raws: list[FloatArray] = []
    codes: list[npt.NDArray[np.int8]] = []
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
            table[-1] = 0
            code = table[words.codes.to_numpy()]
            if (code < 0).any():
                at = int(np.flatnonzero(code < 0)[0])
                number, line = line_of_row(path, head, layout, rows + at)
                raise InputError(
                    f"{path}, line {number}: signal {str(chunk[signal].iloc[at])[:40]!r} is none of crank, cam, cylinder1; correct it"
                )
            codes.append(code)
        rows += len(chunk)
    raw = np.concatenate(raws) if raws else np.empty(0)
    return raw, (np.concatenate(codes) if codes else None), cut


def _from_periods(
    path: Path,
    head: bytes,
    layout: Layout,
    period_s: FloatArray,
    code: npt.NDArray[np.int8] | None,
    bits: float | None,
) -> FloatArray:
    """Times [s] from periods; a cam or mark row holds the time since the crank edge before it."""
    crank = np.ones(period_s.size, dtype=bool) if code is None else code == 0
    wrong = period_s <= 0
    wrong[0] = period_s[0] < 0
    if wrong.any():
        number, _ = line_of_row(path, head, layout, int(np.flatnonzero(wrong)[0]))
        raise InputError(f"{path}, line {number}: a period must be above zero; correct or delete the line")
    total = np.cumsum(np.where(crank, period_s, 0.0))
    return np.where(crank, total, total + period_s)


def _split(
    path: Path, head: bytes, layout: Layout, time_s: FloatArray, code: npt.NDArray[np.int8] | None
) -> dict[str, FloatArray]:
    """Times by signal, each strictly growing. Raises InputError with the line otherwise."""
    parts: dict[str, FloatArray] = {}
    for k, name in enumerate(SIGNALS):
        rows = np.arange(time_s.size) if code is None else np.flatnonzero(code == k)
        if code is None and k:
            break
        if not rows.size and k:
            continue
        t = time_s[rows]
        back = np.flatnonzero(np.diff(t) <= 0)
        if back.size:
            at = int(rows[back[0] + 1])
            number, _ = line_of_row(path, head, layout, at)
            same = t[back[0] + 1] == t[back[0]]
            raise InputError(
                f"{path}, line {number}: two {name} edges at the same time; export the times with more digits"
                if same
                else f"{path}, line {number}: time goes backwards ({t[back[0]]:.9g} s, then {t[back[0] + 1]:.9g} s); "
                "sort or split the log, or give --counter-bits if a counter wraps"
            )
        parts[name] = t
    if not parts["crank"].size:
        raise InputError(f"{path}: no crank edge in the log; its signal column must say crank for some rows")
    return parts
