"""Figures of a comparison: rates before and after, the tooth pattern before and after."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import plotly.graph_objects as go

from misfire.report.figure import Figure, axis, blank, f32, label
from misfire.report.figures_wheel import pattern_table
from misfire.report.markup import Table
from misfire.report.style import COOL, HOT, INK
from misfire.report.words import clean, count, finite, items, name_of_row, needed, number, span, table

SIDES = (("before", "square-open", INK, "□"), ("after", "circle", COOL, "●"))


def _rate(
    side: Mapping[str, Any], result: Mapping[str, Any], cylinder: str
) -> tuple[float, list[float], bool] | None:
    """Rate [%], its interval [%] and whether an interval is known; None without firings."""
    firings, misses = finite(side.get("firings")), finite(side.get("misfires"))
    if not firings or misses is None:
        return None
    rate = 100 * misses / firings
    interval = side.get("rate_ci95_pct")
    if interval is None:
        # The analysis of that side holds an interval; it fits only when it counts the same firings.
        for c in items(result.get("cylinders")):
            same = clean(table(c).get("cylinder"), 20) == cylinder
            if same and finite(c.get("firings")) == firings and finite(c.get("misfires")) == misses:
                interval = c.get("rate_ci95_pct")
    ends = [finite(x) for x in items(interval)]
    if len(ends) == 2 and ends[0] is not None and ends[1] is not None:
        return rate, [ends[0], ends[1]], True
    return rate, [rate, rate], False


def _reported(side: Mapping[str, Any]) -> tuple[float, list[float] | None] | None:
    """Rate of the controller's counts [%] and its exact interval where the firings are known."""
    counted, firings = finite(side.get("reported")), finite(side.get("firings"))
    rate = finite(side.get("reported_rate_pct"))
    ends = [finite(x) for x in items(side.get("reported_ci95_pct"))]
    if rate is not None and len(ends) == 2 and ends[0] is not None and ends[1] is not None:
        return rate, [ends[0], ends[1]]
    return None if counted is None or not firings else (100 * counted / firings, None)


def _uncorrected(side: Mapping[str, Any]) -> tuple[float, list[float] | None] | None:
    counted, firings = finite(side.get("misfires_uncorrected")), finite(side.get("firings"))
    return None if counted is None or not firings else (100 * counted / firings, None)


def _counted(plot: go.Figure, rows: list[dict[str, Any]], top: float) -> tuple[str, float]:
    """Marks for what the controller reported, else what an uncorrected monitor counts; their name."""
    for read, name in ((_reported, "the controller reported"), (_uncorrected, "uncorrected monitor")):
        some = False
        for (side, _, colour, _), symbol, shift in zip(
            SIDES, ("diamond-open", "diamond"), (0.3, -0.3), strict=True
        ):
            x, y, low, high = [], [], [], []
            for k, c in enumerate(rows):
                got = read(table(c.get(side)))
                if got is not None:
                    rate, ends = got
                    a, b = ends or (rate, rate)
                    x.append(rate)
                    y.append(len(rows) - 1 - k + shift)
                    low.append(max(0.0, rate - a))
                    high.append(max(0.0, b - rate))
            if x:
                some = True
                top = max(top, *(v + h for v, h in zip(x, high, strict=True)))
                plot.add_trace(
                    go.Scatter(
                        x=f32(x),
                        y=f32(y),
                        mode="markers",
                        name=f"{name}, {side}",
                        marker={"symbol": symbol, "color": colour, "size": 9, "line": {"width": 1.5}},
                        error_x=_bars(low, high, colour, 1.2),
                        hovertemplate="%{x:.3f} %<extra>" + f"{name}, {side}" + "</extra>",
                    )
                )
        if some:
            return name, top
    return "", top


def _bars(low: list[float], high: list[float], colour: str, thickness: float) -> dict[str, Any]:
    """Error bars of unequal length to both sides."""
    return {
        "array": f32(high),
        "arrayminus": f32(low),
        "symmetric": False,
        "color": colour,
        "thickness": thickness,
        "width": 5,
    }


