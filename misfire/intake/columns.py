"""Which columns of a foreign table hold the time and the crank, told by their words and their numbers.

Bench scopes, loggers and analysers name their columns as they like and in any language. A time grows from row to row;
in equal steps it is a sample's, else a change's or an edge's. The crank is the column that is called so, the only one
there is, or the one that crosses its middle far more often than every other: it has dozens of teeth a turn, where a cam,
an injector or a coil has one pulse or two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from misfire.intake.edges import LONGEST_S, UNITS, is_period, unit_at_end
from misfire.intake.options import ReadOptions
from misfire.intake.recording import FloatArray
from misfire.intake.table import Layout, chunks, numeric_columns, printable
from misfire.intake.times import evenly_spaced

ROWS = 200_000  # looked at
LEAST_ROWS = 120
# Languages of the trade: English, German, French, Spanish, Italian, Portuguese, Dutch, Swedish; ours, no source.
TIME_WORDS = frozenset(("time", "timestamp", "t", "x", "zeit", "temps", "tiempo", "tempo", "tijd", "tid"))
CRANK_WORDS = (
    "crank",
    "ckp",
    "kurbel",
    "vilebrequin",
    "ciguenal",
    "cigüeñal",
    "albero motore",
    "krukas",
    "vev",
)
CAM_WORDS = (
    "cam",
    "cmp",
    "nocken",
    "arbre à cames",
    "arbol de levas",
    "árbol de levas",
    "albero a camme",
    "nokkenas",
)
MOST_OFTEN = 8.0  # times as many crossings as any other column: ours
SHORTEST_STEP_S, LONGEST_STEP_S = 2e-8, 1e-3  # of samples from which teeth can be told
SHORTEST_TOOTH_S = 4e-5  # 60 teeth at 25 000 rpm


@dataclass(frozen=True)
class Taken:
    """Options that name the columns, and in words what was taken for what."""

    options: ReadOptions
    said: str


def foreign_columns(path: Path, head: bytes, layout: Layout, options: ReadOptions) -> Taken | None:
    """What a table's columns hold where no name of the contract tells; None where that stays open.

    Raises InputError for a row that cannot be read.
    """
    numbers = numeric_columns(head, layout)
    if not numbers:
        return None
    first = next(chunks(path, head, layout, dict.fromkeys(numbers, "number"), rows=ROWS), None)
    if first is None or len(first) < LEAST_ROWS:
        return None
    values = {i: first[i].to_numpy(dtype=np.float64) for i in numbers}
    time = _time(layout, values, options)
    if time is None and not options.time_column and (periods := _periods(layout, values)) is not None:
        return replace(periods, options=replace(options, time_column=periods.options.time_column))
    others = [i for i in numbers if i != time and float(np.ptp(values[i])) > 0]
    if time is None:
        from misfire.intake.waveform_csv import rate_known

        if not rate_known(layout, options) or not (options.crank_column or others):
            return None
        return _waveform(layout, values, others, options, None)
    if UNITS.get(unit_at_end(_word(layout, time)) or _word(layout, time)) == 0.0:
        return None  # a counter: its clock has to be given, and so has its name
    t = values[time]
    if layout.find([options.signal_column or "signal"]) is not None and not options.crank_column:
        unit, _ = _unit_of(layout, time, t, False)
        named = options.time_column or f"{layout.header[time]} [{unit}]"
        return Taken(
            replace(options, time_column=named), f"taken: {_shown(layout, time)} for the time in {unit}"
        )
    even = evenly_spaced(t)
    unit, written = _unit_of(layout, time, t, even)
    options = replace(options, time_column=options.time_column or f"{layout.header[time]} [{unit}]")
    if layout.find([str(options.time_column)]) != time:
        return None  # two columns of one name
    step_s = float(np.median(np.diff(t))) * UNITS[unit]
    clock = f"{_shown(layout, time)} for the time in {unit}{'' if written else ' (unit assumed)'}"
    levels = [i for i in others if np.unique(values[i][:5000]).size == 2]
    if even and step_s > LONGEST_STEP_S:
        return None  # a slow log: no tooth can be told from it
    if even or levels or options.crank_column:
        return _waveform(layout, values, others if even else levels or others, options, clock)
    if len(others) > 1 or not SHORTEST_TOOTH_S <= step_s <= LONGEST_S:
        return None
    return Taken(options, f"taken: {clock}, every row an edge of the crank")


def _waveform(
    layout: Layout,
    values: dict[int, FloatArray],
    others: Sequence[int],
    options: ReadOptions,
    clock: str | None,
) -> Taken | None:
    """A table of levels: which of its other columns is the crank."""
    named = options.crank_column
    cam = None if options.cam_column else _called(layout, others, CAM_WORDS)
    said = []
    if not named:
        rest = [i for i in others if i != cam]
        crank = _called(layout, rest, CRANK_WORDS)
        why = ""
        if crank is None and len(rest) == 1:
            crank = rest[0]
        elif crank is None and rest:
            busiest = busiest_signal([values[i] for i in rest])
            if busiest is not None:
                crank = rest[busiest[0]]
                why = f", which has {busiest[1]:.0f} times as many edges as any other"
        if crank is None or layout.find([layout.header[crank]]) != crank:
            return None
        options = replace(options, crank_column=layout.header[crank])
        said.append(f"{_shown(layout, crank)} for the crank{why}")
    if cam is not None and layout.find([layout.header[cam]]) == cam:
        options = replace(options, cam_column=layout.header[cam])
        said.append(f"{_shown(layout, cam)} for the cam")
    return Taken(options, "taken: " + "; ".join([*([clock] if clock else []), *said]))


def _time(layout: Layout, values: dict[int, FloatArray], options: ReadOptions) -> int | None:
    """The time's column: the one named, called so, or else the first that grows from row to row."""
    if options.time_column:
        named = layout.find([options.time_column])
        return named if named in values else None
    grows = [i for i, v in values.items() if bool(np.all(np.diff(v) > 0))]
    words = TIME_WORDS | UNITS.keys()
    called = [i for i in grows if _word(layout, i) in words or unit_at_end(_word(layout, i))]
    # a number of the row grows as well, in steps of one
    other = [i for i in grows if not bool(np.all(np.diff(values[i]) == 1))]
    return next(iter([*called, *other]), None)


