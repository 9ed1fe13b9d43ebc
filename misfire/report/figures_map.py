"""Figure of lost work over speed and load: one panel a cylinder, one box a cell of the result's `lost_work_map`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from misfire.report.figure import Figure, axis, f32, frame, label, say_empty
from misfire.report.markup import Table
from misfire.report.style import HOT, SHADES
from misfire.report.words import clean, count, finite, items, number, row_name, table, titled
from misfire.report.words import work as lost

KEY, QUESTION = "map", "At which speed and load does each cylinder lose work?"
LEAST = 12  # decided firings from which on a cell is drawn
# mean lost work from which on a box takes the next shade; 0.15 is a weak cylinder, 0.3 a partial burn
FROM = (0.05, 0.15, 0.3, 0.5)
_SPREAD = 4  # speed classes that two panels abreast can hold with their numbers on a phone
_CROSS = "\u2715"
_SMALL_ROW, _BETWEEN = 17, 44  # px: a row of the small drawing, and what parts two panels
_ROOM = 0.94  # share of a cell that its box fills
FRAMED_PCT = 1.0  # share of misfires from which on a box is framed: the lower legal floor


@dataclass(frozen=True)
class _Cell:
    """One cell as the result lists it; `mean` and `error` are None where no firing gives them."""

    row: int
    speed: tuple[float, float]
    load: tuple[float, float]
    firings: int
    misfires: int
    mean: float | None
    error: float | None

    @property
    def told(self) -> bool:
        """True when enough firings are no misfire to speak of their mean."""
        fired = self.firings - self.misfires
        return self.mean is not None and (fired >= LEAST or 2 * fired >= self.firings)

    @property
    def shade(self) -> int:
        """Index into SHADES; the darkest where most firings are misfires, whatever the rest do."""
        if self.mean is None or 2 * self.misfires > self.firings:
            return len(FROM)
        return int(np.searchsorted(FROM, self.mean, side="right"))

    @property
    def missed_pct(self) -> float:
        """Share of misfires [%]."""
        return 100.0 * self.misfires / self.firings

    @property
    def share(self) -> str:
        """Share of misfires as a box shows it, empty without any."""
        return "" if not self.misfires else "<1%" if self.missed_pct < 1 else f"{self.missed_pct:.0f}%"

    def at(self, unit: str) -> str:
        """Where the cell lies, in words."""
        return f"{_range(self.speed)} rpm, load {_range(self.load)} {unit}"


def _range(pair: tuple[float, float]) -> str:
    return f"{pair[0]:.0f} to {pair[1]:.0f}"


def _pair(value: Any) -> tuple[float, float] | None:
    ends = [finite(x) for x in items(value)]
    if len(ends) != 2 or ends[0] is None or ends[1] is None or not ends[0] < ends[1]:
        return None
    return ends[0], ends[1]


def _cells(found: Mapping[str, Any], names: Sequence[str]) -> list[_Cell]:
    """Cells of listed cylinders; those that are not whole are passed over."""
    out = []
    for c in (table(x) for x in items(found.get("cells"))):
        name, speed, load = clean(c.get("cylinder"), 20), _pair(c.get("speed_rpm")), _pair(c.get("load"))
        firings, misfires = finite(c.get("firings")), finite(c.get("misfires"))
        if name not in names or speed is None or load is None or not firings or misfires is None:
            continue
        mean, error = finite(c.get("fired_lost_work")), finite(c.get("fired_lost_work_se"))
        out.append(_Cell(names.index(name), speed, load, int(firings), int(misfires), mean, error))
    return out


def _edges(pairs: Sequence[tuple[float, float]]) -> list[float]:
    """Edges of the classes from the lowest used one to the highest."""
    return sorted({x for pair in pairs for x in pair})


def _naught(text: str) -> str:
    """A number for a narrow box, without the naught before its point."""
    return text.replace("0.", ".", 1)


def _long(mean: float) -> str:
    return "" if np.isnan(mean) else f"{mean + 0.0:.2f}".replace("-0.00", "0.00").replace("-", "\u2212")


def lost_work_map(result: Mapping[str, Any]) -> Figure:
    """Mean lost work of the firings and share of misfires by speed and load."""
    found = table(result.get("lost_work_map"))
    given = [table(c).get("cylinder") for c in items(result.get("cylinders"))]
    cells = _cells(found, [clean(c, 20) for c in given])
    if not cells:
        return Figure(KEY, QUESTION, why="The result holds no decided firing with a speed and a load.")
    drawn = [c for c in cells if c.firings >= LEAST]
    if not drawn:
        return Figure(
            KEY,
            QUESTION,
            why=f"No cylinder has {LEAST} decided firings at like speed and load.",
        )
    shown = [row_name(result, c) for c in given]
    unit = clean(found.get("load_unit"), 8)
    fewer = len(cells) - len(drawn)
    left = (
        f" {count(fewer)} cells with fewer than {LEAST} decided firings: in the table only." if fewer else ""
    )
    says = clean(found.get("load_says"), 300)
    return Figure(
        KEY,
        QUESTION,
        "The stronger the colour of a box, the more work the firings there lack on average, misfires not among them: "
        "the number, 0 normal, 1 none. \u2715 and the per cent: share of misfires; where room is short, it stands alone. "
        f"The load is {says or 'not named'}.{left}",
        _alt(drawn, shown, unit),
        _draw(drawn, shown, unit),
        _draw(drawn, shown, unit, small=True),
        legend=[("\u25a0", colour, text) for colour, text in zip(SHADES, _meanings(), strict=True)]
        + [("\u2715", HOT, f"share of misfires, framed from {FRAMED_PCT:g} % on")],
        tables=[_numbers(cells, shown, unit)],
    )


def _meanings() -> list[str]:
    out = [f"lost work below {FROM[0]:g}"]
    out += [f"{a:g} to {b:g}" for a, b in pairwise(FROM)]
    return [*out, f"{FROM[-1]:g} or more, or mostly misfires"]


@dataclass(frozen=True)
class _Across:
    """What one direction of the panels stands for: title, edges of the used classes, and their labels."""

    title: str
    edges: Sequence[float]
    labels: Sequence[str]

    @property
    def classes(self) -> int:
        """How many classes stand in a row."""
        return len(self.edges) - 1


def _draw(cells: Sequence[_Cell], shown: Sequence[str], unit: str, small: bool = False) -> go.Figure:
    """Boxes on axes that count classes, because classes are not of one width.

    The small drawing, for phone and paper, has the speeds upright and one number a box: so the numbers have room.
    """
    speed, load = _edges([c.speed for c in cells]), _edges([c.load for c in cells])
    speeds = _Across("speed (rpm)", speed, [f"{e:.0f}" for e in speed])
    loads = _Across(f"load ({unit})" if unit else "load", load, [f"{e:.0f}" for e in load])
    if not small:
        loads = _Across("", load, [f"{e:.0f} {unit}" for e in load])
    wide, high = (loads, speeds) if small else (speeds, loads)
    n = len(shown)
    columns = 1 if n == 1 or (not small and speeds.classes > _SPREAD and n <= 4) else 2
    rows = -(-n // columns)
    row_px = _SMALL_ROW if small else 38 if any(c.misfires for c in cells) else 26
    height = rows * high.classes * row_px + (rows - 1) * _BETWEEN + 90
    plot = make_subplots(
        rows,
        columns,
        x_title=f"across: {wide.title}, upright: {high.title}" if small else wide.title,
        subplot_titles=[titled(label(c, 12)) for c in shown],
        vertical_spacing=_BETWEEN / (height - 90) if rows > 1 else 0,
        horizontal_spacing=0.04 if small else 0.06,
    )
    plot.update_layout(template=None, **frame(height))
    if small:
        plot.update_layout(margin_r=10)
    widest = max((e.share for e in cells), key=len)
    for k in range(n):
        r, c = k // columns + 1, k % columns + 1
        own = [x for x in cells if x.row == k]
        i = np.array([speed.index(e.speed[0]) for e in own]) + 0.5
        j = np.array([load.index(e.load[0]) for e in own]) + 0.5
        x, y = (j, i) if small else (i, j)
        for a, b, cell in zip(x, y, own, strict=True):
            _box(plot, a, b, cell, r, c)
        _write(plot, own, x, y, unit, "" if small else widest, r, c)
        if not own:
            say_empty(plot, r, c)
        # the label of the last edge would run into the first one of the next panel
        last = wide.classes + 1 if columns == 1 or c == columns else wide.classes
        plot.update_xaxes(
            **axis(
                range=[0, wide.classes],
                tickvals=list(range(last)),
                ticktext=wide.labels[:last],
                showgrid=False,
                showticklabels=k >= n - columns,
            ),
            row=r,
            col=c,
        )
        plot.update_yaxes(
            **axis(
                range=[0, high.classes],
                tickvals=list(range(high.classes + 1)),
                ticktext=high.labels,
                showgrid=False,
                showticklabels=c == 1,
            ),
            row=r,
            col=c,
        )
    plot.update_annotations(font_size=12)
    return plot


def _box(plot: go.Figure, x: float, y: float, cell: _Cell, r: int, c: int) -> None:
    plot.add_shape(
        type="rect",
        name="cell",
        x0=x - _ROOM / 2,
        x1=x + _ROOM / 2,
        y0=y - _ROOM / 2,
        y1=y + _ROOM / 2,
        layer="below",
        line={"width": 2 if cell.missed_pct >= FRAMED_PCT else 0, "color": HOT},
        fillcolor=SHADES[cell.shade],
        row=r,
        col=c,
    )


def _write(
    plot: go.Figure, own: Sequence[_Cell], x: Any, y: Any, unit: str, widest: str, r: int, c: int
) -> None:
    """Numbers in the boxes of one panel.

    The mean, and where there are misfires their share under it, of which `widest` is one; without a `widest` one
    number a box: the share of misfires where there are some, else the mean.
    """
    hit = np.array([e.misfires > 0 for e in own], dtype=bool)
    small = not widest
    parts = [
        (~hit, "middle center", "lost work"),
        (hit, "top center", "lost work"),
        (hit, "bottom center", "misfires"),
    ]
    if small:
        parts = [parts[0], (hit, "middle center", "misfires")]
        widest = max((e.share for e in own), key=len, default="")
    for part, where, what in parts:
        mine = [e for e, h in zip(own, part, strict=True) if h]
        if not mine:
            continue
        if what == "misfires":
            forms = [
                (_CROSS + widest, [_CROSS + e.share for e in mine]),
                (_CROSS + widest[:-1], [_CROSS + e.share[:-1] for e in mine]),
                (_CROSS, [_CROSS] * len(mine)),
            ]
        else:
            means = [e.mean if e.told and e.mean is not None else np.nan for e in mine]
            forms = [
                (_long(-0.01), [_long(m) for m in means]),
                (_naught(_long(-0.01)), [_naught(_long(m)) for m in means]),
                (_naught(_long(0.99)), [_naught(_long(m)) if m >= FROM[0] else "" for m in means]),
            ]
        plot.add_trace(
            go.Scatter(
                x=f32(x[part]),
                y=f32(y[part]),
                mode="text",
                text=forms[0][1],
                textposition=where,
                textfont={"size": 10 if small else 11},
                marker={"size": 0},
                hoverinfo="text",
                hovertext=[
                    f"{e.at(unit)}: {lost(e.mean)} ± {lost(e.error)}, {e.misfires} misfires in {e.firings} firings"
                    for e in mine
                ],
                meta={"room": _ROOM, "forms": forms},
                name=what,
            ),
            r,
            c,
        )


def _alt(cells: Sequence[_Cell], shown: Sequence[str], unit: str) -> str:
    """The picture in words: of each cylinder the worst cell and where it misfires."""
    said = []
    for k, name in enumerate(shown):
        own = [c for c in cells if c.row == k]
        told = [c for c in own if c.told and c.mean is not None]
        text = ""
        if told:
            worst = max(told, key=lambda c: c.mean or 0.0)
            text = f"most {_long(worst.mean or 0.0)} at {worst.at(unit)}"
        hit = sum(c.misfires for c in own)
        if hit:
            most = max(own, key=lambda c: c.missed_pct)
            text += f"{'; ' if text else ''}{count(hit)} misfires, most {most.share} at {most.at(unit)}"
        said.append(f"{titled(name)} {text or 'too few firings'}")
    return "Mean lost work by speed and load, one panel a cylinder. " + ". ".join(said) + "."


def _numbers(cells: Sequence[_Cell], shown: Sequence[str], unit: str) -> Table:
    rows = [
        [
            shown[c.row],
            _range(c.speed),
            _range(c.load),
            count(c.firings),
            count(c.misfires),
            number(c.missed_pct, 2),
            lost(c.mean),
            lost(c.error),
        ]
        for c in cells
    ]
    marked = {
        k
        for k, c in enumerate(cells)
        if c.firings >= LEAST and (c.misfires or (c.told and (c.mean or 0.0) >= FROM[1]))
    }
    head = ["Cylinder", "Speed (rpm)", f"Load ({unit})", "Firings", "Misfires", "Misfires (%)"]
    head += ["Mean lost work without misfires", "Standard error"]
    return Table("Lost work by speed and load", head, rows, frozenset(marked))
