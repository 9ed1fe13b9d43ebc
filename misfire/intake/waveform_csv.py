"""Sampled waveform in a text table: a time column and a voltage column."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from misfire.errors import InputError
from misfire.intake.edges import UNITS, unit_at_end, volts_per_unit
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.samples import Samples, Store, set_times
from misfire.intake.source import read_head
from misfire.intake.table import Layout, chunks, line_of_row, sniff, split_unit
from misfire.intake.waveform import to_recording

KIND = "waveform CSV"
TIME_NAMES = ("time_s", "time_ms", "time_us")
RATE_KEYS = ("sample_rate_hz", "sample_rate", "sampling rate", "sample rate", "samplerate", "fs")
STEP_KEYS = ("sample_interval_s", "sample interval", "sampling interval", "increment", "dt")


def _columns(layout: Layout, options: ReadOptions) -> dict[str, int | None]:
    wanted = {
        "time": [options.time_column] if options.time_column else list(TIME_NAMES),
        "crank": [options.crank_column] if options.crank_column else ["crank_v", "crank_mv"],
        "cam": [options.cam_column] if options.cam_column else ["cam_v", "cam_mv"],
        "cylinder1": [options.cylinder1_column]
        if options.cylinder1_column
        else ["cylinder1_v", "cylinder1_mv"],
    }
    return {name: layout.find(names) for name, names in wanted.items()}


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True for a table with a crank voltage column."""
    options = options or ReadOptions()
    layout = sniff(path, head)
    if layout is None:
        return False
    columns = _columns(layout, options)
    return columns["crank"] is not None and (columns["time"] is not None or rate_known(layout, options))


def rate_known(layout: Layout, options: ReadOptions) -> bool:
    """Whether the option or a line above the header says the sampling rate."""
    try:
        sampling_step("", layout, options)
    except InputError:
        return False
    return True


def read(path: Path, options: ReadOptions) -> Recording:
    """Read a waveform table and take its edges. Raises InputError."""
    head = read_head(path)
    layout = sniff(path, head)
    if layout is None:
        raise InputError(f"{path}: no table of text")
    return to_recording(load(path, head, layout, options), options)


def load(path: Path, head: bytes, layout: Layout, options: ReadOptions) -> Samples:
    """Samples of a waveform table. Raises InputError."""
    columns = _columns(layout, options)
    for name in ("time", "crank", "cam", "cylinder1"):
        given = getattr(options, f"{name}_column")
        if given and columns[name] is None:
            raise InputError(f"{path}: no column {given!r}; the header is {', '.join(layout.header)}")
    step_s = None
    if columns["time"] is None:
        step_s = sampling_step(path, layout, options)
    wanted = {name: i for name, i in columns.items() if i is not None}
    stores = {name: Store(str(path), np.float64 if name == "time" else np.float32) for name in wanted}
    scales = {name: _scale(layout, name, i, options) for name, i in wanted.items()}
    cut = False
    rows = 0
    last = -np.inf
    for chunk in chunks(path, head, layout, dict.fromkeys(wanted.values(), "number")):
        cut = cut or bool(chunk.attrs.get("cut"))
        for name, i in wanted.items():
            values = chunk[i].to_numpy(dtype=np.float64)
            if name == "time":
                back = np.flatnonzero(np.diff(values, prepend=last) < 0)
                if back.size:
                    number, _ = line_of_row(path, head, layout, rows + int(back[0]))
                    raise InputError(f"{path}, line {number}: time goes backwards; sort or split the log")
                last = float(values[-1]) if values.size else last
            stores[name].append(values * scales[name])
        rows += len(chunk)
    if not rows:
        raise InputError(f"{path}: a header, but no row of numbers; record or export it again")
    decisions = {"format": KIND, "columns": ", ".join(layout.header[i] for i in wanted.values())}
    if layout.decimal == ",":
        decisions["decimal mark"] = "comma"
    if scales.get("time", 1.0) < 1:
        decisions["unit"] = f"time in {next(u for u in ('ms', 'us', 'ns') if UNITS[u] == scales['time'])}"
    samples = Samples(
        source=str(path),
        start_s=0.0,
        step_s=step_s or 0.0,
        crank=stores["crank"].array(),
        cam=stores["cam"].array() if "cam" in stores else None,
        cylinder1=stores["cylinder1"].array() if "cylinder1" in stores else None,
        decisions=decisions,
        notes=["The last line was cut off and was left out."] if cut else [],
    )
    if "time" in stores:
        set_times(samples, stores["time"].array())
    return samples


def _scale(layout: Layout, name: str, index: int, options: ReadOptions) -> float:
    header = layout.header[index].strip().lower()
    unit = layout.units[index] if index < len(layout.units) else ""
    if name == "time":
        # a header that names no unit gets the one of the option: --time-column "Time [ms]"
        unit = unit or split_unit(options.time_column or "")[1]
        return UNITS.get(unit or unit_at_end(header), 1.0) or 1.0
    return volts_per_unit(header, unit)


def sampling_step(path: str | Path, layout: Layout, options: ReadOptions) -> float:
    """Sampling interval [s] by option or from the lines above the header. Raises InputError where neither says it."""
    if options.sample_rate_hz:
        return 1.0 / options.sample_rate_hz
    for key, text in layout.meta.items():
        found = re.match(r"\s*([0-9][0-9.,]*(?:[eE][+-]?\d+)?)\s*([a-zA-Zµμ/]*)", text)
        if not found:
            continue
        try:
            value = float(found[1].rstrip(".,").replace(",", "."))
        except ValueError:
            continue
        base, unit = key.strip().lower(), found[2].lower()
        if value > 0 and any(base.startswith(k) for k in RATE_KEYS):
            return 1.0 / (value * {"khz": 1e3, "ks/s": 1e3, "mhz": 1e6, "ms/s": 1e6}.get(unit, 1.0))
        if value > 0 and any(base.startswith(k) for k in STEP_KEYS):
            return value * (UNITS.get(unit, 1.0) or 1.0)
    raise InputError(
        f"{path}: no time column and no sampling rate; give --sample-rate, or '# sample_rate_hz = ...' on top"
    )
