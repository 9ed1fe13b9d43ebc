"""Figures of the firing events: strips, distribution, coverage."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from misfire.decide import PARTIAL_FROM
from misfire.report.figure import (
    POINTS,
    Figure,
    axis,
    blank,
    f32,
    frame,
    grid_shape,
    label,
    limit_line,
    say_empty,
    thin,
)
from misfire.report.firings import Firings, decision_limit, steps
from misfire.report.markup import Table
from misfire.report.style import COOL, HOT, INK, SIDE
from misfire.report.words import count, names, titled
from misfire.report.words import work as lost

NO_EVENTS = "No firing event was handed over, so there is nothing to place."
_LOW, _HIGH = -1.0, 2.0
# (state or kind, symbol, colour, size, meaning)
_LOOK = (
    ("firing", "circle", INK, 3, "●", "fired"),
    ("partial", "diamond", SIDE, 6, "◆", "partial burn"),
    ("misfire", "x", HOT, 7, "✕", "misfire"),
    ("motoring", "line-ew-open", COOL, 5, "—", "fuel cut, not counted"),
    ("unusable", "line-ns-open", INK, 7, "|", "not usable, not counted"),
)


def _tally(f: Firings, i: int) -> list[str]:
    own = f.which == i
    w = f.work[own & f.usable]
    part = own & (f.state == "firing") & (f.work >= PARTIAL_FROM)
    mean = lost(float(w.mean())) if w.size else "–"
    return [
        f.shown[i],
        count(int((own & f.usable).sum())),
        count(int((own & f.missed).sum())),
        count(int(part.sum())),
        mean,
        count(int((own & (f.state == "motoring")).sum())),
        count(int((own & (f.state == "unusable")).sum())),
    ]


def _head() -> list[str]:
    return [
        "Cylinder",
        "Firings decided",
        "Misfires",
        "Partial burns",
        "Mean lost work",
        "Fuel cut",
        "Not usable",
    ]


def strips(result: Mapping[str, Any], f: Firings | None, key: str = "strips", when: str = "") -> Figure:
    """Lost work of every firing along the log, one strip per cylinder."""
    question = f"When did which cylinder fail to fire{when}?"
    if f is None or not f.known(f.time_s) or not f.known(f.work):
        return Figure(key, question, why=NO_EVENTS)
    n = len(f.cylinders)
    row_px = int(np.clip(680 / n, 42, 96))
    plot = make_subplots(n, 1, shared_xaxes=True, vertical_spacing=min(0.02, 0.25 / n))
    plot.update_layout(template=None, **frame(60 + n * row_px))
    kind = np.where((f.state == "firing") & (f.work >= PARTIAL_FROM), "partial", f.state)
    level = np.where(np.isfinite(f.work), np.clip(f.work, _LOW, _HIGH), 0.0)
    level = np.where(f.state == "unusable", -0.55, level)
    drawn, marked = 0, np.isin(kind, ("misfire", "partial"))
    for i in range(n):
        own = np.flatnonzero((f.which == i) & np.isfinite(f.time_s))
        rows = own[thin(marked[own], f.time_s[own], level[own], POINTS // n, int(marked.sum()))]
        drawn += rows.size
        for name, symbol, colour, size, _, _ in _LOOK:
            r = rows[kind[rows] == name]
            if r.size:
                marker = {"symbol": symbol, "color": colour, "size": size}
                if symbol.endswith("open"):
                    marker["line"] = {"width": 1.2, "color": colour}
                plot.add_trace(
                    go.Scatter(
                        x=f32(f.time_s[r]),
                        y=f32(level[r]),
                        mode="markers",
                        marker=marker,
                        name=name,
                        hovertemplate="%{x:.2f} s, lost work %{y:.2f}<extra>" + name + "</extra>",
                    ),
                    i + 1,
                    1,
                )
        plot.update_yaxes(
            **axis(label(f.shown[i], 6), range=[-0.75, 1.5], tickvals=[0, 1], fixedrange=True),
            row=i + 1,
            col=1,
        )
        plot.update_xaxes(**axis(showticklabels=i == n - 1), row=i + 1, col=1)
    joined = ""
    if f.starts_s:
        for x in f.starts_s:
            plot.add_vline(x=x - 0.5, line={"color": INK, "width": 1, "dash": "dot"})
        joined = (
            f" {len(f.starts_s) + 1} logs stand one after another, a dotted line between them; the further ones begin at "
            f"{', '.join(f'{x:.0f}' for x in f.starts_s)} s."
        )
    plot.update_xaxes(
        title_text="time, the logs one after another (s)" if joined else "time in the log (s)", row=n, col=1
    )
    worst = [f"{titled(r[0])}: {r[2]} misfires in {r[1]} firings" for r in (_tally(f, i) for i in range(n))]
    thinned = f"All {count(drawn)} firings are drawn."
    if drawn < f.which.size:
        thinned = (
            f"{count(drawn)} of {count(f.which.size)} firings are drawn: ordinary ones are thinned out, no "
            "place with a misfire or a partial burn is left empty."
        )
    return Figure(
        key,
        question,
        "One strip a cylinder, its name at the left. 0 is the work that is normal at that speed and load, "
        f"1 is no work at all. {thinned}{joined}",
        "Lost work over time, one strip a cylinder. " + "; ".join(worst) + ".",
        plot,
        legend=[(s, c, t) for _, _, c, _, s, t in _LOOK],
        tables=[Table(f"Firings of each cylinder{when}", _head(), [_tally(f, i) for i in range(n)])],
    )


def distribution(result: Mapping[str, Any], f: Firings | None) -> Figure:
    """Distribution of lost work per cylinder with the decision line."""
    key, question = "distribution", "Do misfires stand apart from normal firings?"
    if f is None or not f.usable.any():
        return Figure(
            key, question, why=NO_EVENTS if f is None else "No firing in this log could be decided."
        )
    n = len(f.cylinders)
    rows, columns, height = grid_shape(n, 150)
    plot = make_subplots(
        rows,
        columns,
        shared_xaxes=True,
        subplot_titles=[titled(label(c, 12)) for c in f.shown],
        x_title="lost work (0 normal, 1 none)",
        vertical_spacing=min(0.1, 0.32 / rows),
        horizontal_spacing=0.1,
    )
    plot.update_layout(template=None, barmode="overlay", bargap=0, **frame(height))
    edges = np.linspace(_LOW, _HIGH, 61)
    middle = (edges[1:] + edges[:-1]) / 2
    limit = decision_limit(result)
    table = []
    for i in range(n):
        w = f.work[(f.which == i) & f.usable]
        r, c = i // columns + 1, i % columns + 1
        top = 1.0
        for state, colour, shape in (("firing", INK, ""), ("misfire", HOT, "/")):
            own = f.work[(f.which == i) & f.usable & (f.state == state)]
            histogram = np.histogram(np.clip(own, _LOW, _HIGH), edges)[0]
            top = max(top, float(histogram.max()))
            plot.add_trace(
                go.Bar(
                    x=f32(middle),
                    y=np.where(histogram > 0, histogram, np.nan).astype(np.float32),
                    width=0.05,
                    marker={"color": colour, "pattern": {"shape": shape, "size": 4}, "line": {"width": 0}},
                    hovertemplate="lost work %{x:.2f}: %{y}<extra>" + state + "</extra>",
                ),
                r,
                c,
            )
        if not w.size:
            say_empty(plot, r, c)
        limit_line(plot, limit, "x", row=r, col=c)
        tens = [10.0**k for k in range(8) if 10.0**k <= top * 2]
        plot.update_yaxes(
            **axis(type="log", tickvals=tens, range=[-0.3, np.log10(top) + 0.25], tickformat="~s"),
            row=r,
            col=c,
        )
        plot.update_xaxes(
            **axis(range=[-0.8, 1.6], tickvals=[0, 0.5, 1, 1.5], showticklabels=i >= n - columns),
            row=r,
            col=c,
        )
        if w.size:
            q = np.percentile(w, [1, 50, 99])
            missed = int(((f.which == i) & f.usable & f.missed).sum())
            table.append([f.shown[i], count(w.size), *(lost(float(x)) for x in q), count(missed)])
        else:
            table.append([f.shown[i], "0", "–", "–", "–", "0"])
    plot.update_annotations(font_size=12)
    line = f"Dashed: {lost(limit)}, from where on a firing counts as a misfire."
    legend = [("▇", INK, "fired (number on a scale of tens)"), ("▨", HOT, "misfires")]
    return Figure(
        key,
        question,
        f"Two separate heaps with the line between them make a sure decision; one heap across it does "
        f"not. {line}",
        f"Number of firings by lost work, one panel a cylinder. {line} "
        + "; ".join(f"{titled(r[0])}: median {r[3]}, 1 % below {r[2]}, 1 % above {r[4]}" for r in table)
        + ".",
        plot,
        legend=legend,
        tables=[
            Table(
                "Lost work of the decided firings",
                ["Cylinder", "Firings", "1 % below", "Median", "1 % above", "Misfires"],
                table,
            )
        ],
    )


def _classes(f: Firings, use: Any) -> tuple[Any, Any, Any, Any, bool]:
    """Speed and load classes of the events in `use`: edges and class of each; load may be unknown."""
    speed = steps(f.rpm[use], (250, 500, 1000, 2000), 9)
    has_load = f.known(f.load_pct[use])
    load = steps(f.load_pct[use], (20, 25, 50), 6) if has_load else np.array([0.0, 1.0])
    i = np.clip(np.digitize(f.rpm, speed) - 1, 0, speed.size - 2)
    j = np.clip(np.digitize(np.nan_to_num(f.load_pct), load) - 1, 0, load.size - 2) if has_load else i * 0
    return speed, load, i, j, has_load


def _load_axis(load: Any, has_load: bool, **more: Any) -> dict[str, Any]:
    if has_load:
        return axis(tickvals=list(load), range=[load[0], load[-1]], ticksuffix=" %", **more)
    return axis(tickvals=[], range=[0, 1], **more)


def coverage(result: Mapping[str, Any], f: Firings | None) -> Figure:
    """Where the log has enough firings to decide; 299 and 59 clean firings exclude 1 % and 5 % at 95 %."""
    key, question = "coverage", "Where does this log hold enough firings to decide?"
    if f is None:
        return Figure(key, question, why=NO_EVENTS)
    use = f.usable & np.isfinite(f.rpm) & (f.which >= 0)
    if f.known(f.load_pct):
        use &= np.isfinite(f.load_pct)
    if not use.any():
        return Figure(key, question, why="No decided firing has a speed, so it cannot be placed.")
    speed, load, i, j, has_load = _classes(f, use)
    ns, nl, n = speed.size - 1, load.size - 1, len(f.cylinders)
    flat = (f.which[use] * ns + i[use]) * nl + j[use]
    each = np.bincount(flat, minlength=n * ns * nl).reshape(n, ns, nl)
    decided = each.any(
        axis=(1, 2)
    )  # a cylinder without any would leave every place empty: it is named instead
    least, driven = each[decided].min(axis=0), each.sum(axis=0) > 0
    plot = blank(330 if has_load else 190)
    table = []
    for name, low, high, symbol, colour in (
        ("fewer than 59", 0, 59, "square-open", INK),
        ("59 to 298", 59, 299, "diamond", SIDE),
        ("299 or more", 299, 10**12, "square", COOL),
    ):
        s, b = np.nonzero(driven & (least >= low) & (least < high))
        if s.size == 0:
            continue
        plot.add_trace(
            go.Scatter(
                x=f32((speed[s] + speed[s + 1]) / 2),
                y=f32((load[b] + load[b + 1]) / 2),
                mode="markers+text",
                text=[count(int(least[p, q])) for p, q in zip(s, b, strict=True)],
                textposition="bottom center",
                textfont={"size": 10},
                marker={"symbol": symbol, "color": colour, "size": 13, "line": {"width": 1.5}},
                hovertemplate="%{x} rpm: %{text} firings of the cylinder that has fewest<extra>"
                + name
                + "</extra>",
            )
        )
    for p, q in zip(*np.nonzero(driven), strict=True):
        charge = f"{load[q]:.0f} to {load[q + 1]:.0f}" if has_load else "–"
        k = int(least[p, q])
        says = "excludes 1 %" if k >= 299 else "excludes 5 %" if k >= 59 else "too few"
        table.append([f"{speed[p]:.0f} to {speed[p + 1]:.0f}", charge, count(k), says])
    plot.update_xaxes(**axis("speed (rpm)", range=[speed[0], speed[-1]], tickvals=list(speed)))
    plot.update_yaxes(**_load_axis(load, has_load))
    if has_load:
        plot.update_yaxes(title_text="load (%)", ticksuffix="")
    enough = int((least >= 299).sum())
    note = "" if has_load else " The log carries no load, so the firings stand by speed alone."
    if not decided.all():
        none = names([f.cylinders[i] for i in np.flatnonzero(~decided)], "or")
        note += f" No firing of {none} could be decided: the numbers are those of the others."
    return Figure(
        key,
        question,
        "The number is the decided firings of the cylinder that has fewest there. 299 firings without a "
        "misfire exclude a "
        f"rate of 1 % at 95 % confidence, 59 a rate of 5 %. Empty places were not driven.{note}",
        f"Firings by speed and load. {enough} of {int(driven.sum())} driven places hold 299 or "
        f"more for every "
        f"cylinder; the fullest holds {count(int(least.max()))}.",
        plot,
        legend=[("■", COOL, "299 or more"), ("◆", SIDE, "59 to 298"), ("□", INK, "fewer than 59")],
        tables=[
            Table(
                "Decided firings of the cylinder that has fewest",
                ["Speed (rpm)", "Load (%)", "Firings", "What that proves when none misfires"],
                table,
            )
        ],
    )
