"""Lines and sums of the detection benchmark."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.detection.measure import Result

HEAD = (
    f"{'cell':<58}{'plain':>7}{'ours':>7}{'decided':>8}{'ceiling':>8}{'ratio':>7}{'full':>6}{'half':>6}"
    f"{'caught':>9}{'false':>6}{'unus.':>7}{'pred.':>7}{'s':>6}"
)


def line(r: Result) -> str:
    """One cell."""
    return (
        f"{r.cell.name:<58}{r.plain:7.1f}{r.ours:7.1f}{r.decided:8.1f}{r.ceiling:8.1f}{r.ours / r.ceiling:7.2f}"
        f"{r.full:6.2f}{r.half:6.2f}{r.caught:5d}/{r.misfires:<3d}{r.false:6d}{r.unusable:7d}"
        f"{r.predicted:7.1f}{r.seconds:6.1f}"
    )


def undecidable(r: Result) -> bool:
    """More than half of the cell's events are called unusable."""
    return r.unusable > 0.5 * (r.healthy + r.misfires)


def summary(results: list[Result]) -> str:
    """Medians, ratios and counts over the cells."""
    col = {k: np.array([getattr(r, k) for r in results], dtype=float) for k in
           ("plain", "ours", "decided", "ceiling", "full", "half", "healthy", "misfires", "caught", "false",
            "missed", "unusable", "predicted", "seconds")}  # fmt: skip
    fine = np.isfinite(col["ours"]) & np.isfinite(col["ceiling"])
    ratio = (col["ours"] / col["ceiling"])[fine]
    gain = (col["ours"] / col["plain"])[fine]
    closed = np.array([undecidable(r) for r in results])
    out = [
        f"{len(results)} cells, {int(fine.sum())} with enough events for d'; {col['seconds'].sum():.0f} s of CPU",
        f"median d'   plain {np.nanmedian(col['plain']):.1f}   ours {np.nanmedian(col['ours']):.1f}   "
        f"after decide {np.nanmedian(col['decided']):.1f}   ceiling {np.nanmedian(col['ceiling']):.1f}",
        "ours / ceiling   "
        + _quantiles(ratio)
        + f"   below 0.8: {np.mean(ratio < 0.8):.0%}, below 0.6: {np.mean(ratio < 0.6):.0%}",
        "decided / ceiling   " + _quantiles((col["decided"] / col["ceiling"])[fine]),
        "ours / plain     " + _quantiles(gain),
    ]
    for name, pick in (
        ("all cells", np.ones(len(results), dtype=bool)),
        ("ceiling above 12", col["ceiling"] > 12.0),
        ("clock 1 us or better", np.array([r.cell.clock_us <= 1.0 for r in results])),
    ):
        out.append(_counts(name, col, pick, closed))
    open_ = ~closed
    full, half = col["full"][open_], col["half"][open_]
    out.append(
        f"lost work in {int(open_.sum())} decidable cells: full misfire {_quantiles(full)}, within 0.9-1.1 in "
        f"{np.mean((full >= 0.9) & (full <= 1.1)):.0%}; half burn {_quantiles(half)}, within 0.4-0.6 in "
        f"{np.mean((half >= 0.4) & (half <= 0.6)):.0%}"
    )
    if closed.any():
        out.append(
            "undecidable: "
            + "; ".join(f"{r.cell.name} (ceiling {r.ceiling:.1f})" for r in results if undecidable(r))
        )
    return "\n".join(out)


def _quantiles(x: np.ndarray) -> str:  # type: ignore[type-arg]
    x = x[np.isfinite(x)]
    if not x.size:
        return "none"
    return f"median {np.median(x):.2f} (least {x.min():.2f}, tenth {np.quantile(x, 0.1):.2f}, most {x.max():.2f})"


def _counts(name: str, col: dict[str, np.ndarray], pick: np.ndarray, closed: np.ndarray) -> str:  # type: ignore[type-arg]
    s = {
        k: float(v[pick].sum())
        for k, v in col.items()
        if k in ("healthy", "misfires", "caught", "false", "missed")
    }
    decided = s["caught"] + s["missed"]
    return (
        f"{name}: {int(pick.sum())} cells, {int(closed[pick].sum())} undecidable; recall of decided misfires "
        f"{s['caught'] / max(decided, 1):.2%} ({int(s['caught'])}/{int(decided)}, {int(s['misfires'])} in all); "
        f"false alarms {int(s['false'])} in {int(s['healthy'])} healthy firings "
        f"({1e6 * s['false'] / max(s['healthy'], 1):.0f} a million)"
    )
