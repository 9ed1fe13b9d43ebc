"""One number of the evidence, with its unit and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Shown:
    """A measured number as the result lists it; `value`, `sd` and `ci95` in [`unit`].

    `p` is the chance of so much by noise alone, corrected for everything that was tried; `limit` what it is held
    against, in words or numbers.
    """

    name: str
    says: str
    value: float
    unit: str = ""
    sd: float | None = None
    ci95: tuple[float, float] | None = None
    p: float | None = None
    limit: str | None = None

    def row(self) -> dict[str, Any]:
        """The row of `verdict.evidence`."""
        out: dict[str, Any] = {
            "name": self.name,
            "says": self.says
            if self.p is None
            else f"{self.says}; chance of so much by noise {chance(self.p)}",
            "value": _short(self.value),
            "unit": self.unit,
            "limit": self.limit,
        }
        if self.sd is not None:
            out["sd"] = _short(self.sd, 2)
        if self.ci95 is not None:
            out["ci95"] = [_short(v) for v in self.ci95]
        if self.p is not None:
            out["p"] = float(f"{self.p:.1e}") if self.p >= 1e-12 else 1e-12
        return out


def chance(p: float) -> str:
    """A chance 0..1 in words that need no powers of ten."""
    if p >= 0.095:
        return f"{p:.1f}"
    return f"1 in {1 / p:,.0f}" if p > 1e-6 else "below 1 in a million"


def _short(x: float, digits: int = 4) -> float:
    return float(f"{x:.{digits}g}")
