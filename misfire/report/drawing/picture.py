"""A whole figure at one width: places its axes, draws grid, traces, frames and words."""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from misfire.report.drawing import marks
from misfire.report.drawing.axis import Floats, Scale, auto_range, plain, text_px
from misfire.report.drawing.marks import n

# name -> width [px] that the picture is laid out for; the page shows the one that comes nearest
NARROW_HEIGHT = 0.8  # of the height at other widths: on a phone and on paper room is short
WIDTHS = {"narrow": 344, "middle": 680, "wide": 950}


def pictures(figure: Any, key: str, small: Any = None) -> str:
    """The figure as three pictures, of which style sheets show one; `small` for the narrow one. Text in it is escaped."""
    specs = dict.fromkeys(WIDTHS, _unpacked(figure.to_dict()))
    if small is not None:
        specs["narrow"] = _unpacked(small.to_dict())
    return "".join(Picture(specs[k], f"{key}-{k[0]}", width).svg(k) for k, width in WIDTHS.items())


def picture_file(figure: Any, alt: str) -> str:
    """The figure as a vector file of its own, on a light or dark ground as its reader likes; `alt` is its description."""
    drawn = Picture(_unpacked(figure.to_dict()), "p", WIDTHS["middle"])
    body, height = drawn.svg("middle"), n(drawn.height)
    body = body[body.index(">") + 1 :]
    size = f'width="{WIDTHS["middle"]}" height="{height}" viewBox="0 0 {WIDTHS["middle"]} {height}"'
    style = (
        'text{fill:#1b2025;font-family:system-ui,"Segoe UI","DejaVu Sans",sans-serif}'
        ".g{stroke:#d9dcde;fill:none}.z{stroke:#8b9197;fill:none}.ground{fill:#fff}"
        "@media (prefers-color-scheme:dark){text{fill:#e8eaec}.g{stroke:#333c44}.z{stroke:#78818a}.ground{fill:#14181c}}"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"><title>{html.escape(alt)}</title>'
        f'<style>{style}</style><rect class="ground" width="100%" height="100%"/>{body}\n'
    )


def _unpacked(value: Any) -> Any:
    """The figure's description with its packed numbers as arrays."""
    if isinstance(value, dict):
        if "bdata" in value:
            return np.frombuffer(base64.b64decode(value["bdata"]), np.dtype(value["dtype"]))
        return {k: _unpacked(v) for k, v in value.items()}
    return [_unpacked(v) for v in value] if isinstance(value, list) else value


