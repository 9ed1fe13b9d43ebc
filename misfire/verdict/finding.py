"""A finding as the contract's dict, and how cylinders are named in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from misfire.verdict.evidence import Evidence, Label

MOST_UNUSABLE = 0.85  # of the firings; beyond, nothing but the signal is a firm finding (our choice)


def finding(
    cause: str,
    cylinders: Sequence[Label],
    confidence: float,
    detail: dict[str, Any],
    evidence: list[str],
    steps: list[str],
) -> dict[str, Any]:
    """A finding of the result; `confidence` 0..1."""
    return {
        "cause": cause,
        "cylinders": list(cylinders),
        "confidence": round(float(min(max(confidence, 0.0), 0.999)), 3),
        "detail": detail,
        "evidence": evidence,
        "next_steps": steps,
    }


def pair_of(ev: Evidence, label: Label) -> list[Label]:
    """The label itself, or both companions when the phase is unknown."""
    if ev.phase != "unknown" or not ev.engine.companions:
        return [label]
    if isinstance(label, int):
        mate = ev.engine.companions.get(label)
        return [label] if mate is None else sorted([label, mate])
    i = ord(label) - ord("A")
    return [label, chr(ord("A") + (i + ev.engine.cylinders // 2) % ev.engine.cylinders)]


def name_of(label: Label) -> str:
    """A cylinder or a place in words."""
    return f"cylinder {label}" if isinstance(label, int) else f"place {label}"


def listed(labels: Sequence[Label]) -> str:
    """Labels as a list in words: 1, 2 and 3."""
    words = [str(x) for x in labels]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def both_companions(cylinders: Sequence[Label], ev: Evidence) -> bool:
    """True when every cylinder of the list stands there with its companion."""
    mates = [ev.engine.companions.get(c) for c in cylinders if isinstance(c, int)]
    return bool(mates) and len(mates) == len(cylinders) and all(m in cylinders for m in mates)


def misfire_steps(kind: str) -> list[str]:
    """What to do next about a misfire of this kind (one, companions, several, whole_engine), cheapest first."""
    if kind == "companions":
        return [
            "Companions with one coil: check that coil, its supply and both leads first.",
            "If each cylinder has its own coil: check what the two share (injector supply, driver, head gasket between neighbours).",
            "Follow the vehicle's service manual; save freeze frame, counts and codes before clearing anything.",
        ]
    if kind in ("several", "whole_engine"):
        return [
            "Several cylinders: check what they share first (fuel pressure, air leak, ignition supply, mixture).",
            "Then plugs and coils cylinder by cylinder; follow the service manual.",
        ]
    return [
        "Check the plug and the coil; swap the coil with another cylinder, record again and use `misfire compare --swapped`.",
        "If the misfire stays: injector (swap it the same way), then compression and leak-down.",
        "Save freeze frame, counts and codes before clearing; follow the service manual.",
    ]
