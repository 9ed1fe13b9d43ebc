"""Traces as paths: all marks of a trace in one element, so that a page with thousands of them stays light.

Every `size` and place (x, y) is in pixels of the drawing.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.report.drawing.axis import plain

Floats = npt.NDArray[np.float64]

_DASH = {"dash": "6 4", "dot": "1.5 3", "dashdot": "6 3 1.5 3"}


def n(x: float) -> str:
    """A coordinate [px] with one decimal; less cannot be seen."""
    text = f"{x:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _polygon(*corners: tuple[float, float]) -> Callable[[float], str]:
    """Corners relative to the middle, in radii, as relative path commands."""

    def draw(r: float) -> str:
        x, y = corners[0]
        out = f"m{n(x * r)} {n(y * r)}"
        for a, b in corners[1:]:
            out += f"l{n((a - x) * r)} {n((b - y) * r)}"
            x, y = a, b
        return out + "z"

    return draw


def _circle(r: float) -> str:
    return f"m{n(-r)} 0a{n(r)} {n(r)} 0 1 0 {n(2 * r)} 0a{n(r)} {n(r)} 0 1 0 {n(-2 * r)} 0z"


def _cross(r: float) -> str:
    return f"m{n(-r)} {n(-r)}l{n(2 * r)} {n(2 * r)}m0 {n(-2 * r)}l{n(-2 * r)} {n(2 * r)}"


_SHAPES: dict[str, Callable[[float], str]] = {
    "circle": _circle,
    "square": _polygon((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "diamond": _polygon((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    "triangle-up": _polygon((0, -1.2), (1.15, 0.8), (-1.15, 0.8)),
    "triangle-right": _polygon((1.2, 0), (-0.8, 1.15), (-0.8, -1.15)),
    "star-diamond": _polygon(
        (0, -1.4), (0.35, -0.35), (1.4, 0), (0.35, 0.35), (0, 1.4), (-0.35, 0.35), (-1.4, 0), (-0.35, -0.35)
    ),
    "x": _cross,
    "line-ew": lambda r: f"m{n(-r)} 0h{n(2 * r)}",
    "line-ns": lambda r: f"m0 {n(-r)}v{n(2 * r)}",
}
_STROKED = ("x", "line-ew", "line-ns")


def symbols(x: Floats, y: Floats, marker: Mapping[str, Any]) -> str:
    """Marks at places [px]; those that fall on the same tenth of a pixel are drawn once."""
    good = np.isfinite(x) & np.isfinite(y)
    size = np.broadcast_to(np.asarray(marker.get("size", 6), dtype=float), x.shape)[good]
    at = np.unique(np.stack([x[good].round(1), y[good].round(1), size.round(1)], 1), axis=0)
    if not at.size:
        return ""
    symbol = str(marker.get("symbol", "circle"))
    hollow, name = symbol.endswith("-open"), symbol.removesuffix("-open")
    colour = html.escape(str(marker.get("color", "currentColor")))
    wide = float((marker.get("line") or {}).get("width") or 1.5)
    if name == "circle" and not hollow and np.ptp(at[:, 2]) == 0:
        # the smallest way to write many dots: lines of no length with round ends
        dots = "".join(f"M{n(a)} {n(b)}h0" for a, b, _ in at.tolist())
        return (
            f'<path class="m" d="{dots}" fill="none" stroke="{colour}" stroke-width="{n(at[0, 2])}" '
            'stroke-linecap="round"/>'
        )
    shape = _SHAPES[name]
    made = {float(s): shape(float(s) / 2) for s in np.unique(at[:, 2])}
    d = "".join(f"M{n(a)} {n(b)}{made[s]}" for a, b, s in at.tolist())
    if hollow or name in _STROKED:
        wide = max(wide, 1.8) if name == "x" else wide
        return f'<path class="m" d="{d}" fill="none" stroke="{colour}" stroke-width="{n(wide)}"/>'
    return f'<path class="m" d="{d}" fill="{colour}"/>'


def line(x: Floats, y: Floats, style: Mapping[str, Any], more: str = "") -> str:
    """A line through places [px]; it breaks where one is not a number. `hvh` steps half way between places."""
    if style.get("shape") == "hvh" and x.size > 1:
        middle = (x[1:] + x[:-1]) / 2
        x = np.concatenate([x[:1], np.repeat(middle, 2), x[-1:]])
        y = np.repeat(y, 2)
    d, pen = "", False
    for a, b, ok in zip(x.tolist(), y.tolist(), (np.isfinite(x) & np.isfinite(y)).tolist(), strict=True):
        if ok:
            d += f"{'L' if pen else 'M'}{n(a)} {n(b)}"
        pen = ok
    return f'<path class="m" d="{d}"{stroke(style)}{more or " fill=" + chr(34) + "none" + chr(34)}/>'


def stroke(style: Mapping[str, Any]) -> str:
    """Attributes of a line."""
    dash = _DASH.get(str(style.get("dash")), "")
    colour = html.escape(str(style.get("color", "currentColor")))
    wide = 1.0 if style.get("width") is None else float(style["width"])
    return f' stroke="{colour}" stroke-width="{n(wide)}"' + (f' stroke-dasharray="{dash}"' if dash else "")


def error_bars(low: tuple[Floats, Floats], high: tuple[Floats, Floats], style: Mapping[str, Any]) -> str:
    """Bars from one place to the other [px], with feet where the figure asks for them."""
    d, foot = "", float(style.get("width") or 0)
    for x0, y0, x1, y1 in zip(*low, *high, strict=True):
        if not np.isfinite([x0, y0, x1, y1]).all():
            continue
        d += f"M{n(x0)} {n(y0)}L{n(x1)} {n(y1)}"
        if foot:
            along = abs(x1 - x0) > abs(y1 - y0)
            for x, y in ((x0, y0), (x1, y1)):
                d += (
                    f"M{n(x)} {n(y - foot)}v{n(2 * foot)}"
                    if along
                    else f"M{n(x - foot)} {n(y)}h{n(2 * foot)}"
                )
    width = {"width": style.get("thickness", 1.5), "color": style.get("color")}
    return f'<path d="{d}" fill="none"{stroke(width)}/>' if d else ""


def bars(boxes: Floats, colours: list[str], shapes: list[str], name: str) -> str:
    """Bars with corners [px] (x, y, width, height); hatched ones keep their colour at the edge."""
    out = []
    for k, look in enumerate(dict.fromkeys(zip(colours, shapes, strict=True))):
        colour, shape = html.escape(look[0]), look[1]
        own = [b for b, c, s in zip(boxes.tolist(), colours, shapes, strict=True) if (c, s) == look]
        d = "".join(
            f"M{n(x)} {n(y)}h{n(w)}v{n(h)}h{n(-w)}z" for x, y, w, h in own if np.isfinite([x, y, w, h]).all()
        )
        if not d:
            continue
        if not shape:
            out.append(f'<path class="m" d="{d}" fill="{colour}"/>')
            continue
        inner = {"/": "M-1 5L5 -1M-1 1L1 -1M3 5L5 3", "x": "M0 0L4 4M4 0L0 4", ".": "M2 2h0.9"}[shape]
        out.append(
            f'<pattern id="{name}-{k}" width="4" height="4" patternUnits="userSpaceOnUse"><path d="{inner}" '
            f'stroke="{colour}" stroke-width="1.1"/></pattern><path class="m" d="{d}" fill="url(#{name}-{k})" '
            f'stroke="{colour}" stroke-width="1"/>'
        )
    return "".join(out)


def text(x: float, y: float, words: Any, anchor: str = "middle", size: float = 11, turn: bool = False) -> str:
    """One line of text; `y` is its base line, `turn` writes it upward."""
    if not plain(words):
        return ""
    how = f' transform="rotate(-90 {n(x)} {n(y)})"' if turn else ""
    side = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{n(x)}" y="{n(y)}" font-size="{n(size)}"{side}{how}>{html.escape(plain(words))}</text>'
