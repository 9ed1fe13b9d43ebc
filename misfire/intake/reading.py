"""Which reader takes a file: decided by content, the file's name does not matter."""

from __future__ import annotations

from pathlib import Path

from misfire.errors import InputError
from misfire.intake import tooth_csv, waveform_csv
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.source import decode_head, read_head
from misfire.intake.table import sniff

READERS = (tooth_csv, waveform_csv)


def read(path: str | Path, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 - frozen
    """Read a log of any known kind.

    Parameters
    ----------
    path : str or Path
        Tooth-timing table, sampled waveform, WAV, VCD, NumPy, Parquet or MDF 4 file.
    options : ReadOptions
        What the file does not say by itself.

    Raises
    ------
    InputError
        With one line: what is wrong, where in the file, what to do.
    """
    path = Path(path)
    head = read_head(path)
    for reader in READERS:
        if reader.recognises(path, head, options):
            return reader.read(path, options)
    raise InputError(f"{path}: {_why(path, head, options)}")


def _why(path: Path, head: bytes, options: ReadOptions) -> str:
    layout = sniff(path, head)
    if layout is None:
        return "neither text nor a known kind of recording; export the log as CSV, WAV, VCD, NPZ, Parquet or MDF 4"
    if not layout.header:
        first = decode_head(head).splitlines()[0][:40]
        shown = "".join(c if c.isprintable() else "?" for c in first)
        return f"line 1 is {shown!r}, but a header line with column names is needed, such as time_s,signal or time_s,crank_v"
    names = ", ".join(h or "(blank)" for h in layout.header[:12])[:120]
    names = "".join(c if c.isprintable() else "?" for c in names)
    wanted = [c for c in (options.time_column, options.crank_column, options.cam_column) if c]
    missing = [w for w in wanted if layout.find([w]) is None]
    if missing:
        return f"no column {missing[0]!r}; the header is: {names}"
    return (
        f"no time column; the header is: {names}; name one time_s, time_ms, time_us, tick, period_s, period_us or "
        "period_tick, or give --time-column (and --crank-column for a waveform)"
    )
