"""One figure of the page: the question, how to read it, the drawing, the numbers behind it."""

from __future__ import annotations

import html
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from misfire.report.drawing import pictures
from misfire.report.markup import Table, esc
from misfire.report.style import HOT, INK
from misfire.report.words import clean

POINTS = 2400  # ordinary points that one figure draws; more only make the page slow to open
FLAGGED = 30_000  # flagged points in one figure up to which every one is drawn for itself
DENSE = 8000  # flagged points of one strip beyond which they are thinned, in a figure that has more in all

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Figure:
    """A drawing that answers one question.

    Attributes
    ----------
    key : short name, used in the address of the figure
    question : its title
    reading : how to read it, one or two sentences
    alt : what it shows, with the numbers, for those who do not see it
    plot : the drawing, None when the data for it are not there
    small : another arrangement of it for phone and paper, None where the drawing itself does
    why : the sentence that stands in place of a drawing
    legend : (symbol, colour, meaning)
    tables : numbers behind the drawing
    """

    key: str
    question: str
    reading: str = ""
    alt: str = ""
    plot: go.Figure | None = None
    small: go.Figure | None = None
    why: str = ""
    legend: Sequence[tuple[str, str, str]] = ()
    tables: Sequence[Table] = ()

    def html(self) -> str:
        """The figure element; its data stand in a script element that cannot be closed from inside."""
        title = f'<figure id="{self.key}"><figcaption><h3>{esc(self.question)}</h3>'
        if self.plot is None:
            why = esc(self.why or "The data for it are not there.")
            return f'{title}</figcaption><p class="missing">Not drawn. {why}</p></figure>\n'
        key = "".join(
            f'<li><b style="color:{c}" aria-hidden="true">{html.escape(s)}</b> {esc(t)}</li>'
            for s, c, t in self.legend
        )
        legend = f'<ul class="key">{key}</ul>' if key else ""
        behind = "".join(t.html() for t in self.tables)
        behind = f"<details><summary>The numbers as a table</summary>{behind}</details>" if behind else ""
        return (
            f"{title}<p>{esc(self.reading, 900)}</p></figcaption>{legend}"
            f'<div class="plot" id="plot-{self.key}" role="img" aria-label="{esc(self.alt, 1500)}">'
            f"{pictures(self.plot, self.key, self.small)}</div>"
            f'<button type="button" class="closer" data-figure="{self.key}" hidden>Zoom and read values</button>'
            f'<script type="application/json" id="plot-{self.key}-data">{script_json(self.plot)}</script>'
            f"{behind}</figure>\n"
        )


def script_json(plot: go.Figure) -> str:
    """The drawing as JSON that is safe inside a script element."""
    text = json.dumps(json.loads(plot.to_json(validate=False)), separators=(",", ":"), allow_nan=False)
    for char, code in (("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026")):
        text = text.replace(char, code)
    return text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def label(value: Any, limit: int = 24) -> str:
    """Text from outside for use inside a drawing, where plotly reads a small set of tags."""
    return html.escape(clean(value, limit), quote=False)


def blank(height: int, **layout: Any) -> go.Figure:
    """An empty drawing in the page's own plain style."""
    plot = go.Figure()
    plot.update_layout(template=None, **{**frame(height), **layout})
    return plot


def frame(height: int) -> dict[str, Any]:
    """Layout that all drawings share."""
    return {
        "height": height,
        "autosize": True,
        "showlegend": False,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {
            "family": "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif",
            "size": 12,
            "color": "#444",
        },
        "margin": {"l": 52, "r": 20, "t": 24, "b": 46},
        "hoverlabel": {"bgcolor": "#fff", "bordercolor": INK, "font": {"color": "#14181c"}},
        "hovermode": "closest",
    }


def axis(title: str = "", **more: Any) -> dict[str, Any]:
    """An axis in the page's own plain style."""
    return {
        "title": {"text": title, "standoff": 6},
        "gridcolor": "#d9dcde",
        "zeroline": False,
        "linecolor": INK,
        "ticks": "outside",
        "tickcolor": INK,
        "ticklen": 3,
        "automargin": True,
        **more,
    }


def f32(values: Any) -> npt.NDArray[np.float32]:
    """Values for a drawing, half the size of doubles."""
    return np.asarray(values, dtype=np.float32)


def thin(
    flagged: npt.NDArray[np.bool_], x: Floats, y: Floats, ordinary: int, in_all: int = 0
) -> npt.NDArray[np.int64]:
    """Rows to draw: evenly spaced ordinary ones and every flagged one.

    In a figure with more than `FLAGGED` of them, and beyond `DENSE` here, one is kept for every spot of the drawing
    that holds any (a 1000th of the width, an eighth of the height), so that no place with a flagged event goes empty.

    Parameters
    ----------
    flagged, x, y : shape (rows,)
    ordinary : how many rows that are not flagged to keep at most
    in_all : flagged rows of the whole figure, these among them
    """
    plain = np.flatnonzero(~flagged)
    if plain.size > ordinary:
        plain = plain[np.unique(np.linspace(0, plain.size - 1, max(ordinary, 2)).astype(np.int64))]
    hot = np.flatnonzero(flagged)
    if hot.size > DENSE and max(in_all, hot.size) > FLAGGED:
        wide = float(np.ptp(x[hot])) or 1.0
        tall = float(np.ptp(y[hot])) or 1.0
        spot = np.minimum((x[hot] - x[hot].min()) / wide * 1000, 999).astype(np.int64) * 8
        spot += np.minimum((y[hot] - y[hot].min()) / tall * 8, 7).astype(np.int64)
        hot = hot[np.unique(spot, return_index=True)[1]]
    return np.sort(np.concatenate([plain, hot]))


def grid_shape(n: int, row_px: int = 190, most_px: int = 800) -> tuple[int, int, int]:
    """Rows, columns and height [px] for n small drawings, at most two abreast for the phone."""
    columns = 1 if n == 1 else 2
    rows = math.ceil(n / columns)
    return rows, columns, 70 + rows * min(row_px, (most_px - 70) // rows)


def say_empty(plot: go.Figure, row: int, col: int) -> None:
    """Write into a small drawing that holds nothing why that is so; its axes are drawn as those beside it."""
    plot.add_trace(go.Scatter(x=f32([np.nan]), y=f32([np.nan]), mode="markers", hoverinfo="skip"), row, col)
    plot.add_annotation(
        text="no firing decided",
        x=0.5,
        y=0.5,
        xref="x domain",
        yref="y domain",
        showarrow=False,
        row=row,
        col=col,
    )


def limit_line(plot: go.Figure, value: float, across: str, **place: Any) -> None:
    """A dashed line at `value` [unit of the axis] for a limit, `across` x (upright) or y (lying)."""
    add = plot.add_vline if across == "x" else plot.add_hline
    add(value, line={"color": HOT, "width": 1.5, "dash": "dash"}, **place)
