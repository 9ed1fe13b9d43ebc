"""VCD (IEEE 1364 value change dump), as logic analysers write it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.intake import times
from misfire.intake.levels import with_edges
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray, Recording
from misfire.intake.samples import Samples, Store, as_samples, let_go, set_times
from misfire.intake.source import BoundedReader
from misfire.intake.table import printable
from misfire.intake.waveform import strictly_growing, to_recording

KIND = "VCD"
MAX_HEADER = 1 << 22
# times after which changes are put away, and changes looked at in one go
AT_ONCE, BLOCK = 1 << 15, 1 << 20
IntArray = npt.NDArray[np.int64]
_SCALE = re.compile(r"^\s*(1|10|100)\s*(s|ms|us|ns|ps|fs)\s*$")
_POWER = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}


@dataclass
class _Variable:
    name: str
    kind: str
    size: int
    now: list[tuple[int, float]] = field(default_factory=list)
    unknown: int = 0
    low: float = np.inf
    high: float = -np.inf
    distinct: set[float] = field(default_factory=set)
    _ticks: Store = field(default_factory=lambda: Store(KIND, np.int64))
    _values: Store = field(default_factory=lambda: Store(KIND, np.float64))

    def put_away(self) -> None:
        """Move the changes of now to compact stores, which lie on disk where they are many."""
        if not self.now:
            return
        values = np.array([v for _, v in self.now])
        self._ticks.append(np.array([t for t, _ in self.now], dtype=np.int64))
        self._values.append(values)
        self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))
        if len(self.distinct) <= 2:
            self.distinct |= set(np.unique(values)[:3].tolist())
        self.now = []

    @property
    def ticks(self) -> IntArray:
        """Ticks of the changes to a known state; shape (changes,)."""
        return np.asarray(self._ticks.array())

    @property
    def values(self) -> FloatArray:
        """The states changed to; shape (changes,)."""
        return np.asarray(self._values.array())


@dataclass
class _Header:
    ticks_per_s: float
    variables: dict[str, list[_Variable]]


def recognises(path: Path, head: bytes, options: ReadOptions | None = None) -> bool:
    """True when the text begins with a VCD keyword and declares variables."""
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return start[:1] == b"$" and (b"$var" in head or b"$enddefinitions" in head or b"$timescale" in head)


def read(path: Path, options: ReadOptions) -> Recording:
    """Read crank, cam and cylinder-1 variables of a VCD file. Raises InputError."""
    with BoundedReader(path) as raw:
        tokens = _tokens(raw)
        header = _header(path, tokens)
        chosen = _choose(path, header, options)
        by_id: dict[str, list[_Variable]] = {}
        for code, variables in header.variables.items():
            used = [v for v in variables if v in chosen.values()]
            if used:
                by_id[code] = used
        _changes(path, tokens, by_id)
        cut = not raw.last.isspace()
    crank = chosen["crank"]
    if not crank.ticks.size:
        raise InputError(f"{path}: no crank edge: {printable(crank.name)} never changes; check the channel")
    decisions = {
        "format": KIND,
        "columns": ", ".join(f"{n} = {printable(v.name)}" for n, v in chosen.items()),
        "clock": f"{header.ticks_per_s:.10g} Hz",
    }
    notes = ["The last line was cut off and was left out."] if cut else []
    unknown = sum(v.unknown for v in chosen.values())
    if unknown:
        notes.append(f"{unknown} changes to an unknown or undriven state (x, z) were passed over.")
    if len(crank.distinct) > 2 or crank.kind == "real":
        return _sampled(path, header, chosen, options, decisions, notes)
    rise, fall = _edges(crank, header)
    if rise.size < 2 and fall.size < 2:
        raise InputError(f"{path}: no crank edge: {printable(crank.name)} changes fewer than twice")
    extra = {n: _edges(v, header)[0] for n, v in chosen.items() if n != "crank"}
    ticks = np.array(crank.ticks[:200_000], dtype=np.float64)
    recording = Recording(
        source=str(path),
        crank_s=np.empty(0),
        cam_s=extra["cam"] if "cam" in extra and extra["cam"].size else None,
        cylinder1_s=extra["cylinder1"] if "cylinder1" in extra and extra["cylinder1"].size else None,
        clock_step_s=max(times.decimal_step(ticks), 1.0) / header.ticks_per_s,
        decisions=decisions,
        notes=tuple(notes),
    )
    return with_edges(recording, rise, fall, options)


def _tokens(raw: BoundedReader) -> Iterator[str]:
    rest = ""
    while block := raw.read(1 << 20):
        text = rest + block.decode("latin-1")
        cut = max(text.rfind("\n"), text.rfind(" "), text.rfind("\t"))
        if cut < 0:
            rest = text
            continue
        rest = text[cut:]
        yield from text[:cut].split()
    # what stands at the very end without a line end behind it may be cut
    left = rest.split()
    yield from left if rest[-1:].isspace() else left[:-1]


def _header(path: Path, tokens: Iterator[str]) -> _Header:
    scale = 0.0
    scopes: list[str] = []
    variables: dict[str, list[_Variable]] = {}
    size = 0
    for token in tokens:
        if token == "$enddefinitions":
            break
        if not token.startswith("$"):
            continue
        body: list[str] = []
        for word in tokens:
            size += len(word)
            if word == "$end" or size > MAX_HEADER:
                break
            body.append(word)
        if token == "$timescale":
            found = _SCALE.match(" ".join(body))
            if not found:
                raise InputError(f"{path}: timescale {printable(' '.join(body))!r} is none of IEEE 1364")
            scale = 10.0 ** _POWER[found[2]] / int(found[1])
        elif token == "$scope":
            scopes.append(body[-1] if body else "")
        elif token == "$upscope" and scopes:
            scopes.pop()
        elif token == "$var":
            if len(body) < 4 or not body[1].isdigit() or len(body[1]) > 6:
                raise InputError(f"{path}: variable declaration {printable(' '.join(body))!r} is incomplete")
            variables.setdefault(body[2], []).append(
                _Variable(".".join([*scopes, body[3]]), body[0].lower(), int(body[1]))
            )
    else:
        raise InputError(f"{path}: $enddefinitions is missing; the VCD file is cut off, export it again")
    if not variables:
        raise InputError(f"{path}: no variable is declared; export the VCD file again")
    if not scale:
        raise InputError(f"{path}: no $timescale; add '$timescale 1 us $end' with the logger's own unit")
    return _Header(scale, variables)


def _choose(path: Path, header: _Header, options: ReadOptions) -> dict[str, _Variable]:
    every = [v for group in header.variables.values() for v in group]
    wanted = {"crank": options.crank_column, "cam": options.cam_column, "cylinder1": options.cylinder1_column}
    chosen: dict[str, _Variable] = {}
    for name, given in wanted.items():
        names = [given] if given else [name, f"{name}_v"]
        low = [n.strip().lower() for n in names]
        match = [v for v in every if v.name.lower() in low or v.name.lower().rsplit(".", 1)[-1] in low]
        if match:
            chosen[name] = match[0]
        elif given:
            shown = printable(", ".join(v.name for v in every), 120)
            raise InputError(f"{path}: no variable {given!r}; the file has {shown}")
    if "crank" not in chosen:
        left = [v for v in every if v not in chosen.values()]
        if len(left) != 1:
            shown = printable(", ".join(v.name for v in every), 120)
            raise InputError(f"{path}: which variable is the crank? Name it with --crank-column: {shown}")
        chosen["crank"] = left[0]
    return chosen


def _changes(path: Path, tokens: Iterator[str], by_id: dict[str, list[_Variable]]) -> None:
    now = steps = 0
    used = {id(v): v for group in by_id.values() for v in group}.values()
    skipping = False
    for token in tokens:
        first = token[0]
        if first == "$":
            skipping = token == "$comment" or (skipping and token != "$end")
        elif skipping:
            continue
        elif first == "#":
            try:
                then = int(token[1:])
            except ValueError:
                raise InputError(
                    f"{path}: time {printable(token)!r} is no whole number; the file is damaged"
                ) from None
            if then < now or then > 1 << 62:
                raise InputError(f"{path}: time goes backwards at {printable(token)} (after #{now})")
            now = then
            steps += 1
            if steps % AT_ONCE == 0:
                for v in used:
                    v.put_away()
        elif first in "01":
            for v in by_id.get(token[1:], ()):
                v.now.append((now, 1.0 if first == "1" else 0.0))
        elif first in "xXzZ":
            for v in by_id.get(token[1:], ()):
                v.unknown += 1
        elif first in "bBrR":
            code = next(tokens, "")
            for v in by_id.get(code, ()):
                value = _number(token)
                if value is None:
                    v.unknown += 1
                else:
                    v.now.append((now, value))
        else:
            raise InputError(
                f"{path}: {printable(token)!r} at time #{now} is no value change; the file is damaged"
            )
    for v in used:
        v.put_away()


def _number(token: str) -> float | None:
    try:
        value = float(int(token[1:], 2)) if token[0] in "bB" else float(token[1:])
    except (ValueError, OverflowError):
        return None
    return value if abs(value) < 1e300 else None


def _edges(variable: _Variable, header: _Header) -> tuple[FloatArray, FloatArray]:
    """Rising and falling times [s] of a variable; unknown states have been passed over."""
    values, ticks = variable.values, variable.ticks
    if values.size < 2:
        return np.empty(0), np.empty(0)
    middle = 0.5 * (variable.low + variable.high)
    found: dict[bool, list[FloatArray]] = {True: [], False: []}
    last = bool(values[0] > middle)
    for at in range(0, values.size, BLOCK):
        high = values[at : at + BLOCK] > middle
        change = np.flatnonzero(high != np.concatenate(([last], high[:-1])))
        t = ticks[at : at + BLOCK][change] / header.ticks_per_s
        for up, times_s in found.items():
            times_s.append(t[high[change] == up])
        last = bool(high[-1])
        let_go(values)
        let_go(ticks)
    rise, fall = (strictly_growing(np.concatenate(found.pop(up))) for up in (True, False))
    return rise, fall


def _held(ticks: IntArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Samples that a dump leaves out because the value stayed the same, put back; at most 64 in a row."""
    keep = np.diff(ticks, append=ticks[-1:] + 1) > 0  # the last of several changes at one time
    ticks, values = ticks[keep], values[keep]
    if ticks.size < 3:
        return ticks.astype(np.float64), values
    step = np.diff(ticks)
    usual = max(float(np.median(step)), 1.0)
    more = np.rint(step / usual).astype(np.int64) - 1
    more = np.where((more > 0) & (more <= 64), more, 0)
    count = np.append(more, 0) + 1
    first = np.cumsum(count) - count
    place = np.arange(int(count.sum())) - np.repeat(first, count)
    return np.repeat(ticks, count) + place * usual, np.repeat(values, count)


def _sampled(
    path: Path,
    header: _Header,
    chosen: dict[str, _Variable],
    options: ReadOptions,
    decisions: dict[str, str],
    notes: list[str],
) -> Recording:
    """A real or many-valued variable: a waveform whose samples are its changes."""
    ticks, values = _held(chosen["crank"].ticks, chosen["crank"].values)
    time_s = ticks / header.ticks_per_s
    samples = Samples(
        source=str(path),
        start_s=0.0,
        step_s=0.0,
        crank=as_samples(values, str(path)),
        unit="",
        decisions=decisions,
        notes=notes,
    )
    set_times(samples, time_s)
    recording = to_recording(samples, options)
    extra = {n: _edges(v, header)[0] for n, v in chosen.items() if n != "crank"}
    return replace(recording, cam_s=extra.get("cam"), cylinder1_s=extra.get("cylinder1"))
