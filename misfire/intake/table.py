"""A delimited text table of numbers: find its delimiter, decimal mark, header and units, read it in chunks."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from misfire.errors import InputError
from misfire.intake.source import decode_head, text_stream

if TYPE_CHECKING:
    import pandas as pd

CHUNK_ROWS = 1_000_000
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_NUMBER_LIKE = re.compile(r"[+-]?(inf(inity)?|nan)$", re.IGNORECASE)
_KEY = re.compile(r"[A-Za-z][\w .-]*")
_MARK = re.compile(r"[:=,;\t]")
_UNIT = re.compile(
    r"^[\[(]?\s*(s|sec|seconds?|ms|msec|us|usec|µs|μs|ns|v|volts?|mv|kv|a|ma|bar|mbar|kpa|psi|deg|%|ticks?|-|1)?\s*[\])]?$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Layout:
    """How a text table is written.

    Attributes
    ----------
    delimiter, decimal : str
        Field delimiter ("" for one column, " " for runs of blanks) and decimal mark.
    header : tuple of str
        Column names as written, without quotes and units in brackets; "column 1" and so on when there is no header line;
        empty when there is no row of numbers either.
    units : tuple of str
        Unit of each column, lower case, "" when none is given.
    skip : int
        Lines in front of the first row of numbers.
    meta : dict
        `# key = value` lines and scope-style `key,value` lines, keys in lower case.
    columns : int
    named : bool
        Whether the names of the header are the file's own.
    """

    delimiter: str
    decimal: str
    header: tuple[str, ...]
    units: tuple[str, ...]
    skip: int
    meta: dict[str, str]
    columns: int
    named: bool = True

    def find(self, names: Sequence[str]) -> int | None:
        """Index of the first of `names` among the columns, letter case, blanks and a unit in brackets ignored."""
        have = [h.strip().lower() for h in self.header]
        for name in names:
            for word in (name.strip().lower(), split_unit(name.strip().lower())[0]):
                if word in have:
                    return have.index(word)
        return None


def _cells(line: str, delimiter: str) -> list[str]:
    parts = [line] if not delimiter else line.split() if delimiter == " " else line.split(delimiter)
    return [p.strip().strip('"').strip() for p in parts]


def _numeric(cell: str) -> bool:
    return bool(_NUMBER.match(cell) or _NUMBER_LIKE.match(cell))


def _is_row(line: str, delimiter: str) -> bool:
    """A row of numbers: its first cell, and at least half of the filled cells, are numbers."""
    cells = [c for c in _cells(line, delimiter)]
    filled = [c for c in cells if c]
    number = [c for c in filled if _numeric(c)]
    words = [c for c in filled if c.lower() in ("crank", "cam", "cylinder1")]
    return bool(number) and len(number) + len(words) == len(filled)


def _delimiter(lines: list[str]) -> str:
    """The delimiter that most of the last lines of the head hold."""
    tail = [ln for ln in lines if ln.strip() and not ln.startswith("#")][-40:]
    if not tail:
        return ""
    for mark in (";", "\t", "|"):
        if sum(mark in ln for ln in tail) >= 0.8 * len(tail):
            return mark
    if sum("," in ln for ln in tail) >= 0.8 * len(tail):
        rows = [ln for ln in tail if _is_row(ln, ",")]
        other = [ln for ln in lines[:60] if ln.strip() and not ln.startswith("#") and not _is_row(ln, ",")]
        # one column written with decimal commas: the header has no comma, every row has one
        single = rows and all(ln.count(",") == 1 and " " not in ln.strip() for ln in rows)
        if single and other and "," not in other[-1]:
            return ""
        return ","
    blanks = [ln for ln in tail if len(ln.split()) > 1 and all(_numeric(c) for c in ln.split())]
    return " " if len(blanks) >= 0.8 * max(len(tail) - 2, 1) else ""


def split_unit(cell: str) -> tuple[str, str]:
    """Name and unit of a header cell such as "Channel A (mV)"; no regular expression, which can take for ever."""
    text = cell.rstrip()
    at = max(text.rfind("["), text.rfind("("))
    if at > 0 and text[-1:] in ("]", ")") and text[:at].strip():
        return text[:at].rstrip(), text[at + 1 : -1].strip().lower()
    return cell, ""


def meta_pair(line: str) -> tuple[str, str] | None:
    """Key, in lower case, and value of a line "# key = value"; None for another line."""
    if not line.startswith("#"):
        return None
    key, _, value = line[1:].partition("=")
    key, value = key.strip(), value.strip()
    return (key.lower(), value) if value and _KEY.fullmatch(key) else None


def sniff(path: Path, head: bytes) -> Layout | None:
    """Find how the table is written; None when the head is no table of text. Raises InputError."""
    utf16 = head[:2] in (b"\xff\xfe", b"\xfe\xff")
    if not utf16 and b"\0" in head[:4096]:
        return None
    text = decode_head(head)
    bad = sum(c == "\ufffd" or (ord(c) < 32 and c not in "\t\r\n\f") for c in text[:4096])
    if bad > 0.1 * min(len(text), 4096):
        return None
    lines = text.splitlines()
    if len(head) >= 4096 and len(lines) > 2:
        lines = lines[:-1]
    delimiter = _delimiter(lines)
    meta: dict[str, str] = {}
    before: list[str] = []
    skip = 0
    row = ""
    for line in lines:
        pair = meta_pair(line)
        if pair:
            meta[pair[0]] = pair[1]
        elif line.strip() and not line.startswith("#"):
            if _is_row(line, delimiter):
                row = line
                break
            before.append(line)
        skip += 1
    cells = _cells(row or (before[-1] if before else ""), delimiter)
    columns = len(cells)
    decimal = "."
    if delimiter != ",":
        sample = [c for ln in lines[skip : skip + 50] for c in _cells(ln, delimiter)]
        if any("," in c for c in sample) and not any("." in c for c in sample):
            decimal = ","
    header, units = _header(before, delimiter, columns, meta)
    own = bool(header) and not any(_numeric(h) for h in header)
    if not own:
        # without names the columns are called by their place, where there are rows at all
        header = tuple(f"column {k + 1}" for k in range(columns)) if row else ()
    return Layout(delimiter, decimal, header, units, skip, meta, columns, own)


def numeric_columns(head: bytes, layout: Layout) -> list[int]:
    """Columns that hold a number in every row of the head."""
    lines = decode_head(head).splitlines()[layout.skip : -1][:2000]
    rows = [_cells(ln, layout.delimiter) for ln in lines if ln.strip()]
    rows = [r for r in rows if len(r) >= layout.columns]
    return [i for i in range(layout.columns) if rows and all(_numeric(r[i]) for r in rows)]


def _header(
    before: list[str], delimiter: str, columns: int, meta: dict[str, str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Header and units from the lines in front of the rows; other lines are kept as key and value."""
    units: list[str] = [""] * columns
    if len(before) > 1:
        cells = _cells(before[-1], delimiter)
        if len(cells) == columns and all(_UNIT.match(c) for c in cells) and any(cells):
            units = [c.strip("[]() ").lower() for c in cells]
            before = before[:-1]
    names: list[str] = []
    if before:
        cells = _cells(before[-1], delimiter)
        if len(cells) >= columns:
            names = cells[:]
    for line in before[: -1 if names else None]:
        parts = _MARK.split(line.strip().strip('"'), maxsplit=1)
        if len(parts) == 2:
            meta.setdefault(parts[0].strip().lower(), parts[1].strip(' ",;\t'))
    for i, name in enumerate(names):
        names[i], unit = split_unit(name)
        if unit and i < columns:
            units[i] = unit
    return tuple(names), tuple(units)


