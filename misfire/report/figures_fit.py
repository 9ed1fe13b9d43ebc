"""Figures of the joint fit: companions against each other, scaling with speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from misfire.report.figure import POINTS, Figure, Floats, axis, f32, frame, grid_shape, label, say_empty, thin
from misfire.report.firings import Firings, companions
from misfire.report.markup import Table
from misfire.report.style import COOL, FAINT, HOT, INK
from misfire.report.words import count, finite, number, table, titled

_NO_DEVIATION = "The events carry no segment time before correction, so the wheel's share cannot be shown."


def _segment(result: Mapping[str, Any], cylinder: str) -> tuple[float | None, float | None]:
    p = table(result.get("pattern"))
    return (
        finite(table(p.get("segment_error_pct")).get(cylinder)),
        finite(table(p.get("segment_error_sd_pct")).get(cylinder)),
    )


def _left_after_fit(result: Mapping[str, Any], f: Firings) -> Floats:
    """Deviation [%] of each firing, measured from those of its cycle that burned normally; shape (events,).

    The deviations of a cycle sum to about zero, so a dead cylinder pushes all others the other way. The zero
    is therefore the median over the normal firings of the cycle of (deviation - learned wheel error).
    """
    import pandas as pd

    wheel = np.array([_segment(result, c)[0] or 0.0 for c in f.cylinders] + [0.0])[f.which]
    normal = (f.state == "firing") & np.isfinite(f.deviation_pct) & ~(f.work >= 0.3)
    rest = pd.Series(np.where(normal, f.deviation_pct - wheel, np.nan))
    zero = rest.groupby(f.event // max(1, len(f.cylinders))).transform("median").to_numpy(dtype=float)
    return np.asarray(f.deviation_pct - zero, dtype=float)


@dataclass(frozen=True)
class _Pair:
    """Two companions, one point a cycle; arrays of shape (cycles,). `wheel`: learned errors [%] of their segments."""

    names: tuple[str, str]
    x: Floats
    y: Floats
    missed: tuple[Any, Any]
    wheel: tuple[float | None, float | None]

    def row(self) -> list[str]:
        """The medians as a row of the table."""
        x, y, (a, b) = self.x, self.y, self.missed
        who = f"{self.names[0]} and {self.names[1]}"
        if x.size == 0:
            return [who, "0", "–", "–", "–", "–", "0", "0"]
        return [
            who,
            count(x.size),
            *(number(round(float(np.median(v)), 3)) for v in (x, y, (x + y) / 2, (x - y) / 2)),
            count(int((a & ~b).sum() + (b & ~a).sum())),
            count(int((a & b).sum())),
        ]


def _pairs(result: Mapping[str, Any], f: Firings, value: Floats) -> list[_Pair]:
    """Companions of the engine with their values, cycle by cycle."""
    ordered, half = np.argsort(f.event, kind="stable"), len(f.cylinders) // 2
    out = []
    for a, b in companions(result):
        if a not in f.cylinders or b not in f.cylinders:
            continue
        ia, ib = f.cylinders.index(a), f.cylinders.index(b)
        ra, rb = ordered[f.which[ordered] == ia], ordered[f.which[ordered] == ib]
        _, ka, kb = np.intersect1d(f.event[ra] + half, f.event[rb], return_indices=True)
        x, y = value[ra[ka]], value[rb[kb]]
        good = np.isfinite(x) & np.isfinite(y)
        missed = f.missed[ra[ka]][good], f.missed[rb[kb]][good]
        out.append(_Pair((a, b), x[good], y[good], missed, (_segment(result, a)[0], _segment(result, b)[0])))
    return out


def companion_plane(result: Mapping[str, Any], f: Firings | None) -> Figure:
    """What is left at one turn against the other, for each pair of companions."""
    key, question = "companions", "Is it the wheel or a cylinder: do both turns of a cycle show the same?"
    if f is None:
        return Figure(key, question, why="No firing event was handed over.")
    measured = f.known(f.deviation_pct)
    value = _left_after_fit(result, f) if measured else np.where(f.usable, f.work, np.nan)
    value = np.where(f.usable, value, np.nan)
    pairs = _pairs(result, f, value)
    if not pairs:
        why = "The two turns of a cycle cannot be told apart in this log."
        if result.get("phase") != "unknown":
            why = (
                "This engine has no two cylinders that share the teeth of the wheel, or its layout is not "
                "given."
            )
        return Figure(key, question, why=why)
    what = "Extra time of the segment in per cent" if measured else "Lost work after correction"
    warn = "" if measured else f" {_NO_DEVIATION}"
    found = [p.row() for p in pairs]
    return Figure(
        key,
        question,
        f"{what}, a cylinder against the one that passes the same teeth a turn later; one point a "
        f"cycle, zero is a firing "
        "of that cycle that burned normally. A wheel error moves both alike, along the dashed diagonal; "
        "a cylinder that "
        f"misfires alone moves along one axis. Two companions that misfire together also lie on the "
        f"diagonal.{warn}",
        f"{what}, companions against each other. "
        + "; ".join(
            f"cylinders {r[0]}: common part {r[4]}, half difference {r[5]}, cycles with a misfire of "
            f"one {r[6]}, of both "
            f"{r[7]}"
            for r in found
        )
        + ".",
        _plane(pairs, _reach(result, f, value, measured), measured, int(f.missed.sum())),
        legend=[
            ("●", INK, "both fired"),
            ("▶", HOT, "misfire of the cylinder named below"),
            ("▲", HOT, "misfire of the cylinder named at the left"),
            ("✕", HOT, "both"),
            *([("✧", COOL, "learned wheel error")] if measured else []),
        ],
        tables=[
            Table(
                "Medians over the cycles" + (" (%)" if measured else " (lost work)"),
                [
                    "Cylinders",
                    "Cycles",
                    "First",
                    "Second",
                    "Common part",
                    "Half difference",
                    "One misfires",
                    "Both",
                ],
                found,
            )
        ],
    )


def _reach(result: Mapping[str, Any], f: Firings, value: Floats, measured: bool) -> float:
    """One scale for all pairs, so that a quiet pair looks quiet beside a loud one."""
    shown = np.abs(value[np.isfinite(value)])
    loud = np.abs(value[np.isfinite(value) & f.missed])
    reach = float(np.percentile(shown, 99.8)) * 1.15 if shown.size else 0.0
    reach = max(reach, 1e-3, 1.05 * float(loud.max(initial=0.0)))
    if measured:
        reach = max([reach] + [1.3 * abs(_segment(result, c)[0] or 0.0) for c in f.cylinders])
    return reach


def _plane(pairs: list[_Pair], reach: float, measured: bool, missed: int) -> go.Figure:
    rows, columns, height = grid_shape(len(pairs), 320, 820)
    plot = make_subplots(rows, columns, horizontal_spacing=0.17, vertical_spacing=min(0.14, 0.4 / rows))
    # The page lowers the drawing on a narrow screen so that the squares leave no empty bands.
    plot.update_layout(template=None, meta={"squares": [rows, columns]}, **frame(height))
    for k, pair in enumerate(pairs):
        r, c = k // columns + 1, k % columns + 1
        name = "cylinder {}" + (" (%)" if measured else "")
        place = {"range": [-reach, reach], "zeroline": True, "zerolinecolor": INK, "nticks": 6}
        plot.update_xaxes(**axis(name.format(label(pair.names[0], 12)), **place), row=r, col=c)
        square = {"scaleanchor": "x" + str(k + 1) * (k > 0), "constrain": "domain"}
        plot.update_xaxes(constrain="domain", row=r, col=c)
        plot.update_yaxes(**axis(name.format(label(pair.names[1], 12)), **place, **square), row=r, col=c)
        if pair.x.size == 0:
            say_empty(plot, r, c)
            continue
        keep = thin(pair.missed[0] | pair.missed[1], pair.x, pair.y, POINTS // len(pairs), missed)
        for trace in _pair_traces(pair, keep, reach, "%" if measured else ""):
            plot.add_trace(trace, r, c)
    return plot


def _pair_traces(pair: _Pair, keep: Any, reach: float, unit: str) -> list[go.Scatter]:
    """The diagonal, the cycles by who missed, and the learned error of the wheel."""
    out = [
        go.Scatter(
            x=f32([-reach, reach]),
            y=f32([-reach, reach]),
            mode="lines",
            line={"color": COOL, "dash": "dash", "width": 1.2},
            hoverinfo="skip",
        )
    ]
    (a, b), (miss_a, miss_b) = pair.names, pair.missed
    hover = f"{label(a)}: %{{x:.2f}} {unit}, {label(b)}: %{{y:.2f}} {unit}<extra></extra>"
    for part, symbol, colour, size in (
        (~(miss_a | miss_b), "circle", INK, 3),
        (miss_a & ~miss_b, "triangle-right", HOT, 8),
        (miss_b & ~miss_a, "triangle-up", HOT, 8),
        (miss_a & miss_b, "x", HOT, 8),
    ):
        rows = keep[part[keep]]
        if rows.size:
            out.append(
                go.Scatter(
                    x=f32(np.clip(pair.x[rows], -reach, reach)),
                    y=f32(np.clip(pair.y[rows], -reach, reach)),
                    mode="markers",
                    marker={"symbol": symbol, "color": colour, "size": size},
                    hovertemplate=hover,
                )
            )
    if unit and None not in pair.wheel:
        out.append(
            go.Scatter(
                x=f32([pair.wheel[0]]),
                y=f32([pair.wheel[1]]),
                mode="markers",
                marker={"symbol": "star-diamond-open", "color": COOL, "size": 15, "line": {"width": 2}},
                hovertemplate="learned wheel error<extra></extra>",
            )
        )
    return out


@dataclass(frozen=True)
class _Own:
    """One cylinder's firings against one over speed squared; arrays of shape (firings,)."""

    inverse: Floats
    value: Floats
    missed: Any

    @property
    def enough(self) -> bool:
        """Whether a trend can be drawn."""
        return self.inverse.size >= 10

    def tenths(self) -> tuple[Floats, Floats, Floats]:
        """Means of a tenth of the firings each, from fast to slow, and twice their standard error."""
        n = self.inverse.size
        parts = np.array_split(np.argsort(self.inverse), min(10, n // 10 or 1))
        x = np.array([self.inverse[p].mean() for p in parts])
        y = np.array([self.value[p].mean() for p in parts])
        return x, y, np.array([2 * self.value[p].std() / np.sqrt(p.size) for p in parts])

    def trend(self) -> tuple[float, float] | None:
        """Left edge and slope of the line through the tenths; None where the speed hardly changes."""
        if not self.enough:
            return None
        x, y, _ = self.tenths()
        if float(np.ptp(x)) <= 0.1 * float(x.mean()) or x.size < 3:
            return None
        slope, start = np.polyfit(x, y, 1)
        return float(start), float(slope)


def scaling(result: Mapping[str, Any], f: Firings | None) -> Figure:
    """Deviation against one over speed squared: the intercept is wheel, the slope is work."""
    key, question = "scaling", "Does the deviation stay when the engine turns faster?"
    if f is None or not f.known(f.deviation_pct):
        return Figure(key, question, why="No firing event was handed over." if f is None else _NO_DEVIATION)
    if len(f.cylinders) < 2:
        return Figure(
            key, question, why="One cylinder alone has no other firing in its cycle to deviate from."
        )
    use = f.usable & np.isfinite(f.deviation_pct) & (f.rpm > 0) & (f.which >= 0)
    if int(use.sum()) < 30:
        return Figure(key, question, why="Fewer than 30 decided firings carry a deviation.")
    inverse = (1000.0 / np.where(f.rpm > 0, f.rpm, np.nan)) ** 2
    value = _left_after_fit(result, f)
    use &= np.isfinite(value)
    low, high = np.percentile(value[use], [0.2, 99.8])
    if (use & f.missed).any():
        low, high = min(low, value[use & f.missed].min()), max(high, value[use & f.missed].max())
    pad = 0.1 * (high - low) or 0.1
    rows = [np.flatnonzero(use & (f.which == i)) for i in range(len(f.cylinders))]
    owns = [_Own(inverse[k], value[k], f.missed[k]) for k in rows]
    plot = _by_speed(f, owns, float(inverse[use].max()) * 1.05, (low - pad, high + pad))
    found = []
    for name, cylinder, own in zip(f.shown, f.cylinders, owns, strict=True):
        trend, (learned, sd) = own.trend(), _segment(result, cylinder)
        line = ["–", "–"] if trend is None else [number(round(v, 4)) for v in trend]
        wheel = "–" if learned is None else number(round(learned, 4))
        wheel += f" ± {number(round(sd, 4))}" if learned is not None and sd is not None else ""
        found.append([name, count(own.inverse.size), *line, wheel])
    return Figure(
        key,
        question,
        "Extra time of each segment against one over speed squared: fast is at the left, 1 is 1000 rpm. "
        "What is left where "
        "the line meets the left edge is the wheel; what grows to the right is missing work. The line "
        "only shows the "
        "trend; the decision rests on the joint fit of all cylinders and the wheel.",
        "Segment deviation against one over speed squared. "
        + "; ".join(f"{titled(r[0])}: at the left edge {r[2]} %, slope {r[3]} %" for r in found)
        + ".",
        plot,
        legend=[
            ("·", INK, "fired"),
            ("✕", HOT, "misfire"),
            ("□", COOL, "mean of a tenth of the firings, with twice its standard error"),
        ],
        tables=[
            Table(
                "Trend of the deviation",
                [
                    "Cylinder",
                    "Firings",
                    "At the left edge (%)",
                    "Slope (% at 1000 rpm)",
                    "Learned wheel error (%)",
                ],
                found,
            )
        ],
    )


def _by_speed(f: Firings, owns: list[_Own], reach: float, up: tuple[float, float]) -> go.Figure:
    """One small drawing a cylinder, all of one scale."""
    n = len(owns)
    rows, columns, height = grid_shape(n, 160)
    plot = make_subplots(
        rows,
        columns,
        shared_xaxes=True,
        shared_yaxes=True,
        subplot_titles=[titled(label(c, 12)) for c in f.shown],
        x_title="(1000 rpm / speed)²",
        vertical_spacing=min(0.1, 0.32 / rows),
        horizontal_spacing=0.05,
    )
    plot.update_layout(template=None, **frame(height))
    for i, own in enumerate(owns):
        r, c = i // columns + 1, i % columns + 1
        if own.enough:
            keep = thin(own.missed, own.inverse, own.value, POINTS // n, int(f.missed.sum()))
            for trace in _own_traces(own, keep, reach, up):
                plot.add_trace(trace, r, c)
        else:
            say_empty(plot, r, c)
        plot.update_xaxes(**axis(range=[0, reach]), row=r, col=c)
        plot.update_yaxes(
            **axis(range=list(up), zeroline=True, zerolinecolor=INK, ticksuffix=" %", nticks=5), row=r, col=c
        )
    plot.update_annotations(font_size=12)
    return plot


def _own_traces(own: _Own, keep: Any, reach: float, up: tuple[float, float]) -> list[go.Scatter]:
    """Firings and misfires of a cylinder, the means of tenths, and the line through them."""
    out = []
    for part, symbol, colour, size in ((~own.missed, "circle", FAINT, 3), (own.missed, "x", HOT, 6)):
        k = keep[part[keep]]
        if k.size:
            out.append(
                go.Scatter(
                    x=f32(own.inverse[k]),
                    y=f32(np.clip(own.value[k], *up)),
                    mode="markers",
                    marker={"symbol": symbol, "color": colour, "size": size},
                    hoverinfo="skip",
                )
            )
    x, y, e = own.tenths()
    out.append(
        go.Scatter(
            x=f32(x),
            y=f32(y),
            error_y={"array": f32(e), "color": COOL, "thickness": 1.5, "width": 3},
            mode="markers",
            marker={"symbol": "square-open", "color": COOL, "size": 8, "line": {"width": 2}},
            hovertemplate="mean %{y:.3f} %<extra></extra>",
        )
    )
    if (trend := own.trend()) is not None:
        start, slope = trend
        out.append(
            go.Scatter(
                x=f32([0, reach]),
                y=f32([start, start + slope * reach]),
                mode="lines",
                line={"color": COOL, "width": 1.5},
                hoverinfo="skip",
            )
        )
    return out
