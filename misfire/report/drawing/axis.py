"""Scales from values to pixels, ticks at round numbers, and their labels.

Every `size` and place is in pixels of the drawing.
"""

from __future__ import annotations

import html
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
CHAR_PX = 7.2  # width of a character at 12 px, that of a digit in the widest font of the page's list


def text_px(text: str, size: float = 12.0) -> float:
    """Estimated width [px] of a text."""
    # a minus and a cross are as wide as a digit and a third, a per cent sign as one and a half
    wide = 0.35 * (text.count("\u2212") + text.count("\u2715")) + 0.5 * text.count("%")
    return (len(text) + wide) * CHAR_PX * size / 12.0


def plain(text: Any) -> str:
    """Text of a figure, which is held with its markup escaped, as text."""
    return html.unescape(str(text or ""))


@dataclass
class Scale:
    """One axis of a figure.

    Attributes
    ----------
    spec : the figure's own description of the axis
    low, high : range [data units; exponents of ten on a logarithmic axis]
    from_px, to_px : where the range lies on the picture [px]
    """

    spec: Mapping[str, Any]
    low: float
    high: float
    from_px: float = 0.0
    to_px: float = 1.0

    @property
    def log(self) -> bool:
        """True when the axis goes by tens."""
        return self.spec.get("type") == "log"

    @property
    def length_px(self) -> float:
        """Length on the picture [px]."""
        return abs(self.to_px - self.from_px)

    def of(self, values: Any) -> Floats:
        """Values in the axis' own units: logarithms on a logarithmic axis."""
        v = np.asarray(values, dtype=float)
        if not self.log:
            return v
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log10(v))

    def px(self, values: Any) -> Floats:
        """Places on the picture [px] of values."""
        return self.from_px + (self.of(values) - self.low) / (self.high - self.low) * (
            self.to_px - self.from_px
        )

    def inside(self, values: Any) -> npt.NDArray[np.bool_]:
        """Which values lie within the range, its ends and a hair included."""
        v = self.of(values)
        hair = 1e-6 * (self.high - self.low)
        return np.asarray(np.isfinite(v) & (v >= self.low - hair) & (v <= self.high + hair))

    def ticks(self, upright: bool) -> list[tuple[float, str]]:
        """Places [px] and labels; so many labels that none touches the next."""
        spec = self.spec
        given = spec.get("tickvals")
        if given is not None:
            values = [float(v) for v in given]
        elif self.log:
            values = [10.0**k for k in range(math.ceil(self.low - 1e-9), math.floor(self.high + 1e-9) + 1)]
        else:
            step = float(spec["dtick"]) if spec.get("dtick") else self._step(upright)
            first = math.ceil(self.low / step - 1e-9)
            values = [k * step for k in range(first, math.floor(self.high / step + 1e-9) + 1)]
        texts = (
            [plain(t) for t in spec["ticktext"]] if spec.get("ticktext") is not None else self._texts(values)
        )
        out = [
            (float(self.px(v)), t) for v, t in zip(values, texts, strict=True) if bool(self.inside([v])[0])
        ]
        need = 13.0 if upright else max((text_px(t, 11) for _, t in out), default=0.0) + 8.0
        gap = min((abs(b[0] - a[0]) for a, b in itertools.pairwise(out)), default=need)
        every = max(1, math.ceil(need / gap)) if gap > 0 else 1
        return [(p, t if k % every == 0 else "") for k, (p, t) in enumerate(out)]

    def _step(self, upright: bool) -> float:
        """The smallest round step (1, 2 or 5 times a power of ten) that leaves room for labels."""
        most = max(2.0, self.length_px / (30.0 if upright else 62.0))
        most = min(most, float(self.spec.get("nticks") or 99))
        raw = (self.high - self.low) / most
        power = 10.0 ** math.floor(math.log10(raw))
        return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))

    def _texts(self, values: list[float]) -> list[str]:
        suffix = plain(self.spec.get("ticksuffix"))
        if self.spec.get("tickformat") == "~s":
            return [(f"{v / 1000:g}k" if v >= 1000 else f"{v:g}") + suffix for v in values]
        places = 0
        while places < 6 and any(abs(round(v, places) - v) > 1e-9 * max(1.0, abs(v)) for v in values):
            places += 1
        return [f"{v + 0.0:,.{places}f}".replace("-", "\u2212") + suffix for v in values]


def auto_range(values: Floats, spec: Mapping[str, Any]) -> tuple[float, float]:
    """A range that holds all values with a little room; zero at its foot where the axis asks for it."""
    v = values[np.isfinite(values)]
    low, high = (float(v.min()), float(v.max())) if v.size else (0.0, 1.0)
    pad = 0.05 * (high - low) or 0.5 * abs(high) or 0.5
    if spec.get("rangemode") == "tozero" and low >= 0:
        return 0.0, high + pad
    return low - pad, high + pad