def chunks(
    path: Path, head: bytes, layout: Layout, columns: dict[int, str], *, rows: int = CHUNK_ROWS
) -> Iterator[pd.DataFrame]:
    """Chunks of the wanted columns, named by their index, numbers as float64 and words as categories.

    `columns` maps a column index to "number" or "word". A last line that was cut off is left out, and the
    chunk then carries `attrs["cut"] = True`. Raises InputError with the line for anything that is no number.
    """
    import pandas as pd

    names = list(range(max(layout.columns, len(layout.header), max(columns) + 1)))
    dtype: dict[int, Any] = {
        i: (np.float64 if kind == "number" else "category") for i, kind in columns.items()
    }
    stream, encoding = text_stream(path, head)
    done = 0
    try:
        with stream:
            options: dict[str, Any] = {"sep": layout.delimiter or "\x01"}
            if layout.delimiter == " ":
                options = {"sep": r"\s+"}
            reader = pd.read_csv(
                stream,
                **options,
                decimal=layout.decimal,
                header=None,
                names=names,
                usecols=sorted(columns),
                index_col=False,
                skiprows=layout.skip,
                dtype=dtype,
                chunksize=rows,
                encoding=encoding,
                encoding_errors="replace",
                skipinitialspace=True,
                na_filter=True,
            )
            for chunk in reader:
                number = [i for i, kind in columns.items() if kind == "number"]
                values = chunk[number].to_numpy()
                if not np.isfinite(values).all():
                    good = np.isfinite(values).all(axis=1)
                    first = int(np.flatnonzero(~good)[0])
                    if first == len(chunk) - 1 and ends_cut(path, head):
                        chunk = chunk.iloc[:first]
                        chunk.attrs["cut"] = True
                    else:
                        column = number[int(np.flatnonzero(~np.isfinite(values[first]))[0])]
                        raise _bad_cell(path, head, layout, done + first, column)
                done += len(chunk)
                yield chunk
    except (
        ValueError,
        OverflowError,
        UnicodeError,
        IndexError,
    ) as e:  # the last from a row too short for the parser
        raise _explain(path, head, layout, columns, e) from None
    except RuntimeError as e:
        raise InputError(f"{path}: cannot be read as a table ({printable(str(e))})") from None