class Picture:
    """One figure at one width."""

    def __init__(self, spec: Mapping[str, Any], name: str, width: float) -> None:
        self.name, self.width = name, width
        self.shrink = 0.75 if width < 500 else 1.0  # marks on a phone would hide each other
        self._taken: list[tuple[float, float, float, float]] = []
        self.traces: list[Mapping[str, Any]] = [t for t in spec["data"] if t.get("visible", True)]
        self.layout: Mapping[str, Any] = spec["layout"]
        self.height = float(self.layout["height"])
        squares = (self.layout.get("meta") or {}).get("squares")
        if width < 500:
            self.height = round(self.height * NARROW_HEIGHT)
        if squares:
            self.height = min(self.height, round(squares[0] * (width / squares[1]) * 0.92 + 60))
        self.scales = {
            k.replace("axis", ""): Scale(v, *self._range(k.replace("axis", ""), v))
            for k, v in self.layout.items()
            if k[:5] in ("xaxis", "yaxis")
        }
        margin = self.layout["margin"]
        self.left = max([float(margin["l"]) - 14, *(self._label_room(s) for a, s in self._leftmost())])
        self.right, self.top = float(margin["r"]), float(margin["t"])
        self.bottom = float(margin["b"])
        for name_, scale in self.scales.items():
            scale.from_px, scale.to_px = self._domain(name_)
        self._square()

    # -- where things stand

    def _leftmost(self) -> list[tuple[str, Scale]]:
        return [
            (a, s)
            for a, s in self.scales.items()
            if a[0] == "y" and self._anchor(a).get("domain", [0])[0] < 0.01
        ]

    def _label_room(self, scale: Scale) -> float:
        room = 10.0 + (17.0 if plain((scale.spec.get("title") or {}).get("text")) else 0.0)
        if scale.spec.get("showticklabels", True):
            scale.from_px, scale.to_px = self.height - 60.0, 20.0
            room += max((text_px(t, 11) for _, t in scale.ticks(True)), default=0.0)
        return min(room, 0.42 * self.width)

    def _anchor(self, name: str) -> Mapping[str, Any]:
        """The axis that this one stands on."""
        other = str((self.layout.get(name[0] + "axis" + name[1:]) or {}).get("anchor") or "")
        other = other if other[:1] in ("x", "y") else ("y" if name[0] == "x" else "x") + name[1:]
        return self.layout.get(other[0] + "axis" + other[1:]) or {}

    def _domain(self, name: str) -> tuple[float, float]:
        low, high = self.scales[name].spec.get("domain") or (0.0, 1.0)
        return self._paper(name[0], low), self._paper(name[0], high)

    def _paper(self, axis: str, share: float) -> float:
        """Place [px] of a share of the drawing area, which grows to the right and upward."""
        if axis == "x":
            return self.left + share * (self.width - self.left - self.right)
        return self.height - self.bottom - share * (self.height - self.top - self.bottom)

    def _domain_px(self, x: str, y: str) -> tuple[float, float, float, float]:
        """Left, top, right and bottom [px] of a pair of axes."""
        a, b = self.scales[x], self.scales[y]
        return a.from_px, b.to_px, a.to_px, b.from_px

    def _square(self) -> None:
        """Axes tied to one scale: the longer one is cut to the shorter one, its middle kept."""
        for name, s in self.scales.items():
            other = self.scales.get(str(s.spec.get("scaleanchor") or ""))
            if name[0] != "y" or other is None:
                continue
            per_px = max((s.high - s.low) / s.length_px, (other.high - other.low) / other.length_px)
            for a in (s, other):
                middle, half = (a.from_px + a.to_px) / 2, (a.high - a.low) / per_px / 2
                sign = 1 if a.to_px > a.from_px else -1
                a.from_px, a.to_px = middle - sign * half, middle + sign * half

    def _range(self, name: str, spec: Mapping[str, Any]) -> tuple[float, float]:
        if spec.get("range") is not None:
            low, high = (float(v) for v in spec["range"])
            return low, high
        root = str(spec.get("matches") or name)
        family = {root} | {
            k.replace("axis", "")
            for k, v in self.layout.items()
            if k[1:5] == "axis" and v.get("matches") == root
        }
        parts = [np.zeros(0)]
        for t in self.traces:
            if t.get(f"{name[0]}axis", name[0]) in family and t.get(name[0]) is not None:
                v = np.asarray(t[name[0]], dtype=float)
                e = (t.get(f"error_{name[0]}") or {}).get("array")
                parts += [v] if e is None else [v - np.asarray(e, float), v + np.asarray(e, float)]
        return auto_range(np.concatenate(parts), spec)

    # -- drawing

    def svg(self, variant: str) -> str:
        """The picture as an element of the page."""
        pairs = self._pairs()
        body = self._shapes("below", pairs)
        body += "".join(self._grid(x, y) for x, y in pairs)
        for k, t in enumerate(self.traces):
            body += self._polar(t) if t["type"] == "scatterpolar" else self._trace(t, f"{self.name}{k}")
        body += self._shapes("above", pairs) + "".join(self._frame(x, y) for x, y in pairs) + self._round()
        body += "".join(self._note(a) for a in self.layout.get("annotations") or ())
        h = n(self.height)
        return f'<svg class="{variant}" viewBox="0 0 {self.width} {h}" aria-hidden="true">{body}</svg>'

    def _pairs(self) -> list[tuple[str, str]]:
        """Pairs of axes that hold a trace; a place of the grid that holds none stays blank."""
        used = {str(t.get("xaxis") or "x") for t in self.traces if t["type"] != "scatterpolar"}
        out = []
        for name, s in self.scales.items():
            if name in used:
                y = str(s.spec.get("anchor") or "y" + name[1:])
                out.append((name, y if y in self.scales else "y" + name[1:]))
        return out

    def _grid(self, x: str, y: str) -> str:
        a, b = self.scales[x], self.scales[y]
        left, top, right, bottom = self._domain_px(x, y)
        d = ""
        if a.spec.get("showgrid", True):
            d += "".join(f"M{n(p)} {n(top)}V{n(bottom)}" for p, _ in a.ticks(False))
        if b.spec.get("showgrid", True):
            d += "".join(f"M{n(left)} {n(p)}H{n(right)}" for p, _ in b.ticks(True))
        zero = ""
        if a.spec.get("zeroline") and bool(a.inside([0])[0]):
            zero += f"M{n(float(a.px(0)))} {n(top)}V{n(bottom)}"
        if b.spec.get("zeroline") and bool(b.inside([0])[0]):
            zero += f"M{n(left)} {n(float(b.px(0)))}H{n(right)}"
        return f'<path class="g" d="{d}"/>' + (f'<path class="z" d="{zero}"/>' if zero else "")

    def _frame(self, x: str, y: str) -> str:
        """Axis lines are left out: the grid bounds the area. Labels and titles stand outside it."""
        a, b = self.scales[x], self.scales[y]
        left, top, right, bottom = self._domain_px(x, y)
        out, deep, wide = "", 0.0, 0.0
        if a.spec.get("showticklabels", True):
            out += "".join(marks.text(p, bottom + 17, t) for p, t in a.ticks(False))
            deep = 17.0
        if b.spec.get("showticklabels", True):
            rows = b.ticks(True)
            out += "".join(marks.text(left - 6, p + 4, t, "end") for p, t in rows)
            wide = max((text_px(t, 11) for _, t in rows), default=0.0)
        title = plain((a.spec.get("title") or {}).get("text"))
        out += marks.text((left + right) / 2, bottom + deep + 17, title, size=12)
        title = plain((b.spec.get("title") or {}).get("text"))
        if len(title) <= 2:
            return out + marks.text(left - wide - 14, (top + bottom) / 2 + 5, title, "end", 13)
        return out + marks.text(left - wide - 13, (top + bottom) / 2, title, size=12, turn=True)

    def _trace(self, t: Mapping[str, Any], name: str) -> str:
        x, y = str(t.get("xaxis") or "x"), str(t.get("yaxis") or "y")
        a, b = self.scales[x], self.scales[y]
        if t["type"] == "bar":
            return self._bars(t, a, b, name)
        vx, vy = np.asarray(t["x"], dtype=float), np.asarray(t["y"], dtype=float)
        px, py = a.px(vx), b.px(vy)
        mode, out = str(t.get("mode", "markers")), ""
        if "lines" in mode:
            left, top, right, bottom = self._domain_px(x, y)
            box = f"M{n(left)} {n(top)}H{n(right)}V{n(bottom)}H{n(left)}z"
            out += f'<clipPath id="{name}"><path d="{box}"/></clipPath><g clip-path="url(#{name})">'
            out += marks.line(px, py, t.get("line") or {}) + "</g>"
        seen = a.inside(vx) & b.inside(vy)
        for axis, scale in (("x", a), ("y", b)):
            error = t.get(f"error_{axis}")
            if error is not None and error.get("array") is not None:
                out += self._errors(error, axis, scale, vx, vy, px, py, seen)
        if "markers" in mode:
            marker = dict(t.get("marker") or {})
            size_px = np.asarray(marker.get("size", 6), dtype=float)
            marker["size"] = (size_px[seen] if size_px.ndim else size_px) * self.shrink
            out += marks.symbols(px[seen], py[seen], marker)
        if "text" in mode and t.get("text") is not None:
            out += self._words(t, a, px, py, seen)
        return out

    def _words(self, t: Mapping[str, Any], across: Scale, px: Floats, py: Floats, seen: Any) -> str:
        """Values beside their marks or, in the middle, on them.

        `meta.room` is the width [units of the axis] that a text may take, `meta.forms` pairs of the widest text of a
        form and all texts in it, the longest form first: the first that fits is written, for all texts or for none.
        """
        how, out = str(t.get("textposition")), ""
        sizes = np.broadcast_to(np.asarray((t.get("marker") or {}).get("size", 6), dtype=float), px.shape)
        size = max(10.0, float((t.get("textfont") or {}).get("size", 11)))
        meta, written = t.get("meta") or {}, t["text"]
        if meta:
            room = float(meta["room"]) / (across.high - across.low) * across.length_px
            written = next((w for widest, w in meta["forms"] if text_px(widest, size) <= room), [])
        for p, q, s, words, ok in zip(px, py, sizes * self.shrink, written, seen, strict=False):
            low = q + {"bottom": s / 2 + size, "middle": 0.36 * size}.get(how.split(" ")[0], -s / 2 - 2)
            if ok and words and self._free(p, low, plain(words), size):
                out += marks.text(p, low, words, size=size)
        return out

    def _free(self, x: float, y: float, words: str, size: float) -> bool:
        """Take the place of a value beside its mark, if no other value stands there."""
        half = text_px(words, size) / 2
        box = (x - half, y - size, x + half, y + 1)
        if any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in self._taken):
            return False
        self._taken.append(box)
        return True

    def _errors(
        self,
        error: Mapping[str, Any],
        axis: str,
        scale: Scale,
        vx: Floats,
        vy: Floats,
        px: Floats,
        py: Floats,
        seen: Any,
    ) -> str:
        up = np.asarray(error["array"], dtype=float)
        down = up if error.get("symmetric", True) else np.asarray(error["arrayminus"], dtype=float)
        v = vx if axis == "x" else vy
        lo = scale.px(np.clip(scale.of(v - down), scale.low, scale.high) if not scale.log else v - down)
        hi = scale.px(np.clip(scale.of(v + up), scale.low, scale.high) if not scale.log else v + up)
        if axis == "x":
            return marks.error_bars((lo[seen], py[seen]), (hi[seen], py[seen]), error)
        return marks.error_bars((px[seen], lo[seen]), (px[seen], hi[seen]), error)

    def _bars(self, t: Mapping[str, Any], a: Scale, b: Scale, name: str) -> str:
        lying = t.get("orientation") == "h"
        along, across = (a, b) if lying else (b, a)
        value = np.asarray(t["x"] if lying else t["y"], dtype=float)
        place = np.asarray(t["y"] if lying else t["x"], dtype=float)
        half = np.broadcast_to(np.asarray(t.get("width", 0.8), dtype=float), place.shape) / 2
        foot = np.full(value.shape, along.from_px)
        if not along.log:
            foot = along.px(np.clip(np.zeros(value.shape), along.low, along.high))
        tip = along.px(value)
        c0, c1 = across.px(place - half), across.px(place + half)
        low, high, near, far = (
            np.minimum(foot, tip),
            np.maximum(foot, tip),
            np.minimum(c0, c1),
            np.maximum(c0, c1),
        )
        box = np.stack(
            [low, near, high - low, far - near] if lying else [near, low, far - near, high - low], 1
        )
        box = box[np.isfinite(box).all(axis=1)]
        marker = t.get("marker") or {}
        colour, shape = marker.get("color", "currentColor"), (marker.get("pattern") or {}).get("shape") or ""
        good = np.isfinite(value)
        many = [colour] * value.size if isinstance(colour, str) else list(colour)
        forms = [shape] * value.size if isinstance(shape, str) else list(shape)
        out = marks.bars(
            box,
            [c for c, ok in zip(many, good, strict=True) if ok],
            [s for s, ok in zip(forms, good, strict=True) if ok],
            name,
        )
        if t.get("text") is not None and lying:
            for p, q, words in zip(tip, across.px(place), t["text"], strict=True):
                out += marks.text(float(p) + 5, float(q) + 4, words, "start")
        return out

    def _shapes(self, layer: str, pairs: list[tuple[str, str]]) -> str:
        out = ""
        for s in self.layout.get("shapes") or ():
            if str(s.get("layer", "above")) != layer:
                continue
            x0, x1 = (self._place("x", str(s.get("xref", "x")), s[k]) for k in ("x0", "x1"))
            y0, y1 = (self._place("y", str(s.get("yref", "y")), s[k]) for k in ("y0", "y1"))
            if s["type"] == "line":
                out += f'<path d="M{n(x0)} {n(y0)}L{n(x1)} {n(y1)}"{marks.stroke(s.get("line") or {})}/>'
            else:
                box = f'x="{n(min(x0, x1))}" y="{n(min(y0, y1))}" width="{n(abs(x1 - x0))}" height="{n(abs(y1 - y0))}"'
                edge = s.get("line") or {}
                drawn = marks.stroke(edge) if edge.get("width") else ""
                # a named one stands for something measured, as the marks of a trace do
                kind = ' class="m"' if s.get("name") else ""
                out += f'<rect{kind} {box} fill="{s.get("fillcolor", "none")}"{drawn}/>'
        return out

    def _place(self, axis: str, ref: str, value: float) -> float:
        """Place [px] of a value that stands on an axis, on a share of its length, or on a share of the area."""
        if ref == "paper":
            return self._paper(axis, float(value))
        scale = self.scales[ref.split(" ")[0]]
        if ref.endswith(" domain"):
            return scale.from_px + float(value) * (scale.to_px - scale.from_px)
        return float(scale.px(value))

    def _note(self, a: Mapping[str, Any]) -> str:
        x = self._place("x", str(a.get("xref", "paper")), a["x"])
        y = self._place("y", str(a.get("yref", "paper")), a["y"]) - float(a.get("yshift") or 0)
        y += {"bottom": -4.0, "top": 12.0}.get(str(a.get("yanchor")), 4.0)
        anchor = {"left": "start", "right": "end"}.get(str(a.get("xanchor")), "middle")
        return marks.text(x, y, a.get("text"), anchor, float((a.get("font") or {}).get("size", 12)))

    # -- the wheel, which is round

    def _circle(self) -> tuple[float, float, float, float]:
        """Middle [px], radius [px] and the value at the radius."""
        polar = self.layout["polar"]
        (x0, x1), (y0, y1) = polar["domain"]["x"], polar["domain"]["y"]
        left, right = self._paper("x", x0), self._paper("x", x1)
        bottom, top = self._paper("y", y0), self._paper("y", y1)
        radius = min(right - left, bottom - top) / 2 - 6
        return (left + right) / 2, (top + bottom) / 2, radius, float(polar["radialaxis"]["range"][1])

    def _polar(self, t: Mapping[str, Any]) -> str:
        cx, cy, radius, most = self._circle()
        r = np.asarray(t["r"], dtype=float) / most * radius
        turn = np.radians(np.asarray(t["theta"], dtype=float))
        x, y = cx + r * np.sin(turn), cy - r * np.cos(turn)
        if "markers" in str(t.get("mode")):
            marker = dict(t.get("marker") or {})
            return marks.symbols(x, y, marker | {"size": float(marker.get("size", 6)) * self.shrink})
        fill = f' fill="{t["fillcolor"]}"' if t.get("fill") == "toself" else ""
        return marks.line(x, y, t.get("line") or {}, fill)

    def _round(self) -> str:
        if "polar" not in self.layout:
            return ""
        cx, cy, radius, _ = self._circle()
        axis = self.layout["polar"]["angularaxis"]
        out, spokes = "", ""
        for deg in range(0, 360, int(axis["dtick"])):
            s, c = math.sin(math.radians(deg)), math.cos(math.radians(deg))
            spokes += f"M{n(cx)} {n(cy)}L{n(cx + radius * s)} {n(cy - radius * c)}"
            anchor = "middle" if abs(s) < 0.1 else "start" if s > 0 else "end"
            out += marks.text(cx + (radius + 7) * s, cy - (radius + 9) * c + 4, f"{deg}°", anchor)
        return f'<path class="g" d="{spokes}"/>{out}'
