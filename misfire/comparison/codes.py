"""What stored codes change in an answer: codes on cylinders that fire, and a fuelling that is switched off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from misfire.comparison.evidence import Evidence, Overall
from misfire.comparison.names import Label, names
from misfire.comparison.side import Side

# SAE J2012: misfire detected, fueling disabled (restated).
_FUEL_OFF = "P0363"
# From this share of missed firings on a cylinder is dead and not misfiring at random. Our own choice.
_DEAD = 0.95
_GOOD = ("cleared", "cleared_cause_present", "unchanged", "improved")


def with_codes(overall: Overall, before: Sequence[Side], after: Sequence[Side], e: Evidence) -> Overall:
    """The answer, opened again where a code says that the logs alone cannot give it."""
    if any(_FUEL_OFF in s.codes for s in after):
        dead = [c for c, ch in e.found.items() if ch.after[1] and ch.after[0] > _DEAD * ch.after[1]]
        if dead:
            overall.reasons.append(
                f"{_FUEL_OFF} is stored after: the controller may have switched the fuel of {names(dead)} off"
            )
            return replace(
                overall,
                answer="not_proven",
                headline=f"Not proven: {names(dead)} may be dead because the controller switched the fuel off.",
                missing=[*overall.missing, f"a log after the codes were cleared, without {_FUEL_OFF}"],
            )
    accused = _stored(before)
    unread = e.kind != "reported" and accused and not any(ch.material_before for ch in e.found.values())
    if unread and overall.answer in _GOOD:
        return replace(
            overall,
            answer="not_proven",
            headline=f"Not proven: the codes before name firing {names(accused)}, "
            "and what the controller counts now was not read.",
            missing=[
                *overall.missing,
                "the controller counts before and after (--counts-before, --counts-after): the fault was never in "
                "the firing, so the logs cannot show that it is gone",
            ],
        )
    again = {c for s in after for c in _named(s.codes)} & set(overall.cylinders)
    if again and overall.answer in ("cleared", "cleared_cause_present"):
        overall.missing.append(
            f"the codes once more after clearing them and a drive: {names(again)} still has one stored"
        )
    return overall


def _named(codes: Sequence[str]) -> set[Label]:
    """Cylinders that codes P0301 to P0312 name."""
    return {int(c[3:]) for c in codes if c[:3] == "P03" and c[3:].isdigit() and "01" <= c[3:] <= "12"}


def _stored(before: Sequence[Side]) -> list[Label]:
    """Cylinders that codes name and that fire: findings on the controller's stored pattern or on the wheel."""
    out: dict[Label, None] = {}
    for s in before:
        coded = _named(s.codes)
        for f in s.result["verdict"]["findings"]:
            if f["cause"] == "crank_pattern":
                out |= {c: None for c in f["cylinders"] if c in coded}
    return list(out)
