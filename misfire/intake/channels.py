"""Slow channels beside a log: load, temperatures, flags; and their clock brought onto the log's."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from misfire.errors import InputError
from misfire.intake.recording import Channels, FloatArray
from misfire.intake.source import read_head, text_stream
from misfire.intake.table import Layout, line_of_row, printable, sniff

# contract column -> (name kept, factor, offset, lowest, highest in the column's own unit)
COLUMNS: dict[str, tuple[str, float, float, float, float]] = {
    "load_pct": ("load_pct", 1.0, 0.0, -5.0, 250.0),
    "map_kpa": ("map_kpa", 1.0, 0.0, 0.0, 600.0),
    "throttle_pct": ("throttle_pct", 1.0, 0.0, -10.0, 110.0),
    "speed_rpm": ("speed_rpm", 1.0, 0.0, 0.0, 25000.0),
    "coolant_c": ("coolant_c", 1.0, 0.0, -60.0, 200.0),
    "coolant_f": ("coolant_c", 5.0 / 9.0, -160.0 / 9.0, -76.0, 392.0),
    "transmission_c": ("transmission_c", 1.0, 0.0, -60.0, 250.0),
    "transmission_f": ("transmission_c", 5.0 / 9.0, -160.0 / 9.0, -76.0, 482.0),
    "fuel_cut": ("fuel_cut", 1.0, 0.0, 0.0, 1.0),
    "starter": ("starter", 1.0, 0.0, 0.0, 1.0),
    "vehicle_kmh": ("vehicle_kmh", 1.0, 0.0, -10.0, 500.0),
    # one statute mile is 1.609344 km (international yard and pound agreement, 1959)
    "vehicle_mph": ("vehicle_kmh", 1.609344, 0.0, -6.0, 310.0),
}
# names without their unit, as loggers write them: which one is meant cannot be told, so it is asked for
_BARE = {
    "load": "load_pct", "map": "map_kpa", "throttle": "throttle_pct", "rpm": "speed_rpm", "speed": "speed_rpm or "
    "vehicle_kmh", "coolant": "coolant_c or coolant_f", "transmission": "transmission_c or transmission_f",
    "vehicle": "vehicle_kmh or vehicle_mph",
}  # fmt: skip
FLAGS = ("fuel_cut", "starter")
_WORDS = {"true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0, "on": 1.0, "off": 0.0}
GRID_S = 0.05
MAX_ROWS = 5_000_000


def read_channels(path: str | Path) -> Channels:
    """Read slow channels.

    Fahrenheit becomes Celsius and miles per hour become km/h; flags stay 0 or 1; NaN where a cell is
    blank. Columns that are not the contract's are left out and named in the notes, unless they look like
    a misspelt one.

    Raises
    ------
    InputError
        Not a table, no time_s, time going backwards, a misspelt column, a value outside its physical range.
    """
    import pandas as pd

    path = Path(path)
    head = read_head(path)
    layout = sniff(path, head)
    if layout is None:
        raise InputError(f"{path}: no text table; export the channels as CSV with a header line")
    names = [h.strip().lower() for h in layout.header]
    if "time_s" not in names:
        shown = printable(", ".join(layout.header[:12])) or "missing"
        raise InputError(f"{path}: no column time_s; the header is: {shown}")
    notes = _check_names(path, names)
    stream, encoding = text_stream(path, head)
    try:
        with stream:
            table = pd.read_csv(
                stream,
                sep=r"\s+" if layout.delimiter == " " else layout.delimiter or "\x01",
                header=None,
                names=list(range(len(names))),
                index_col=False,
                skiprows=layout.skip,
                dtype=str,
                encoding=encoding,
                encoding_errors="replace",
                skipinitialspace=True,
                nrows=MAX_ROWS + 1,
            )
    except pd.errors.EmptyDataError:
        table = pd.DataFrame()
    except (ValueError, RuntimeError) as e:
        raise InputError(f"{path}: cannot be read as a table ({printable(str(e))})") from None
    if not len(table):
        raise InputError(f"{path}: a header, but no row of numbers; export it again")
    if len(table) > MAX_ROWS:
        raise InputError(f"{path}: more than {MAX_ROWS} rows; slow channels need a few rows a second")
    time_s = _column(path, head, layout, table[names.index("time_s")], names.index("time_s"), "time_s")
    values: dict[str, FloatArray] = {}
    for name, (kept, factor, offset, _, _) in COLUMNS.items():
        if name in names:
            raw = _column(path, head, layout, table[names.index(name)], names.index(name), name)
            if kept not in values:
                values[kept] = raw * factor + offset
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        number, _ = line_of_row(path, head, layout, int(bad[0]))
        raise InputError(f"{path}, line {number}: time_s is missing; fill it or delete the line")
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        number, _ = line_of_row(path, head, layout, int(back[0]) + 1)
        raise InputError(f"{path}, line {number}: time_s goes backwards; sort or split the file")
    return Channels(time_s, values, tuple(notes), str(path))


def _check_names(path: Path, names: list[str]) -> list[str]:
    unknown = [n for n in names if n and n != "time_s" and n not in COLUMNS]
    for name in unknown:
        near = difflib.get_close_matches(name, list(COLUMNS), 1, 0.8)
        meant = _BARE.get(name) or (near[0] if near else "")
        if meant and not set(meant.split(" or ")) & set(names):
            raise InputError(f"{path}: column {printable(name)!r} is unknown; did you mean {meant}?")
    if not any(n in COLUMNS for n in names):
        raise InputError(f"{path}: no known channel; name columns {', '.join(COLUMNS)}")
    if unknown:
        return [f"Columns not used: {printable(', '.join(unknown), 200)}."]
    return []


def _column(path: Path, head: bytes, layout: Layout, cells: object, index: int, name: str) -> FloatArray:
    """Numbers of one column; blank cells are NaN. Raises InputError with the line."""
    import pandas as pd

    text = pd.Series(cells).astype("object")
    if layout.decimal == ",":
        text = text.map(lambda c: c.replace(",", ".") if isinstance(c, str) else c)
    if name in FLAGS:
        text = text.map(lambda c: _WORDS.get(c.strip().lower(), c) if isinstance(c, str) else c)
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64)
    blank = text.isna().to_numpy()
    wrong = (~blank & ~np.isfinite(values)) | np.isinf(values)
    low, high = COLUMNS[name][3:] if name in COLUMNS else (-1e12, 1e12)
    with np.errstate(invalid="ignore"):
        outside = (values < low) | (values > high)
        if name in FLAGS:
            outside |= ~blank & (values != 0) & (values != 1)
    for mask in (wrong, outside):
        if mask.any():
            row = int(np.flatnonzero(mask)[0])
            number, _ = line_of_row(path, head, layout, row)
            cell = printable(str(text.iloc[row]))
            what = (
                "not a finite number; correct or clear it"
                if mask is wrong
                else "neither 0 nor 1"
                if name in FLAGS
                else f"outside {low:g} to {high:g}; check the unit"
            )
            raise InputError(f"{path}, line {number}: {name} is {cell}, {what}")
    return values


def align_channels(channels: Channels, crank_time_s: FloatArray, crank_rpm: FloatArray) -> Channels:
    """Shift slow channels onto the log's clock by their speed_rpm.

    Parameters
    ----------
    channels : Channels
    crank_time_s, crank_rpm : array, shape (points,)
        Times [s] on the log's clock, growing, and the speed there [rpm].

    Returns
    -------
    Channels
        With `time_s` shifted where the two speeds fit at one shift much better than elsewhere; the notes
        say what was done. Without speed_rpm, or with a speed that hardly changes, the clocks stay as they are.

    Notes
    -----
    The shift is the maximum of the cross-correlation, written as the least mean square difference of the
    two speeds over their overlap, which needs at least a third of the shorter one (and 3 s).
    """
    speed = channels.values.get("speed_rpm")
    if speed is None or np.isfinite(speed).sum() < 3 or crank_time_s.size < 3:
        return channels
    have = np.isfinite(speed)
    a_t, a = channels.time_s[have], speed[have]
    b_t, b = np.asarray(crank_time_s, dtype=float), np.asarray(crank_rpm, dtype=float)
    ok = np.isfinite(b) & np.isfinite(b_t)
    b_t, b = b_t[ok], b[ok]
    span = max(a_t[-1] - a_t[0], b_t[-1] - b_t[0])
    shortest = min(a_t[-1] - a_t[0], b_t[-1] - b_t[0])
    if shortest < 3.0:
        return _noted(channels, "The clocks were not aligned: less than 3 s of speed.")
    if min(float(np.ptp(a)), float(np.ptp(b))) < 0.04 * float(np.median(b)):
        return _noted(
            channels, "The clocks were not aligned: the speed hardly changes, so it cannot tell the shift."
        )
    grid = max(GRID_S, span / 200_000)
    x = np.interp(np.arange(a_t[0], a_t[-1], grid), a_t, a)
    y = np.interp(np.arange(b_t[0], b_t[-1], grid), b_t, b)
    lag, cost = _differences(x, y)
    enough = np.minimum(np.minimum(x.size, y.size) // 3 + 1, y.size)
    fits = np.where(cost[1] >= max(enough, int(3.0 / grid)), cost[0], np.inf)
    k = int(np.argmin(fits))
    best = float(fits[k])
    variance = float(np.var(y))
    # a fit that leaves a tenth of the speed's own variance is no fit
    if not np.isfinite(best) or best > 0.1 * variance:
        return _noted(
            channels, "The clocks were not aligned: speed_rpm does not follow the crank speed of the log."
        )
    part = 0.0
    if 0 < k < fits.size - 1 and np.isfinite(fits[k - 1 : k + 2]).all():
        left, mid, right = (float(v) for v in fits[k - 1 : k + 2])
        curve = left - 2 * mid + right
        part = 0.5 * (left - right) / curve if curve > 0 else 0.0
    shift_s = float((lag[k] + part) * grid + b_t[0] - a_t[0])
    # a recorder's filtered speed lags a little by itself: without a clear gain the clocks stay
    stay = int(np.argmin(np.abs(lag * grid + b_t[0] - a_t[0])))
    if abs(shift_s) < grid or best > 0.7 * float(fits[stay]):
        return _noted(channels, "Clocks agree: speed_rpm follows the crank speed without a shift.")
    return _noted(
        replace(channels, time_s=channels.time_s + shift_s),
        f"Channel times were shifted by {shift_s:+.2f} s so that speed_rpm follows the crank speed.",
    )


@dataclass(frozen=True)
class AtTimes:
    """Slow channels at given times, arrays of shape (times,).

    `fuel_cut` is 0 or 1, NaN between two rows that differ; `load` is the channel `load_from`: "load_pct" [%],
    "map_kpa" [kPa], or "" without either, and then NaN.
    """

    fuel_cut: FloatArray
    load: FloatArray
    load_from: str = ""


def at_times(channels: Channels | None, time_s: FloatArray) -> AtTimes:
    """Fuel-cut flag and load at times [s] on the log's clock, shape (times,)."""
    nan = np.full(time_s.size, np.nan)
    if channels is None or channels.time_s.size == 0:
        return AtTimes(nan, nan.copy())
    t = channels.time_s
    i = np.clip(np.searchsorted(t, time_s, side="right") - 1, 0, t.size - 1)
    j = np.clip(i + 1, 0, t.size - 1)
    cut = nan
    if "fuel_cut" in channels.values:
        flag = channels.values["fuel_cut"]
        cut = np.where(flag[i] == flag[j], flag[i], np.nan)
        cut[(time_s < t[0]) | (time_s > t[-1] + 5.0)] = np.nan
    for name in ("load_pct", "map_kpa"):
        if name in channels.values:
            load = np.interp(time_s, t, channels.values[name], left=np.nan, right=np.nan)
            return AtTimes(cut, load, name)
    return AtTimes(cut, nan.copy())


def _noted(channels: Channels, note: str) -> Channels:
    return replace(channels, notes=(*channels.notes, note))


def _differences(x: FloatArray, y: FloatArray) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Lag of x against y [grid steps], with the mean square difference and the overlap at each lag."""
    n = 1 << int(np.ceil(np.log2(x.size + y.size)))
    shift = float(np.mean(y))
    x, y = x - shift, y - shift

    def correlate(p: FloatArray, q: FloatArray) -> FloatArray:
        spectrum = np.fft.rfft(q, n) * np.conj(np.fft.rfft(p, n))
        return np.asarray(np.fft.irfft(spectrum, n))

    ones_x, ones_y = np.ones(x.size), np.ones(y.size)
    overlap = np.rint(correlate(ones_x, ones_y))
    total = correlate(x * x, ones_y) + correlate(ones_x, y * y) - 2 * correlate(x, y)
    lag = np.arange(n)
    lag = np.where(lag < y.size, lag, lag - n)
    order = np.argsort(lag)
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = np.where(overlap > 0, np.maximum(total, 0.0) / np.maximum(overlap, 1.0), np.inf)
    return lag[order].astype(float), (cost[order], overlap[order])
