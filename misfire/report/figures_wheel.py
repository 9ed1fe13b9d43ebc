"""Figures of the wheel and the signal: tooth pattern, edge faults."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from misfire.report.figure import Figure, Floats, axis, blank, f32, frame, thin
from misfire.report.markup import Table
from misfire.report.style import COOL, FAINT, HOT, INK, SIDE
from misfire.report.words import count, finite, items, table


def _pattern(result: Mapping[str, Any], name: str) -> list[float | None]:
    return [finite(x) for x in items(table(result.get("pattern")).get(name))]


def _wheel_angles(result: Mapping[str, Any], positions: int) -> Floats:
    given = [finite(x) for x in items(table(table(result.get("engine")).get("wheel")).get("angles_deg"))]
    if len(given) == positions and None not in given:
        return np.array(given, dtype=float)
    return np.arange(positions) * 360.0 / positions


def _gaps(error: Sequence[float | None], angle: Floats) -> list[tuple[float, float]]:
    """Angles [deg] that hold no tooth, from the last tooth before to the first one after."""
    n, out = len(error), []
    for k in range(n):
        if error[k] is None and error[k - 1] is not None:
            length = next((j for j in range(n) if error[(k + j) % n] is not None), 0)
            start = float(angle[k - 1]) % 360
            out.append((start, start + ((float(angle[(k + length) % n]) - start) % 360)))
    return out


def pattern_table(result: Mapping[str, Any], caption: str) -> Table | None:
    """The learned pattern by position."""
    error, sd = _pattern(result, "tooth_error_deg"), _pattern(result, "tooth_error_sd_deg")
    if not any(e is not None for e in error):
        return None
    angle = _wheel_angles(result, len(error))
    sd += [None] * (len(error) - len(sd))
    return Table(
        caption,
        ["Position", "Angle on the wheel (deg)", "Error (deg)", "Standard deviation (deg)"],
        [
            [
                str(k),
                f"{angle[k]:.1f}",
                "no tooth" if e is None else f"{e:+.4f}",
                "–" if s is None else f"{s:.4f}",
            ]
            for k, (e, s) in enumerate(zip(error, sd, strict=False))
        ],
    )


@dataclass(frozen=True)
class _Teeth:
    """The learned pattern of those teeth that are there; arrays of shape (teeth,), in degrees."""

    angle: Floats
    error: Floats
    sd: Floats
    gaps: list[tuple[float, float]]

    @property
    def top(self) -> float:
        """Largest error with twice its deviation: the unit of the round drawing."""
        return float(np.max(np.abs(self.error) + 2 * self.sd)) or 0.01


def _teeth(result: Mapping[str, Any]) -> _Teeth:
    error, sd = _pattern(result, "tooth_error_deg"), _pattern(result, "tooth_error_sd_deg")
    angle = _wheel_angles(result, len(error))
    there = np.array([e is not None for e in error])
    e = np.array([0.0 if v is None else v for v in error])[there]
    s = np.array([0.0 if v is None else v for v in [*sd, *[None] * len(error)][: len(error)]])[there]
    return _Teeth(angle[there], e, s, _gaps(error, angle))


def tooth_pattern(result: Mapping[str, Any]) -> Figure:
    """The learned tooth pattern around the wheel with its uncertainty and the gap."""
    key, question = "wheel", "Where on the wheel do the teeth come early or late?"
    behind = pattern_table(result, "Learned tooth pattern")
    if behind is None:
        return Figure(
            key,
            question,
            why="No tooth pattern could be learned: it takes a coast-down in fuel cut or a change of speed.",
        )
    teeth = _teeth(result)
    a, e, s = teeth.angle, teeth.error, teeth.sd
    plot = make_subplots(
        2, 1, specs=[[{"type": "polar"}], [{"type": "xy"}]], row_heights=[0.6, 0.4], vertical_spacing=0.12
    )
    plot.update_layout(template=None, **frame(600))
    _ring(plot, teeth)
    _marks(plot, teeth)
    _gap_marks(plot, teeth)
    _round_axes(plot, teeth.top)
    plot.update_xaxes(
        **axis("angle on the wheel after the gap (deg)", range=[-4, 364], dtick=60), row=2, col=1
    )
    plot.update_yaxes(**axis("error (deg)", zeroline=True, zerolinecolor=INK, nticks=7), row=2, col=1)
    big = int(np.argmax(np.abs(e)))
    return Figure(
        key,
        question,
        "Above, the wheel as the sensor sees it: outside the ring a tooth comes late, inside early, "
        "much enlarged. Below, "
        "the same in degrees; bars are twice the standard deviation. Position 0 is the first tooth "
        "after the longest gap. "
        "The parts that repeat with every firing are taken out.",
        f"Tooth error around the wheel in degrees. {e.size} teeth, root mean square "
        f"{np.sqrt(np.mean(e**2)):.4f}, from "
        f"{e.min():+.4f} to {e.max():+.4f}; largest at {a[big]:.0f} degrees; median standard deviation "
        f"{np.median(s):.4f}.",
        plot,
        legend=[("▲", HOT, "late"), ("●", COOL, "early"), ("■", FAINT, "no tooth")],
        tables=[behind],
    )


def _ring(plot: go.Figure, teeth: _Teeth) -> None:
    """The nominal wheel, and a stem from it to each tooth."""
    top, e = teeth.top, teeth.error
    ring = np.linspace(0, 360, 181)
    stems = np.stack([np.full(e.size, 3 * top), 3 * top + e, np.full(e.size, np.nan)], 1).ravel()
    for r, theta in ((ring * 0 + 3 * top, ring), (stems, np.repeat(teeth.angle, 3))):
        plot.add_trace(
            go.Scatterpolar(
                r=f32(r),
                theta=f32(theta),
                mode="lines",
                line={"color": INK, "width": 1},
                hoverinfo="skip",
            ),
            1,
            1,
        )


def _marks(plot: go.Figure, teeth: _Teeth) -> None:
    """Late and early teeth, around the wheel and laid out below."""
    a, e, s = teeth.angle, teeth.error, teeth.sd
    late = e > 0
    for part, symbol, colour in ((late, "triangle-up", HOT), (~late, "circle", COOL)):
        marker = {"symbol": symbol, "color": colour, "size": 7}
        r = f32(3 * teeth.top + e[part])
        plot.add_trace(
            go.Scatterpolar(r=r, theta=f32(a[part]), mode="markers", marker=marker, hoverinfo="skip"), 1, 1
        )
        bars = {"array": f32(2 * s[part]), "color": colour, "thickness": 1, "width": 0}
        plot.add_trace(
            go.Scatter(
                x=f32(a[part]),
                y=f32(e[part]),
                mode="markers",
                marker=marker,
                error_y=bars,
                hovertemplate="%{x:.1f} deg: %{y:+.4f} deg<extra></extra>",
            ),
            2,
            1,
        )


def _gap_marks(plot: go.Figure, teeth: _Teeth) -> None:
    """Where there is no tooth, in both drawings."""
    shapes: list[dict[str, Any]] = []
    names: list[dict[str, Any]] = []
    for low, high in teeth.gaps:
        arc = np.linspace(low, high, 24)
        plot.add_trace(
            go.Scatterpolar(
                r=f32(np.concatenate([arc * 0 + 2.4 * teeth.top, arc * 0 + 3.6 * teeth.top])),
                theta=f32(np.concatenate([arc, arc[::-1]])),
                fill="toself",
                fillcolor=FAINT,
                mode="lines",
                line={"color": SIDE, "width": 1, "dash": "dot"},
                hoverinfo="skip",
            ),
            1,
            1,
        )
        shapes.append({"type": "rect", "x0": low, "x1": min(high, 364), "y0": 0, "y1": 1})
        names.append({"text": "gap", "x": min((low + high) / 2, 350), "y": 1.0})
    for shape in shapes:
        shape.update(xref="x", yref="y domain", fillcolor=FAINT, line={"width": 0}, layer="below")
    for name in names:
        name.update(xref="x", yref="y domain", showarrow=False, yanchor="bottom")
    plot.update_layout(shapes=shapes, annotations=names)


def _round_axes(plot: go.Figure, top: float) -> None:
    plot.update_layout(margin={"l": 52, "r": 40, "t": 40, "b": 46})
    plot.update_polars(
        bgcolor="rgba(0,0,0,0)",
        radialaxis={
            "range": [0, 4.3 * top],
            "showticklabels": False,
            "ticks": "",
            "showline": False,
            "showgrid": False,
        },
        angularaxis={
            "direction": "clockwise",
            "rotation": 90,
            "ticksuffix": "°",
            "dtick": 45,
            "gridcolor": "#d9dcde",
        },
    )


def edge_faults(result: Mapping[str, Any]) -> Figure:
    """Where edges were lost or added, by angle and by time."""
    key, question = "edges", "Where and when were crank edges lost or added?"
    sig = table(result.get("signal"))
    extra, lost = finite(sig.get("extra_edges")), finite(sig.get("lost_edges"))
    faults = [table(x) for x in items(sig.get("faults"))]
    time = np.array([finite(x.get("time_s")) for x in faults], dtype=float)
    wheel = table(table(result.get("engine")).get("wheel"))
    pitch = 360.0 / (finite(wheel.get("positions")) or len(_pattern(result, "tooth_error_deg")) or 360.0)
    place = np.array([finite(x.get("position")) for x in faults], dtype=float) * pitch
    angle = np.array([finite(x.get("angle_deg")) for x in faults], dtype=float)
    angle = np.where(np.isfinite(angle), angle, place)
    kind = np.array([str(x.get("kind", "")) for x in faults])
    good = np.isfinite(time) & np.isfinite(angle) if faults else np.zeros(0, dtype=bool)
    if not good.any():
        why = f"The result counts {count(extra)} edges too many and {count(lost)} lost, but not their places."
        if extra == 0 and lost == 0:
            why = "No edge was lost or added in this log, so there is nothing to place."
        elif extra is None and lost is None:
            why = "The result says nothing about lost or added edges."
        return Figure(key, question, why=why)
    plot = blank(360)
    drawn = np.flatnonzero(good)
    for name, symbol, colour in (
        ("extra", "triangle-up", HOT),
        ("lost", "x", COOL),
        ("break", "square-open", SIDE),
    ):
        k = drawn[kind[drawn] == name]
        if k.size:
            keep = k[thin(np.ones(k.size, dtype=bool), time[k], angle[k], 0)]
            plot.add_trace(
                go.Scatter(
                    x=f32(angle[keep] % 360),
                    y=f32(time[keep]),
                    mode="markers",
                    marker={"symbol": symbol, "color": colour, "size": 8},
                    hovertemplate="%{x:.0f} deg, %{y:.2f} s<extra>" + name + "</extra>",
                )
            )
    plot.update_xaxes(**axis("angle on the wheel after the gap (deg)", range=[-5, 365], dtick=60))
    plot.update_yaxes(**axis("time in the log (s)", rangemode="tozero"))
    class_ = (angle[good] % 360 // 30).astype(int)
    rows = [
        [
            f"{30 * k} to {30 * k + 30}",
            count(int(((class_ == k) & (kind[good] == "extra")).sum())),
            count(int(((class_ == k) & (kind[good] == "lost")).sum())),
        ]
        for k in range(12)
    ]
    return Figure(
        key,
        question,
        "A column over one angle points to the wheel or a magnetised spot; marks all over point to "
        "wiring, sensor or a "
        "disturbance in time.",
        f"Edge faults by angle and time: {count(extra)} too many, {count(lost)} lost; {int(good.sum())} "
        f"with a place.",
        plot,
        legend=[("▲", HOT, "edge too many"), ("✕", COOL, "edge lost"), ("□", SIDE, "numbering restarted")],
        tables=[Table("Faults by angle on the wheel", ["Angle (deg)", "Too many", "Lost"], rows)],
    )
