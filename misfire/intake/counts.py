"""What the controller counted: a table, running totals, or SAE J1979 service $06 responses; and its codes."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from misfire.errors import InputError
from misfire.intake.source import decode_head, read_head, text_stream
from misfire.intake.table import meta_pair, printable

MAX_BYTES = 64 << 20
SATURATED = (255, 65535)
MAX_CYLINDER = 16


@dataclass(frozen=True)
class Counts:
    """The controller's own misfire counts.

    Attributes
    ----------
    misfires : dict of cylinder -> count, or None
        Counted during the log; None when the file cannot say (one driving-cycle total alone).
    totals : dict of cylinder -> count
        The last totals as read: the same as `misfires` for a plain table.
    kind : str
        "during_log" (a table, or two reads), "running_totals" or "driving_cycle" (one read).
    monitor_ran : bool or None
        Whether the controller's misfire monitor was active; None when unknown.
    at_least : tuple of int
        Cylinders whose count is a lower bound: a counter was reset or stood at its limit.
    """

    misfires: dict[int, int] | None
    totals: dict[int, int]
    kind: str
    monitor_ran: bool | None = None
    at_least: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    source: str = ""


@dataclass
class _Text:
    path: Path
    lines: list[tuple[int, str]] = field(default_factory=list)
    meta: dict[str, str] = field(default_factory=dict)


def count_files(paths: str) -> list[str]:
    """The files that `paths` names; a file whose own name holds a comma is one."""
    return [paths] if Path(paths).is_file() else [p.strip() for p in str(paths).split(",") if p.strip()]


def read_counts(paths: str) -> Counts:
    """Read controller counts.

    Parameters
    ----------
    paths : str
        One file, or two service $06 text files separated by a comma: read before and after the log.

    Raises
    ------
    InputError
        With the line: unknown form, cylinder or count out of range, lines that are no response.
    """
    names = count_files(paths)
    if not 1 <= len(names) <= 2:
        raise InputError(f"counts: {len(names)} files named; give one, or two with a comma between them")
    texts = [_load(Path(n)) for n in names]
    if len(texts) == 2:
        return _two_reads(*texts)
    text = texts[0]
    cells = _split(text.lines[0][1]) if text.lines else []
    header = [c.lower() for c in cells]
    if any(_like(h, ["misfires", "cylinder"]) for h in header):
        return _table(text, header)
    return _one_read(text)


def parse_codes(text: str) -> tuple[str, ...]:
    """Trouble codes of SAE J2012 form, in capitals, each once: "P0300, p0302" -> ("P0300", "P0302").

    Raises InputError for anything else.

    >>> parse_codes("P0300, p0302 P0305")
    ('P0300', 'P0302', 'P0305')
    """
    codes: list[str] = []
    for part in re.split(r"[,;\s]+", text.strip()):
        code = part.upper()
        if not part:
            continue
        if not re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", code):
            raise InputError(f"code {printable(part)!r} is no trouble code; write them like P0300,P0302")
        if code not in codes:
            codes.append(code)
    if not codes:
        raise InputError("no trouble code given; write them like P0300,P0302")
    return tuple(codes)


def _load(path: Path) -> _Text:
    head = read_head(path)
    if b"\0" in head[:4096] and head[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError(f"{path}: no text; save the counts as text or CSV")
    out = _Text(path)
    for number, line in _raw_lines(path, head):
        line = line.strip().lstrip("\ufeff")
        pair = meta_pair(line)
        if pair:
            out.meta[pair[0]] = pair[1]
        elif line and not line.startswith("#"):
            out.lines.append((number, line))
    if not out.lines:
        raise InputError(f"{path}: no counts in it; write cylinder,misfires and one line per cylinder")
    for key in out.meta:
        if key != "monitor_ran" and _like(key, ["monitor_ran"]):
            raise InputError(f"{path}: '# {printable(key)}' is unknown; did you mean monitor_ran?")
    return out


def _like(word: str, known: list[str]) -> str:
    """The known name that a misspelt one is most like, or nothing."""
    near = difflib.get_close_matches(word.lower().replace("-", "_").replace(" ", "_"), known, 1, 0.6)
    return near[0] if near else ""


def _raw_lines(path: Path, head: bytes) -> Iterator[tuple[int, str]]:
    decode_head(head)
    stream, _ = text_stream(path, head)
    size = 0
    with stream:
        for number, line in enumerate(stream, start=1):
            size += len(line)
            if size > MAX_BYTES:
                raise InputError(f"{path}: more than {MAX_BYTES >> 20} MB; this is no list of counts")
            yield number, line.decode("utf-8", errors="replace") if isinstance(line, bytes) else str(line)


def _monitor(*texts: _Text) -> bool | None:
    said: set[bool] = set()
    for text in texts:
        word = text.meta.get("monitor_ran")
        if word is None:
            continue
        if word.lower() not in ("yes", "no", "true", "false", "1", "0", "unknown"):
            raise InputError(f"{text.path}: '# monitor_ran = {printable(word)}' is neither yes nor no")
        if word.lower() != "unknown":
            said.add(word.lower() in ("yes", "true", "1"))
    return None if not said else all(said)


def _split(line: str) -> list[str]:
    mark = ";" if ";" in line else "\t" if "\t" in line else ","
    return [c.strip().strip('"').strip() for c in line.split(mark)]


def _whole(text: _Text, number: int, name: str, cell: str, low: int, high: int) -> int:
    try:
        value = float(cell.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not low <= value <= high or value != int(value):
        raise InputError(
            f"{text.path}, line {number}: {name} is {printable(cell)!r}; write a whole number from {low} to {high}"
        )
    return int(value)


def _table(text: _Text, header: list[str]) -> Counts:
    timed = "time_s" in header
    wanted = (["time_s"] if timed else []) + ["cylinder", "misfires"]
    for name in header:
        near = "" if name in wanted else _like(name, ["time_s", "cylinder", "misfires"])
        if near and near not in header:
            raise InputError(f"{text.path}: column {printable(name)!r} is unknown; did you mean {near}?")
    for name in wanted:
        if name not in header:
            raise InputError(f"{text.path}: no column {name}; the header is: {printable(', '.join(header))}")
    for name in header:
        if name and name not in wanted:
            raise InputError(
                f"{text.path}: column {printable(name)!r} is unknown; the columns are time_s, cylinder, misfires"
            )
    rows: list[tuple[float, int, int, int]] = []
    for number, line in text.lines[1:]:
        cells = _split(line)
        if len(cells) != len(header):
            raise InputError(
                f"{text.path}, line {number}: {len(cells)} columns where {len(header)} are expected"
            )
        row = dict(zip(header, cells, strict=True))
        cylinder = _whole(text, number, "cylinder", row["cylinder"], 1, MAX_CYLINDER)
        count = _whole(text, number, "misfires", row["misfires"], 0, 2**32 - 1)
        time_s = 0.0
        if timed:
            try:
                time_s = float(row["time_s"].replace(",", "."))
            except ValueError:
                time_s = float("nan")
            if not abs(time_s) < 1e12:
                raise InputError(
                    f"{text.path}, line {number}: time_s is {printable(row['time_s'])!r}, no number"
                )
        rows.append((time_s, cylinder, count, number))
    if not rows:
        raise InputError(f"{text.path}: a header, but no count; write one line per cylinder")
    if timed:
        return _running(text, rows)
    misfires: dict[int, int] = {}
    for _, cylinder, count, number in rows:
        if cylinder in misfires:
            raise InputError(
                f"{text.path}, line {number}: cylinder {cylinder} stands twice; for running totals add a time_s column"
            )
        misfires[cylinder] = count
    misfires = dict(sorted(misfires.items()))
    return Counts(misfires, misfires, "during_log", _monitor(text), (), (), str(text.path))


def _running(text: _Text, rows: list[tuple[float, int, int, int]]) -> Counts:
    """Running totals: steps upwards are counted, a step down is a reset after which counting goes on."""
    last: dict[int, tuple[float, int]] = {}
    sums: dict[int, int] = {}
    resets: dict[int, int] = {}
    for time_s, cylinder, count, number in rows:
        if cylinder in last:
            before, total = last[cylinder]
            if time_s < before:
                raise InputError(f"{text.path}, line {number}: time_s goes backwards; sort the rows")
            if count < total:
                resets[cylinder] = resets.get(cylinder, 0) + 1
            sums[cylinder] += count - total if count >= total else count
        else:
            sums[cylinder] = 0
        last[cylinder] = (time_s, count)
    notes: list[str] = []
    full = sorted(c for c, (_, total) in last.items() if total in SATURATED and sums[c] > 0)
    if resets:
        which = ", ".join(str(c) for c in sorted(resets))
        notes.append(
            f"The controller's totals went back to a lower value (cylinder {which}): a reset; the count is at least that."
        )
    if full:
        which = ", ".join(str(c) for c in full)
        notes.append(
            f"The controller's total stands at its limit (cylinder {which}): it may have stopped counting; at least that."
        )
    if all(sum(1 for r in rows if r[1] == c) == 1 for c in last):
        raise InputError(f"{text.path}: running totals need at least two readings of a cylinder")
    totals = {c: last[c][1] for c in sorted(last)}
    bounds = tuple(sorted(set(resets) | set(full)))
    return Counts(
        dict(sorted(sums.items())),
        totals,
        "running_totals",
        _monitor(text),
        bounds,
        tuple(notes),
        str(text.path),
    )


def _one_read(text: _Text) -> Counts:
    totals, notes = _service06(text)
    notes.append(
        "One reading alone is the total of a driving cycle, not of this log: it is shown, not compared."
    )
    return Counts(None, totals, "driving_cycle", _monitor(text), (), tuple(notes), str(text.path))


def _two_reads(first: _Text, second: _Text) -> Counts:
    before, notes = _service06(first)
    after, more = _service06(second)
    notes += [n for n in more if n not in notes]
    misfires: dict[int, int] = {}
    bounds: list[int] = []
    for cylinder, count in after.items():
        if cylinder not in before:
            notes.append(f"Cylinder {cylinder} stands only in the second reading; it is left out.")
            continue
        if count < before[cylinder]:
            misfires[cylinder] = count
            bounds.append(cylinder)
            notes.append(
                f"Cylinder {cylinder} counts less in the second reading: a new driving cycle or a reset; at least {count}."
            )
        else:
            misfires[cylinder] = count - before[cylinder]
            if count == 65535:
                bounds.append(cylinder)
                notes.append(
                    f"Cylinder {cylinder} stands at the counter's limit of 65535; at least {misfires[cylinder]}."
                )
    if not misfires:
        raise InputError(f"{first.path} and {second.path}: no cylinder stands in both readings")
    source = f"{first.path}, {second.path}"
    return Counts(misfires, after, "during_log", _monitor(first, second), tuple(bounds), tuple(notes), source)


def _messages(text: _Text) -> Iterator[tuple[int, bytes]]:
    """Response payloads that start with 46, whole lines or put together from numbered or ISO 15765-2 frames."""
    held = bytearray()
    start = 0
    for number, line in text.lines:
        body = re.sub(r"^>?\s*", "", line)
        frame = re.match(r"^([0-9A-Fa-f]):\s*(.*)$", body)
        if frame:
            body = frame[2]
        tokens = body.split()
        if tokens and re.fullmatch(r"[0-9A-Fa-f]{3}", tokens[0]):
            tokens = tokens[1:]
            if not tokens:
                continue
            carried = True
        else:
            carried = False
        joined = "".join(tokens)
        if not re.fullmatch(r"[0-9A-Fa-f]+", joined):
            continue
        if len(joined) % 2:
            raise InputError(
                f"{text.path}, line {number}: {printable(line)!r} has half a byte; copy the line whole"
            )
        data = bytes.fromhex(joined)
        if carried and data:
            kind = data[0] >> 4
            data = data[1:] if kind in (0, 2) else data[2:]
            if kind == 2:
                held += data
                continue
        elif frame and frame[1] != "0":
            held += data
            continue
        if held:
            yield start, bytes(held)
        held, start = bytearray(data), number
    if held:
        yield start, bytes(held)


def _service06(text: _Text) -> tuple[dict[int, int], list[str]]:
    """Counts by cylinder from TID $0C of MID $A2 to $AD (layout as in SAE J1979, restated)."""
    totals: dict[int, int] = {}
    notes: list[str] = []
    seen = 0
    for number, data in _messages(text):
        if data[:1] != b"\x46":
            continue
        body = data[1:]
        for at in range(0, len(body) - len(body) % 9, 9):
            mid, tid, unit = body[at : at + 3]
            value = int.from_bytes(body[at + 3 : at + 5], "big")
            seen += 1
            if not 0xA2 <= mid <= 0xAD or tid != 0x0C:
                continue
            if unit != 0x24:
                raise InputError(
                    f"{text.path}, line {number}: unit ${unit:02X} where counts have $24; copy the response again"
                )
            totals[mid - 0xA1] = value
        if len(body) < 9:
            raise InputError(
                f"{text.path}, line {number}: the response holds {len(body)} bytes after 46, fewer than 9; copy it whole"
            )
    if not totals:
        raise InputError(
            f"{text.path}: no misfire count in it ({seen} other results); write cylinder,misfires rows or "
            "service $06 lines such as 46 A2 0C 24 00 05 00 00 FF FF"
        )
    return dict(sorted(totals.items())), notes