def _controller_table(rows: list[dict[str, Any]], names: list[str]) -> list[Table]:
    """What the controller counted, with rates and exact intervals; empty without its counts."""
    out = []
    for name, c in zip(names, rows, strict=True):
        row = [name]
        for side, _, _, _ in SIDES:
            own = table(c.get(side))
            got = _reported(own)
            row += [
                count(own.get("reported")),
                count(own.get("reported_firings")),
                "–" if got is None else number(got[0]),
                "–" if got is None or got[1] is None else span(got[1]),
            ]
        out.append(row)
    if all(r[1] == "–" and r[5] == "–" for r in out):
        return []
    head = ["Cylinder"]
    for side, _, _, _ in SIDES:
        head += [f"Counted {side}", "of firings", "Rate (%)", "95 % interval (%)"]
    return [Table("Counts of the controller before and after", head, out)]


def rates(comparison: Mapping[str, Any], before: Mapping[str, Any], after: Mapping[str, Any]) -> Figure:
    """Rate per cylinder before and after, with intervals and the driving still needed."""
    key, question = "rates", "Did the misfires get fewer, and is it proven?"
    rows = [table(c) for c in items(comparison.get("cylinders"))]
    names = [name_of_row(c) for c in rows]
    if not rows:
        return Figure(key, question, why="No cylinder could be compared.")
    plot = blank(110 + 56 * len(rows))
    lines, top, without = [], 0.1, False
    found: dict[str, list[str]] = {n: [n] for n in names}
    for (side, symbol, colour, _), result, shift in zip(SIDES, (before, after), (0.16, -0.16), strict=True):
        x, y, low, high = [], [], [], []
        for k, (name, c) in enumerate(zip(names, rows, strict=True)):
            rate = _rate(table(c.get(side)), result, name)
            if rate is None:
                found[name] += ["–", "–"]
                continue
            value, (a, b), known = rate
            without |= not known
            x.append(value)
            y.append(len(rows) - 1 - k + shift)
            low.append(max(0.0, value - a))
            high.append(max(0.0, b - value))
            top = max(top, b)
            found[name] += [number(value), span([a, b]) if known else "–"]
        if x:
            plot.add_trace(
                go.Scatter(
                    x=f32(x),
                    y=f32(y),
                    mode="markers",
                    name=side,
                    marker={
                        "symbol": symbol,
                        "color": colour,
                        "size": 10,
                        "line": {"width": 2, "color": colour},
                    },
                    error_x=_bars(low, high, colour, 2),
                    hovertemplate="%{x:.3f} %<extra>" + side + "</extra>",
                )
            )
    also, top = _counted(plot, rows, top)
    plot.update_yaxes(
        **axis(
            "cylinder",
            tickvals=list(range(len(rows)))[::-1],
            ticktext=[label(n, 10) for n in names],
            range=[-0.6, len(rows) - 0.4],
            showgrid=False,
        )
    )
    plot.update_xaxes(**axis("misfires of 100 firings (%)", range=[-0.03 * top, 1.08 * top]))
    for name, c in zip(names, rows, strict=True):
        found[name] += [number(c.get("ratio")), span(c.get("ratio_ci95")), number(c.get("p_value"))]
        found[name].append(clean(c.get("answer"), 30).replace("_", " ") or "–")
        lines.append(f"cylinder {name}: before {found[name][1]} %, after {found[name][3]} %")
    more = " " + (needed(table(comparison.get("verdict"))) or "No further driving is named as needed.")
    gone = " Where no bar is drawn, the result holds no interval." if without else ""
    controller = _controller_table(rows, names)
    if controller:
        gone += (
            " The bars of the controller's counts are exact (Clopper-Pearson, both tails alike) over the firings with "
            "fuel, each taken as independent: counts carry no times that could show clusters."
        )
    return Figure(
        key,
        question,
        f"Before stands above after; bars are 95 % intervals. Rates are those of everything driven, the answer compares "
        f"like speed and load.{more}{gone}",
        "Misfire rate before and after. " + "; ".join(lines) + f".{more}",
        plot,
        legend=[
            *((s, c, f"found, {t}") for t, _, c, s in SIDES),
            *((s, c, f"{also}, {t}") for (t, _, c, _), s in zip(SIDES, "◇◆", strict=True) if also),
        ],
        tables=[
            Table(
                "Rates before and after",
                [
                    "Cylinder",
                    "Before (%)",
                    "95 % interval",
                    "After (%)",
                    "95 % interval",
                    "After / before",
                    "95 % interval",
                    "p",
                    "Answer",
                ],
                list(found.values()),
            ),
            *controller,
        ],
    )


