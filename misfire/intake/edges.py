"""Columns of edge times, counter values or periods become a recording; for every reader that has columns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake import times
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.table import split_unit

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
# a column of such a name holds the time since the edge before; the languages of `columns.TIME_WORDS`
PERIOD_WORDS = (
    "period", "périod", "períod", "interval", "zahnzeit", "zahndauer", "tooth time", "time between",
)  # fmt: skip
VOLTS = {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "kv": 1e3}
SIGNALS = ("crank", "cam", "cylinder1")
# from edge to edge: 360 teeth at 25 000 rpm with both edges, and four teeth at 60 rpm
SHORTEST_S, LONGEST_S = 3e-6, 0.25
CodeArray = npt.NDArray[np.int8]


def volts_per_unit(name: str, unit: str = "") -> float:
    """Volts of one unit of a signal's column, by the unit given or at the end of its name; 1 where none is known."""
    own, within = split_unit(name.strip().lower())
    suffix = "mv" if own.rstrip().endswith(("_mv", " mv")) else "v"
    return VOLTS.get(unit or within or suffix, 1.0)


def unit_at_end(name: str) -> str:
    """The unit of time that a column's name ends with after a blank or an underscore, else empty."""
    low = name.strip().lower()
    return next((u for u in UNITS if low.endswith(("_" + u, " " + u))), "")


def is_period(name: str) -> bool:
    """Whether a column of that name holds the time since the edge before."""
    low = name.strip().lower()
    return any(w in low for w in PERIOD_WORDS) or low.startswith(("dt", "delta"))


@dataclass(frozen=True)
class TimeColumn:
    """What a time column counts: `scale` [s] of one unit (None for ticks), and whether it holds periods."""

    name: str
    scale: float | None
    period: bool

    @classmethod
    def from_name(cls, name: str, unit: str = "") -> TimeColumn:
        """By the contract's name, else by the unit given or at the end of the name."""
        own, given = split_unit(name.strip().lower())
        low, unit = own.strip(), unit or given
        if low in TIME_COLUMNS:
            return cls(name, *TIME_COLUMNS[low])
        unit = unit or unit_at_end(low) or ("tick" if low in ("ticks", "count", "counter") else "s")
        return cls(name, UNITS.get(unit, 1.0) or None, is_period(low))


@dataclass(frozen=True)
class EdgeColumns:
    """Edge rows as they stand in a file.

    Attributes
    ----------
    source : str
    column : TimeColumn
    raw : array, shape (rows,)
        The time column's own numbers.
    code : array or None, shape (rows,)
        Signal per row: 0 crank, 1 cam, 2 cylinder 1; None when all rows are crank edges.
    clock_hz, counter_bits : float or None
        As given in the file.
    where : callable
        Row number, from 0, to words for a message: "line 12".
    """

    source: str
    column: TimeColumn
    raw: FloatArray
    code: CodeArray | None
    clock_hz: float | None
    counter_bits: float | None
    where: Callable[[int], str]


