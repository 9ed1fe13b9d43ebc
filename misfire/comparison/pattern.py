"""The tooth pattern before and after: same or changed, which teeth, and whether it is stable."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

# Smaller changes are never called one: 0.033 deg moves an event of an eight at 6000 rpm by half a misfire,
# less in other engines, and every learned pattern differs by some hundredths from one warm-up to the next.
SMALLEST_CHANGE_DEG = 0.02
_ALPHA = 0.01


def compare_patterns(
    before: Sequence[dict[str, Any]], after: Sequence[dict[str, Any]], alpha: float = _ALPHA
) -> dict[str, Any]:
    """Compare the learned tooth errors of the logs of both sides.

    Parameters
    ----------
    before, after : sequence of dict
        Results in the form "misfire-analysis"; of each, `pattern` (tooth_error_deg and tooth_error_sd_deg by
        wheel position [deg], None for a missing tooth; stable) and the findings are used.

    Returns
    -------
    dict
        changed : bool, or None when a side has no pattern
        teeth : positions whose edge moved (Holm over all teeth at `alpha`, and more than 0.02 deg)
        difference_deg, difference_sd_deg : after - before by position, None where not known
        largest_difference_deg, stable_before, stable_after, starts_before, starts_after,
        signal_fault_before, signal_fault_after
    """
    sides = {"before": before, "after": after}
    learned = {name: [p for p in map(_learned, logs) if p is not None] for name, logs in sides.items()}
    out: dict[str, Any] = {"changed": None, "teeth": []}
    out["difference_deg"] = out["difference_sd_deg"] = out["largest_difference_deg"] = None
    if learned["before"] and learned["after"]:
        a, b = _pool(learned["before"]), _pool(learned["after"])
        if a[0].size == b[0].size:
            moved, diff, sd = _moved(a, b, alpha)
            known = np.isfinite(diff)
            out["changed"] = bool(moved.size)
            out["teeth"] = [int(i) for i in moved]
            out["difference_deg"] = _listed(diff)
            out["difference_sd_deg"] = _listed(sd)
            out["largest_difference_deg"] = (
                round(float(np.abs(diff[known]).max()), 6) if known.any() else None
            )
    for name, logs in sides.items():
        out[f"stable_{name}"] = _stable(logs, learned[name], alpha)
        out[f"starts_{name}"] = len(logs)
        out[f"signal_fault_{name}"] = any(
            f["cause"] == "sensor_signal" for r in logs for f in r["verdict"]["findings"]
        )
    return out


def pooled_pattern(logs: Sequence[dict[str, Any]], alpha: float = _ALPHA) -> dict[str, Any]:
    """The `pattern` block of all logs of a side: mean of the learned errors, weighted with 1/sd^2, by position.

    That of the first log when none was learned, or when the logs count their positions differently.
    """
    own = [r.get("pattern") or {} for r in logs]
    learned = [p for p in map(_learned, logs) if p is not None]
    if not learned or len({p[0].size for p in learned}) > 1:
        return dict(own[0])
    sources = {str(p.get("learned_from")) for p in own} - {"none", "given", "None"}
    error, sd = _pool(learned)
    return {
        "learned_from": sources.pop() if len(sources) == 1 else "several",
        "turns": sum(p.get("turns") or 0 for p in own if p.get("learned_from") not in ("none", "given")),
        "tooth_error_deg": _listed(error),
        "tooth_error_sd_deg": _listed(sd),
        "stable": _stable(logs, learned, alpha),
    }


def _learned(result: dict[str, Any]) -> tuple[FloatArray, FloatArray] | None:
    pattern = result.get("pattern") or {}
    error, sd = pattern.get("tooth_error_deg") or [], pattern.get("tooth_error_sd_deg") or []
    if pattern.get("learned_from", "none") in ("none", "given") or not error or len(error) != len(sd):
        return None
    pair = [np.array([math.nan if v is None else float(v) for v in row]) for row in (error, sd)]
    return (pair[0], pair[1]) if np.isfinite(pair[0] + pair[1]).any() else None


def _pool(patterns: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Mean over logs weighted with 1/sd^2; the scatter between logs widens the sd where it is larger."""
    error = np.stack([p[0] for p in patterns])
    weight = 1.0 / np.maximum(np.stack([p[1] for p in patterns]), 1e-6) ** 2
    total = weight.sum(axis=0)
    mean = (error * weight).sum(axis=0) / total
    sd = np.sqrt(1.0 / total)
    n = len(patterns)
    if n > 1:
        between = np.sqrt(((error - mean) ** 2 * weight).sum(axis=0) / total / (n - 1))
        sd = np.maximum(sd, between)
    return mean, sd


def _moved(
    a: tuple[FloatArray, FloatArray], b: tuple[FloatArray, FloatArray], alpha: float
) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray]:
    from scipy.special import ndtr

    from misfire.counts import holm

    diff = b[0] - a[0]
    sd = np.hypot(a[1], b[1])
    # The first tooth after a gap is left out: its edge moves with the speed, on one and the same wheel.
    behind_gap = np.isfinite(diff) & ~np.isfinite(np.roll(diff, 1))
    known = np.flatnonzero(np.isfinite(diff) & np.isfinite(sd) & ~behind_gap)
    p = 2.0 * ndtr(-np.abs(diff[known]) / np.maximum(sd[known], 1e-6))
    firm = np.array(holm(list(p))) <= alpha
    return known[firm & (np.abs(diff[known]) > SMALLEST_CHANGE_DEG)], diff, sd


def _stable(
    logs: Sequence[dict[str, Any]], learned: Sequence[tuple[FloatArray, FloatArray]], alpha: float
) -> bool | None:
    """Stable inside every log, and from log to log: a learn holds only for a pattern that comes back."""
    inside = [(r.get("pattern") or {}).get("stable") for r in logs]
    if False in inside:
        return False
    for i, a in enumerate(learned):
        for b in learned[i + 1 :]:
            if a[0].size == b[0].size and _moved(a, b, alpha / len(learned))[0].size:
                return False
    return True if inside and all(v is True for v in inside) else None


def _listed(values: FloatArray) -> list[float | None]:
    return [round(float(v), 6) if math.isfinite(v) else None for v in values]