def printable(text: str, limit: int = 60) -> str:
    """One line of at most `limit` printable characters, for messages."""
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _lines(path: Path, head: bytes) -> Iterator[str]:
    stream, _ = text_stream(path, head)
    with stream:
        for line in stream:
            yield line if isinstance(line, str) else line.decode("utf-8", errors="replace")


def ends_cut(path: Path, head: bytes) -> bool:
    """True when the file does not end with a line end, so its last row may have been cut."""
    last = "\n"
    stream, _ = text_stream(path, head)
    with stream:
        while block := stream.read(1 << 20):
            last = block[-1:] if isinstance(block, str) else block[-1:].decode("latin-1")
    return last not in "\r\n"


def line_of_row(path: Path, head: bytes, layout: Layout, row: int) -> tuple[int, str]:
    """Line number, from 1, and text of a row of numbers, counted from 0; for messages."""
    seen = -1
    number = 0
    for number, line in enumerate(_lines(path, head), start=1):
        if number > layout.skip and line.strip():
            seen += 1
            if seen == row:
                return number, line.rstrip("\r\n")
    return number, ""


def _bad_cell(path: Path, head: bytes, layout: Layout, row: int, column: int) -> InputError:
    number, line = line_of_row(path, head, layout, row)
    cells = _cells(line, layout.delimiter)
    name = layout.header[column] if column < len(layout.header) else f"column {column + 1}"
    if column >= len(cells) or not cells[column]:
        return InputError(f"{path}, line {number}: {printable(name)} is missing; fill it or delete the line")
    over = "\u221e" in cells[column] or cells[column].lower().lstrip("+-").startswith(("inf", "over", "ovl"))
    what = (
        "the channel ran over its range; record again with a larger one" if over else "correct or delete it"
    )
    return InputError(
        f"{path}, line {number}: {printable(name)} is {printable(cells[column])!r}, not a finite number; {what}"
    )


def _explain(
    path: Path, head: bytes, layout: Layout, columns: dict[int, str], error: Exception
) -> InputError:
    """The line at fault, found by a slow second look; the parser's own message does not name it."""
    row = -1
    width = max(layout.columns, len(layout.header))
    for number, line in enumerate(_lines(path, head), start=1):
        if number <= layout.skip or not line.strip():
            continue
        row += 1
        cells = _cells(line.rstrip("\r\n"), layout.delimiter)
        if len(cells) > width + 1 or (len(cells) == width + 1 and cells[-1]):
            return InputError(
                f"{path}, line {number}: {len(cells)} columns where {width} are expected; correct the line"
            )
        for i, kind in columns.items():
            cell = cells[i] if i < len(cells) else ""
            if layout.decimal == ",":
                cell = cell.replace(",", ".")
            if kind == "number" and cell:
                try:
                    float(cell)
                except ValueError:
                    return _bad_cell(path, head, layout, row, i)
    return InputError(f"{path}: cannot be read as a table ({printable(str(error))})")