def edges_to_recording(
    columns: EdgeColumns, options: ReadOptions, decisions: dict[str, str], notes: list[str]
) -> Recording:
    """Times of the crank, cam and cylinder-1 rows [s]. Raises InputError with the row."""
    raw, code, column = columns.raw, columns.code, columns.column
    if not raw.size:
        raise InputError(f"{columns.source}: a header, but no row of numbers; record or export it again")
    clock_hz = None
    scale = column.scale
    if scale is None:
        clock_hz = options.clock_hz or columns.clock_hz
        if clock_hz is None:
            raise InputError(
                f"{columns.source}: column {column.name} counts ticks, but no clock is given; "
                "add '# clock_hz = ...' on top or give --clock-hz"
            )
        scale = 1.0 / clock_hz
        decisions["clock"] = f"{clock_hz:.10g} Hz"
    bits = options.counter_bits or columns.counter_bits
    if column.period:
        time_s = _from_periods(columns, raw * scale)
    else:
        if bits is not None:
            if raw.min() < 0 or raw.max() >= 2.0**bits:
                at = int(np.flatnonzero((raw < 0) | (raw >= 2.0**bits))[0])
                raise InputError(
                    f"{columns.source}, {columns.where(at)}: {raw[at]:.12g} does not fit a counter of "
                    f"{int(bits)} bits; correct --counter-bits"
                )
            raw = times.unwrap(raw, int(bits))
            decisions["counter"] = f"{int(bits)} bits, unwrapped"
        elif np.any(raw[1:] < raw[:-1]) and (guess := times.guess_bits(raw)) is not None:
            raw = times.unwrap(raw, guess)
            decisions["counter"] = f"{guess} bits (found from its wraps), unwrapped"
        # a division keeps the ticks' exact decimal value where a product with 1e-6 would not
        time_s = raw * scale if clock_hz is None else raw / clock_hz
    step = scale if clock_hz is not None else times.time_step(raw) * scale
    parts = _split(columns, time_s, code, options.cam_only)
    crank = parts["crank"]
    if crank.size > 2:
        some = np.arange(0, crank.size - 1, max(1, crank.size // 200_000))
        pitch = float(np.median(crank[some + 1] - crank[some]))
        if crank.size > 100 and not SHORTEST_S < pitch < LONGEST_S:
            unit = (
                "ticks"
                if clock_hz is not None
                else {1.0: "seconds", 1e-3: "ms", 1e-6: "us", 1e-9: "ns"}.get(scale)
            )
            raise InputError(
                f"{columns.source}: column {column.name} read as {unit} puts the edges {pitch:.3g} s apart, as in no running "
                f"engine; give its unit, such as --time-column '{column.name} [ms]'"
            )
        if step > 0.01 * pitch:
            what = "The clock ticks" if clock_hz is not None else "Times are written"
            notes.append(
                f"{what} in steps of {step * 1e6:.4g} us, {100 * step / pitch:.2g} % of a tooth interval: "
                "the lost digits count as clock noise; log with a faster clock or more digits if you can."
            )
    recording = Recording(
        source=columns.source,
        crank_s=crank,
        cam_s=parts.get("cam"),
        cylinder1_s=parts.get("cylinder1"),
        clock_step_s=float(step),
        decisions=decisions,
        notes=tuple(notes),
    )
    return times.one_edge_per_tooth(recording, False if options.edge == "both" else options.both_edges)


def _from_periods(columns: EdgeColumns, period_s: FloatArray) -> FloatArray:
    """Times [s] from periods; a cam or mark row holds the time since the crank edge before it."""
    crank = np.ones(period_s.size, dtype=bool) if columns.code is None else columns.code == 0
    wrong = np.where(crank, period_s <= 0, period_s < 0)
    wrong[0] = period_s[0] < 0
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        raise InputError(
            f"{columns.source}, {columns.where(at)}: a period must be above zero; correct or delete the row"
        )
    total = np.cumsum(np.where(crank, period_s, 0.0))
    return np.where(crank, total, total + period_s)


def _split(
    columns: EdgeColumns, time_s: FloatArray, code: CodeArray | None, cam_only: bool
) -> dict[str, FloatArray]:
    """Times by signal, each strictly growing. Raises InputError with the row otherwise."""
    parts: dict[str, FloatArray] = {}
    for k, name in enumerate(SIGNALS):
        if code is None and k > 0:
            break
        t = time_s if code is None else time_s[code == k]
        if not t.size:
            continue
        if (t[1:] <= t[:-1]).any():
            back = np.flatnonzero(t[1:] <= t[:-1])
            rows = np.arange(t.size) if code is None else np.flatnonzero(code == k)
            first, second = float(t[back[0]]), float(t[back[0] + 1])
            place = f"{columns.source}, {columns.where(int(rows[back[0] + 1]))}"
            if first == second:
                raise InputError(
                    f"{place}: two {name} edges at the same time; export the times with more digits"
                )
            raise InputError(
                f"{place}: time goes backwards ({first:.9g} s, then {second:.9g} s); sort or split the log, "
                "or give --counter-bits if a counter wraps"
            )
        parts[name] = t
    if "crank" not in parts and cam_only and "cam" in parts:
        return {"crank": parts["cam"]}
    if "crank" not in parts:
        raise InputError(
            f"{columns.source}: no crank edge in the log; its signal column must say crank for some rows"
        )
    return parts
