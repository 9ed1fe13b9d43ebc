"""Figure of lost work over speed and load: one panel a cylinder, one box a cell of the result's `lost_work_map`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from misfire.report.figure import Figure, axis, f32, frame, label
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


def _short(mean: float) -> str:
    """Lost work for a narrow box: none below the first shade, no naught before the point."""
    return f"{mean:.2f}".removeprefix("0") if mean >= FROM[0] else ""


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
        "the number, 0 normal, 1 none. \u2715 and the per cent: share of misfires. "
        f"Where room is short, it stands from {FROM[0]:g} on. Upright: {says or 'load'}.{left}",
        _alt(drawn, shown, unit),
        _draw(drawn, shown, unit),
        legend=[("\u25a0", colour, text) for colour, text in zip(SHADES, _meanings(), strict=True)]
        + [("\u2715", HOT, f"share of misfires, framed from {FRAMED_PCT:g} % on")],
        tables=[_numbers(cells, shown, unit)],
    )


def _meanings() -> list[str]:
    out = [f"lost work below {FROM[0]:g}"]
    out += [f"{a:g} to {b:g}" for a, b in pairwise(FROM)]
    return [*out, f"{FROM[-1]:g} or more, or mostly misfires"]


def _draw(cells: Sequence[_Cell], shown: Sequence[str], unit: str) -> go.Figure:
    """Boxes on axes that count classes, because classes are not of one width."""
    speed, load = _edges([c.speed for c in cells]), _edges([c.load for c in cells])
    n, ns, nl = len(shown), len(speed) - 1, len(load) - 1
    columns = 1 if n == 1 or (ns > _SPREAD and n <= 4) else 2
    rows = -(-n // columns)
    missing = any(c.misfires for c in cells)
    row_px, between = (38 if missing else 26), 44
    height = rows * nl * row_px + (rows - 1) * between + 90
    plot = make_subplots(
        rows,
        columns,
        x_title="speed (rpm)",
        subplot_titles=[titled(label(c, 12)) for c in shown],
        vertical_spacing=between / (height - 90) if rows > 1 else 0,
        horizontal_spacing=0.06,
    )
    plot.update_layout(template=None, **frame(height))
    for k in range(n):
        r, c = k // columns + 1, k % columns + 1
        own = [x for x in cells if x.row == k]
        x = np.array([speed.index(e.speed[0]) for e in own]) + 0.5
        y = np.array([load.index(e.load[0]) for e in own]) + 0.5
        for a, b, cell in zip(x, y, own, strict=True):
            plot.add_shape(
                type="rect",
                name="cell",
                x0=a - _ROOM / 2,
                x1=a + _ROOM / 2,
                y0=b - _ROOM / 2,
                y1=b + _ROOM / 2,
                layer="below",
                line={"width": 2 if cell.missed_pct >= FRAMED_PCT else 0, "color": HOT},
                fillcolor=SHADES[cell.shade],
                row=r,
                col=c,
            )
        _write(plot, own, x, y, unit, max((e.share for e in cells), key=len), r, c)
        # the label of the last edge would run into the first one of the next panel
        last = ns + 1 if columns == 1 or c == columns else ns
        plot.update_xaxes(
            **axis(
                range=[0, ns],
                tickvals=list(range(last)),
                ticktext=[f"{e:.0f}" for e in speed[:last]],
                showgrid=False,
                showticklabels=k >= n - columns,
            ),
            row=r,
            col=c,
        )
        plot.update_yaxes(
            **axis(
                range=[0, nl],
                tickvals=list(range(nl + 1)),
                ticktext=[f"{e:.0f} {unit}" for e in load],
                showgrid=False,
                showticklabels=c == 1,
            ),
            row=r,
            col=c,
        )
    plot.update_annotations(font_size=12)
    return plot


def _write(
    plot: go.Figure, own: Sequence[_Cell], x: Any, y: Any, unit: str, widest: str, r: int, c: int
) -> None:
    """Numbers in the boxes of one panel: the mean, and where there are misfires their share under it, of which `widest` is one."""
    hit = np.array([e.misfires > 0 for e in own], dtype=bool)
    for part, where, what in (
        (~hit, "middle center", "lost work"),
        (hit, "top center", "lost work"),
        (hit, "bottom center", "misfires"),
    ):
        mine = [e for e, h in zip(own, part, strict=True) if h]
        if not mine and what == "misfires":
            continue
        if what == "misfires":
            forms = [(_CROSS + widest, [_CROSS + e.share for e in mine]), (_CROSS, [_CROSS] * len(mine))]
        else:
            means = [e.mean if e.told and e.mean is not None else np.nan for e in mine]
            forms = [(_long(-0.01), [_long(m) for m in means]), (_short(0.99), [_short(m) for m in means])]
        plot.add_trace(
            go.Scatter(
                x=f32(x[part]),
                y=f32(y[part]),
                mode="text",
                text=forms[0][1],
                textposition=where,
                textfont={"size": 11},
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
