"""How far the work is, for whoever shows it; nothing is printed here."""

from __future__ import annotations

_now: tuple[str, float | None] = ("", None)


def step(what: str, share: float | None = None) -> None:
    """Say what is being done and, where known, which share (0..1) of it is done."""
    global _now
    _now = (what, None if share is None else min(max(share, 0.0), 1.0))


def now() -> tuple[str, float | None]:
    """What was said last."""
    return _now