def _periods(layout: Layout, values: dict[int, FloatArray]) -> Taken | None:
    """The one column that is called a time between edges, where no other holds a signal; a row's number may stand beside it."""
    called = [i for i, v in values.items() if is_period(_word(layout, i)) and bool(np.all(v > 0))]
    rest = [i for i, v in values.items() if i not in called and not bool(np.all(np.diff(v) == 1))]
    if len(called) != 1 or any(float(np.ptp(values[i])) > 0 for i in rest):
        return None
    (i,) = called
    word = _word(layout, i)
    units = (layout.units[i] if i < len(layout.units) else "", unit_at_end(word))
    middle = float(np.median(values[i]))
    plausible = (u for u in ("s", "ms", "us", "ns") if SHORTEST_TOOTH_S <= middle * UNITS[u] <= LONGEST_S)
    unit = next((u for u in units if UNITS.get(u)), next(plausible, ""))
    if not unit:
        return None
    return Taken(
        ReadOptions(time_column=f"{layout.header[i]} [{unit}]"),
        f"taken: {_shown(layout, i)} for the time since the edge before in {unit}, every row an edge of the crank",
    )


def _unit_of(layout: Layout, time: int, t: FloatArray, even: bool) -> tuple[str, bool]:
    """Unit of the time's column, and whether it is written there; else the first that is plausible."""
    word = _word(layout, time)
    for unit in (layout.units[time] if time < len(layout.units) else "", word, unit_at_end(word)):
        if UNITS.get(unit):
            return unit, True
    step = float(np.median(np.diff(t)))
    low, high = (SHORTEST_STEP_S, LONGEST_STEP_S) if even else (SHORTEST_TOOTH_S, LONGEST_S)
    return next((u for u in ("s", "ms", "us", "ns") if low <= step * UNITS[u] <= high), "s"), False


def _word(layout: Layout, i: int) -> str:
    return layout.header[i].strip().lower() if i < len(layout.header) else ""


def _shown(layout: Layout, i: int) -> str:
    return f"'{printable(layout.header[i], 40)}'"


def _called(layout: Layout, columns: Sequence[int], words: Sequence[str]) -> int | None:
    """The one column whose name holds one of the words; None for none or several."""
    found = [i for i in columns if any(w in _word(layout, i) for w in words)]
    return found[0] if len(found) == 1 else None


def busiest_signal(signals: Sequence[FloatArray]) -> tuple[int, float] | None:
    """Number of the signal, shape (samples,) each, with by far the most edges and how many times the next one's; None without one."""
    often = sorted(((_crossings(v), -i) for i, v in enumerate(signals)), reverse=True)
    if len(often) < 2 or often[0][0] <= MOST_OFTEN * max(often[1][0], 1):
        return None
    return -often[0][1], often[0][0] / max(often[1][0], 1)


def _crossings(v: FloatArray) -> int:
    """How often a signal rises through its middle, by a third of its swing at least."""
    if v.size == 0:
        return 0
    low, high = (float(x) for x in np.percentile(v, (1, 99)))
    if high <= low:
        low, high = float(v.min()), float(v.max())
    side = np.where(v > low + 0.65 * (high - low), 1, np.where(v < low + 0.35 * (high - low), -1, 0))
    side = side[side != 0]
    return int(np.count_nonzero((side[1:] > 0) & (side[:-1] < 0)))
