"""The overall answer of a comparison, in the order of the contract, with the reasons in trade words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from misfire.compare.judge import Answer, Change
from misfire.compare.side import Label

Kind = Literal["found", "uncorrected", "reported"]

KIND_WORDS: dict[str, str] = {
    "found": "misfires that the logs show",
    "uncorrected": "counts of a monitor that takes the wheel as perfect",
    "reported": "counts of the engine controller",
}


@dataclass(frozen=True)
class Evidence:
    """What the overall answer is made from; every mapping is by cylinder number.

    `raw` holds the answers from the numbers alone, `answers` those after the condition that the monitor ran.
    `false_raw` holds the answers for counts on firings that burned. `accused` lists the cylinders with a firm
    misfire finding in a log after.
    """

    kind: Kind
    changes: Mapping[Label, Change]
    raw: Mapping[Label, Answer]
    answers: Mapping[Label, Answer]
    false_changes: Mapping[Label, Change]
    false_raw: Mapping[Label, Answer]
    found: Mapping[Label, Change]
    found_raw: Mapping[Label, Answer]
    accused: frozenset[Label]
    pattern: Mapping[str, Any]
    wheel_before: bool
    wheel_after: bool
    monitor_ran: bool | None
    reported_one_side: str
    freeze_frame_driven: bool | None


@dataclass
class Overall:
    """Answer, headline, reasons and what to record."""

    answer: str
    headline: str
    reasons: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    cylinders: list[Label] = field(default_factory=list)


def names(cylinders: Iterable[Label]) -> str:
    """ "cylinder 2", "cylinders 2 and 3", "cylinders 1, 2 and 3"."""
    listed = [str(c) for c in sorted(cylinders, key=lambda c: (isinstance(c, str), c))]
    if len(listed) == 1:
        return f"cylinder {listed[0]}"
    return f"cylinders {', '.join(listed[:-1])} and {listed[-1]}"


def remaining(e: Evidence) -> list[Label]:
    """Cylinders that truly misfire after: a firm finding, or more than isolated misfires left."""
    still = {c for c, ch in e.found.items() if ch.material_after and e.found_raw[c] != "cleared"}
    return [c for c in e.found if c in still | e.accused]


def decide(e: Evidence) -> Overall:
    """The overall answer without `--swapped`."""
    left = remaining(e)
    gone_false = _gone(e.false_changes, e.false_raw)
    hidden = [c for c in left if e.kind == "reported" and c in e.raw and _is_gone(e.changes[c], e.raw[c])]
    if left and (gone_false or hidden):
        out = Overall(
            "misfire_remains",
            f"The false counts are gone, a true misfire remains on {names(left)}."
            if gone_false
            else f"The controller no longer counts it, but a true misfire remains on {names(left)}.",
            cylinders=left,
        )
        out.reasons.append(f"after: the log shows misfires on {names(left)}, whatever the controller reports")
        if gone_false:
            out.reasons.append(f"counts on firings that burned are gone on {names(gone_false)}")
        return _explain(out, e)
    watched = [c for c in e.answers if e.changes[c].material_before]
    given = {c: e.answers[c] for c in watched}
    worse = [c for c, a in e.answers.items() if a == "worse"]
    worse = worse or [c for c in left if e.found_raw.get(c) == "worse"]
    if worse:
        return _explain(Overall("worse", f"Worse than before on {names(worse)}.", cylinders=worse), e)
    if left and not watched:
        # The controller never counted it: the log's own misfires decide.
        return _explain(_partly(e, {c: e.found_raw[c] for c in left}), e)
    if not watched:
        return _explain(_nothing_before(e), e)
    if all(a == "cleared" for a in given.values()) and not left:
        return _explain(_cleared(e, watched), e)
    return _explain(_partly(e, given), e)


def _cleared(e: Evidence, watched: Sequence[Label]) -> Overall:
    if e.freeze_frame_driven is False:
        out = Overall("not_proven", "Not proven yet: the freeze-frame condition was not driven again.")
        out.missing.append("drive at the freeze-frame speed (within 375 rpm) and load (within 20 %)")
        return out
    p = e.pattern
    causes = []
    if p["stable_after"] is False:
        causes.append("the tooth pattern is not stable")
    if p["signal_fault_after"]:
        causes.append("the sensor signal is disturbed")
    if causes:
        out = Overall(
            "cleared_cause_present",
            f"Counts cleared on {names(watched)}, cause still present: expect them back.",
            cylinders=list(watched),
        )
        out.reasons.append("after: " + " and ".join(causes))
        return out
    out = Overall("cleared", f"Cleared on {names(watched)}.", cylinders=list(watched))
    if e.kind == "reported" and p["changed"] is False:
        if e.wheel_before and e.wheel_after:
            out.reasons.append(
                "the wheel error is the same in both logs: the controller has learned it, and that holds "
                "while the wheel and the sensor stay as they are"
            )
        elif (
            not e.wheel_before
            and not e.wheel_after
            and any(c.material_before for c in e.false_changes.values())
        ):
            out.reasons.append("the wheel never was wrong; the pattern that the controller had stored was")
    return out


def _nothing_before(e: Evidence) -> Overall:
    some = {c: a for c, a in e.answers.items() if e.changes[c].before[0] + e.changes[c].after[0] > 0}
    if not some or all(a in ("unchanged", "improved") for a in some.values()):
        out = Overall("unchanged", "Unchanged: no more than isolated counts before, and none more after.")
        out.reasons.append("before: nothing above isolated misfires, so there was nothing to clear")
        return out
    out = Overall("not_proven", "Not proven: too few counts before to see a change.")
    out.missing.append("a log from when the fault counts, before the work")
    return out


def _partly(e: Evidence, given: Mapping[Label, Answer]) -> Overall:
    by = {a: sorted(c for c, v in given.items() if v == a) for a in set(given.values())}
    if "not_proven" in by and "unchanged" not in by:
        open_ = by["not_proven"]
        return Overall("not_proven", f"Not proven yet on {names(open_)}.", cylinders=open_)
    if set(by) == {"unchanged"} or ("unchanged" in by and not by.get("cleared") and not by.get("improved")):
        return Overall("unchanged", f"Unchanged on {names(by['unchanged'])}.", cylinders=by["unchanged"])
    better = sorted(by.get("cleared", []) + by.get("improved", []))
    rest = sorted(set(given) - set(by.get("cleared", [])))
    return Overall(
        "improved", f"Fewer counts on {names(better)}, not gone on {names(rest or better)}.", cylinders=rest
    )


def _explain(out: Overall, e: Evidence) -> Overall:
    """Add what holds for every answer: the numbers, the monitor, the pattern, the coverage."""
    out.reasons.append(f"judged on the {KIND_WORDS[e.kind]}")
    for c, ch in e.changes.items():
        if ch.before[0] or ch.after[0]:
            out.reasons.append(
                f"cylinder {c}: {ch.before[0]} of {ch.before[1]} firings before, "
                f"{ch.after[0]} of {ch.after[1]} after"
            )
        if ch.material_before and ch.covered < 0.8:
            out.reasons.append(
                f"cylinder {c}: only {100 * ch.covered:.0f} % of the counts before fell at speeds and loads "
                "that were driven again"
            )
    if any(ch.material_before and ch.covered < 0.8 for ch in e.changes.values()):
        out.missing.append("an after-log at the speeds and loads at which the fault counted before")
    if any(ch.dispersion > 1.0 for ch in e.changes.values()):
        out.reasons.append("the misfires come in clusters; intervals and tests are widened for that")
    if e.kind == "reported":
        blocked = [c for c in e.raw if e.raw[c] != e.answers[c]]
        if blocked:
            state = "did not run" if e.monitor_ran is False else "is not known to have run"
            out.reasons.append(f"the misfire monitor {state} after: its low counts prove nothing")
            out.missing.append(
                "controller counts read after a drive with the misfire monitor running (readiness complete, "
                "no P0315), marked monitor_ran = yes"
            )
        true = [c for c, ch in e.found.items() if ch.material_before]
        if true:
            out.reasons.append(f"before: the log confirms misfires on {names(true)}")
        wrong = [c for c, ch in e.false_changes.items() if ch.material_before]
        if wrong:
            out.reasons.append(f"before: the controller counted on {names(wrong)} while the log shows firing")
    elif e.reported_one_side:
        out.reasons.append(f"controller counts were given only {e.reported_one_side}: not compared")
        out.missing.append("controller counts of both sides, to judge what the controller itself does")
    p = e.pattern
    if p["changed"]:
        listed = ", ".join(map(str, p["teeth"][:8])) + (" ..." if len(p["teeth"]) > 8 else "")
        out.reasons.append(
            "the tooth pattern has changed between the sides, by up to "
            f"{p['largest_difference_deg']:.3f} deg (positions {listed})"
        )
    elif p["changed"] is False:
        out.reasons.append("the tooth pattern is the same before and after")
    if p["stable_after"]:
        starts = p["starts_after"]
        out.reasons.append(f"pattern stable after, seen over {starts} {'start' if starts == 1 else 'starts'}")
    if p["signal_fault_before"] and not p["signal_fault_after"]:
        out.reasons.append("the signal disturbance seen before is not there after")
    if e.kind == "found":
        more = [c for c, a in e.false_raw.items() if a == "worse"]
        if more:
            out.reasons.append(
                f"a monitor that takes the wheel as perfect would now count more on {names(more)}"
            )
    return out


def _is_gone(change: Change, raw: Answer) -> bool:
    return change.material_before and raw == "cleared"


def _gone(changes: Mapping[Label, Change], raw: Mapping[Label, Answer]) -> list[Label]:
    """Cylinders whose false counts are gone; none when false counts stay on another one."""
    had = [c for c, ch in changes.items() if ch.material_before]
    return had if had and all(raw[c] == "cleared" for c in had) else []
