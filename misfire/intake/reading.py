"""Which reader takes a file: decided by content, the file's name does not matter."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from misfire.errors import InputError
from misfire.intake import arrays, mdf, progress, tooth_csv, vcd, wav, waveform_csv
from misfire.intake.columns import Taken, foreign_columns
from misfire.intake.edges import TIME_COLUMNS
from misfire.intake.options import ReadOptions
from misfire.intake.recording import Recording
from misfire.intake.second_file import add_cam
from misfire.intake.source import decode_head, read_head
from misfire.intake.table import sniff

# a number and a word of letters: a list of edges whose signals have other names
_SIGNAL_WORD = re.compile(
    r"^[ \t]*[-+\d.,eE]+[ \t]*[;,\t|][ \t]*\"?(?!(?:crank|cam|cylinder1)\b)([^\W\d_][\w -]{0,30})\"?[ \t]*$",
    re.MULTILINE,
)
_CLOCK = re.compile(r"^\d{1,2}:\d\d:\d\d[.,\d]*(?=[,;\t])", re.MULTILINE)


class Reader(Protocol):
    """What every reader module offers."""

    def recognises(self, path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
        """Whether the file is of this kind, by its first bytes."""

    def read(self, path: Path, options: ReadOptions) -> Recording:
        """The recording. Raises InputError."""


READERS: tuple[Reader, ...] = (wav, vcd, mdf, arrays, waveform_csv, tooth_csv)


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
            recording = reader.read(path, options)
            if options.cam_file:
                recording = _with_cam(recording, options)
            progress.step(f"judging {path.name}")
            return recording
    taken = None if options.cam_only else _foreign(path, head, options)
    if taken is not None:
        recording = read(path, taken.options)
        return replace(recording, notes=(*recording.notes, f"Columns {taken.said}; name others by option."))
    raise InputError(f"{path}: {_why(path, head, options)}")


def _foreign(path: Path, head: bytes, options: ReadOptions) -> Taken | None:
    """Columns of a foreign table by their content, where a reader knows what to do with them."""
    layout = sniff(path, head)
    if layout is None or not layout.header:
        return None
    taken = foreign_columns(path, head, layout, options)
    if taken is None or not any(r.recognises(path, head, taken.options) for r in READERS):
        return None
    return taken


def _why(path: Path, head: bytes, options: ReadOptions) -> str:
    layout = sniff(path, head)
    if layout is None:
        return "neither text nor a known kind of recording; export the log as CSV, WAV, VCD, NPZ, Parquet or MDF 4"
    if clock := _CLOCK.search(decode_head(head)[:2000]):
        return f"a row begins with the time of day, {clock[0].strip()}; export the time in seconds"
    if word := _SIGNAL_WORD.search(decode_head(head)[:4000]):
        return (
            f"a row names the signal {word[1].strip()!r}; such a column says crank, cam or cylinder1 (header: signal), "
            "beside a column of times"
        )
    if not layout.header:
        return "no row of numbers was found; export the times and voltages as numbers, one row a sample or an edge"
    if not layout.named:
        first = decode_head(head).splitlines()[0][:40]
        shown = "".join(c if c.isprintable() else "?" for c in first)
        return f"line 1 is {shown!r}, but a header line with column names is needed, such as time_s,signal or time_s,crank_v"
    names = ", ".join(h or "(blank)" for h in layout.header[:12])[:120]
    names = "".join(c if c.isprintable() else "?" for c in names)
    wanted = [c for c in (options.time_column, options.crank_column, options.cam_column) if c]
    missing = [w for w in wanted if layout.find([w]) is None]
    if missing:
        return f"no column {missing[0]!r}; the header is: {names}"
    time = layout.find([options.time_column] if options.time_column else list(TIME_COLUMNS))
    crank = layout.find([options.crank_column] if options.crank_column else ["crank_v", "crank_mv"])
    if crank is not None and time is None:
        return (
            'no time column and no sampling rate; name the time\'s column with --time-column "Zeit [ms]" (its unit in '
            "brackets), or give --sample-rate, or '# sample_rate_hz = ...' on top"
        )
    if time is not None:
        return f"which column is the crank? Name it with --crank-column (its voltage) or --signal-column; the header is: {names}"
    return (
        f"no time column; the header is: {names}; name one time_s, time_ms, time_us, tick, period_s, period_us or "
        "period_tick, or give --time-column (and --crank-column for a waveform)"
    )


def _with_cam(recording: Recording, options: ReadOptions) -> Recording:
    """Add the cam edges of a second file."""
    path = Path(str(options.cam_file))
    plain = replace(
        options,
        cam_file=None,
        cam_offset_s=None,
        threshold_v=None,
        edge=None,
        both_edges=False,
        cam_only=True,
        time_column=None,
        crank_channel=options.cam_channel or 1,
        cam_channel=None,
    )
    # a second file that holds the crank as well ties its clock by that; else the cam stands in the crank's place
    names = [options.cam_column] if options.cam_column else [None, "cam_v", "cam_mv", "cam"]
    tries = [replace(plain, crank_channel=options.crank_channel, cam_channel=options.cam_channel)]
    tries += [replace(plain, crank_column=n, cam_column=None, cylinder1_column=None) for n in names]
    if options.time_column:
        tries += [replace(t, time_column=options.time_column) for t in tries]
    failed: InputError | None = None
    for k, how in enumerate(tries):
        try:
            other = read(path, how)
        except InputError as e:
            failed = e if failed is None or k == 1 else failed
            continue
        if how.crank_column is not None and how.crank_column != options.crank_column:
            other = replace(other, cam_s=None)
        if other.cam_s is not None or how.cam_column is None:
            return add_cam(recording, other, options.cam_offset_s)
    raise failed or InputError(f"{path}: no cam signal in it; name it with --cam-column")
