"""The answer in one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from misfire.verdict.evidence import Evidence, Label
from misfire.verdict.finding import listed, name_of
from misfire.verdict.misses import LEAST_OPEN, OPEN_FROM

# of the firings that the others have, from which on a cylinder is judged at all (our choice)
LEAST_JUDGED = 0.1


def headline(status: str, found: list[dict[str, Any]], weaker: list[dict[str, Any]], ev: Evidence) -> str:
    """The answer: what was found, else that nothing is wrong, else why nothing can be said."""
    if status == "clear":
        return "No misfire, no wheel fault and no signal fault: every cylinder fires." + _in_part(ev)
    if status == "undetermined":
        return "Not decided: " + _undecided(weaker, ev)
    parts = [_said(f, found, ev) for f in found]
    told = "; ".join([parts[0], *(p[0].lower() + p[1:] for p in parts[1:])]) + "."
    if any("dead_from_s" in m["detail"] for f in found for m in missed_too(f, found)):
        told += " The controller may have shut them off for that."
    return told


def _undecided(weaker: list[dict[str, Any]], ev: Evidence) -> str:
    if ev.engine_doubt:
        if "pattern given" in ev.engine_doubt:
            return "the pattern given is not this wheel's."
        return "the crank does not move like this engine's; check the engine given."
    if weaker:
        top = max(weaker, key=lambda f: f["confidence"])
        if top["cylinders"]:
            many = len(top["cylinders"]) > 1
            return f"{_named(top['cylinders'])} {'deviate' if many else 'deviates'}, and this log cannot say why."
        return "a deviation is there that this log cannot assign."
    if idle := unjudged(ev):
        return f"{_named(idle)} could hardly be judged; the others fire."
    if ev.nothing_fired:
        return "no cylinder fires in this log, so there is nothing to compare with."
    return "this log is too short or too noisy to judge."


def _named(labels: Sequence[Any], who: str = "") -> str:
    word = "place" if isinstance(labels[0], str) else "cylinder"
    return f"{word}{'s' if len(labels) > 1 else ''} {who or listed(labels)}"


def _said(f: dict[str, Any], found: list[dict[str, Any]], ev: Evidence) -> str:
    """One finding, with a capital at its head and no full stop."""
    labels, detail, cause = f["cylinders"], f["detail"], f["cause"]
    if cause == "misfire":
        either = ev.phase == "unknown" and detail["kind"] == "one" and len(labels) == 2
        text = f"True misfire in {_named(labels, f'{labels[0]} or {labels[1]}' if either else '')}"
        return text + (f", dead from {detail['dead_from_s']:.1f} s on" if "dead_from_s" in detail else "")
    if cause == "crank_pattern":
        wheel = detail["where"] == "wheel"
        what = "the crank wheel's pattern is off" if wheel else "the controller's stored pattern does not fit"
        many = len(labels) > 1
        if detail.get("learned"):
            return (
                f"The crank wheel's pattern is off; {_named(labels)} {'fire' if many else 'fires'} and would be counted falsely, "
                f"but the controller has learned it and counts nothing there"
            )
        was = ("were" if many else "was") if detail.get("counted_falsely") else "would be"
        if missed_too(f, found):
            return f"False detection: {what}, and {_named(labels)} {was} counted falsely too"
        return f"False detection: {what}, {_named(labels)} {'fire' if many else 'fires'} and {was} counted falsely"
    if cause == "sensor_signal":
        return "The crank signal is disturbed"
    if cause == "weak_cylinder":
        return f"Weak {_named(labels)}: fires, but gives too little work"
    return f"The driveline swings by itself at {detail['hz']:.1f} Hz, every cylinder fires"


def unjudged(ev: Evidence) -> list[Label]:
    """Cylinders with far fewer judged firings than the others have: the log says nothing of them."""
    usual = float(np.median([c.firings for c in ev.cylinders])) if ev.cylinders else 0.0
    return [c.cylinder for c in ev.cylinders if c.firings < LEAST_JUDGED * usual]


def missed_too(f: dict[str, Any], found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Findings of true misfires on cylinders that a wrong pattern accuses as well."""
    if f["cause"] != "crank_pattern":
        return []
    return [m for m in found if m["cause"] == "misfire" and set(m["cylinders"]) & set(f["cylinders"])]


def _in_part(ev: Evidence) -> str:
    """The cylinder that burns in part more often than the others together, for a clear answer; empty without one."""
    if len(ev.cylinders) < 2:
        return ""
    *rest, most = sorted(ev.cylinders, key=lambda c: c.partial)
    if most.partial < LEAST_OPEN or most.partial <= max(
        OPEN_FROM * most.firings, 2 * sum(c.partial for c in rest)
    ):
        return ""
    return (
        f" {name_of(most.cylinder).capitalize()} burns in part in {most.partial} of {most.firings} firings."
    )