def patterns(before: Mapping[str, Any], after: Mapping[str, Any]) -> Figure:
    """Tooth pattern before and after, and the difference."""
    key, question = "patterns", "Is it the same wheel, sensed the same way, before and after?"
    sides = []
    for result in (before, after):
        p = table(result.get("pattern"))
        error = [finite(v) for v in items(p.get("tooth_error_deg"))]
        sd = [finite(v) for v in items(p.get("tooth_error_sd_deg"))]
        sides.append((error, (sd + [None] * len(error))[: len(error)]))
    learned = [any(e is not None for e in s[0]) for s in sides]
    if not all(learned):
        which = "either log" if not any(learned) else "the log before" if learned[1] else "the log after"
        return Figure(key, question, why=f"No tooth pattern could be learned from {which}.")
    if len(sides[0][0]) != len(sides[1][0]):
        return Figure(key, question, why="The two logs show wheels with different numbers of teeth.")
    n = len(sides[0][0])
    plot = blank(360)
    values = []
    for (side, symbol, colour, _), (error, sd), shift in zip(SIDES, sides, (-0.12, 0.12), strict=True):
        e = np.array([np.nan if v is None else v for v in error])
        s = np.array([0.0 if v is None else v for v in sd])
        values.append(e)
        k = np.flatnonzero(np.isfinite(e))
        plot.add_trace(
            go.Scatter(
                x=f32(k + shift),
                y=f32(e[k]),
                mode="markers",
                name=side,
                marker={
                    "symbol": symbol,
                    "color": colour,
                    "size": 7,
                    "line": {"width": 1.5, "color": colour},
                },
                error_y={"array": f32(2 * s[k]), "color": colour, "thickness": 1, "width": 0},
                hovertemplate="position %{x:.0f}: %{y:+.4f} deg<extra>" + side + "</extra>",
            )
        )
    change = values[1] - values[0]
    both = np.flatnonzero(np.isfinite(change))
    if both.size == 0:
        return Figure(key, question, why="The two logs have no tooth in common.")
    plot.add_trace(
        go.Scatter(
            x=f32(both),
            y=f32(change[both]),
            mode="lines",
            line={"color": HOT, "width": 1.5, "dash": "dot", "shape": "hvh"},
            name="change",
            hovertemplate="position %{x:.0f}: change %{y:+.4f} deg<extra></extra>",
        )
    )
    plot.update_xaxes(**axis("position on the wheel", range=[-1, n]))
    plot.update_yaxes(**axis("error (deg)", zeroline=True, zerolinecolor=INK))
    rms = float(np.sqrt(np.mean(change[both] ** 2)))
    worst = int(both[np.argmax(np.abs(change[both]))])
    tables = [t for t in (pattern_table(before, "Before"), pattern_table(after, "After")) if t]
    return Figure(
        key,
        question,
        "Tooth errors in degrees by position, 0 the first tooth after the gap; bars twice the standard "
        "deviation; the dotted line is after minus "
        "before. A pattern that "
        "changed means another wheel, a moved sensor, or a disturbance that was there once.",
        f"Tooth pattern before and after. Change: root mean square {rms:.4f} degrees, largest "
        f"{change[worst]:+.4f} degrees "
        f"at position {worst}.",
        plot,
        legend=[*((s, c, t) for t, _, c, s in SIDES), ("┄", HOT, "change")],
        tables=tables,
    )
