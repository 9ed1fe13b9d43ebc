"""The overall answer of a comparison, in the order of the contract, with the reasons in trade words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from misfire.comparison.judge import Answer, Change
from misfire.comparison.side import Label

Kind = Literal["found", "uncorrected", "reported"]

KIND_WORDS: dict[str, str] = {
    "found": "misfires that the logs show",
    "uncorrected": "counts of a monitor that takes the wheel as perfect",
    "reported": "counts of the engine controller",
}


# Fewer usable turns without a firm finding decide nothing (the contract's rule for one log).
ENOUGH_TURNS = 200
# Part of all counts before that is too little to hold up the answer of the others. Our own choice.
_FEW_SHARE = 0.05
_FELL = 0.01  # chance of counts that fell so far by luck alone, on each cylinder


@dataclass(frozen=True)
class FreezeFrame:
    """The condition stored with the code, and the firings judged there after the work.

    `load_unknown`: the speed was driven, but no load was logged with it.
    """

    speed_rpm: float
    load_pct: float
    firings_after: int
    driven: bool
    load_unknown: bool

    def to_dict(self) -> dict[str, Any]:
        """For the result."""
        return {
            "speed_rpm": self.speed_rpm,
            "load_pct": self.load_pct,
            "firings_after": self.firings_after,
            "driven": self.driven,
        }

    @property
    def advice(self) -> str:
        """What to record."""
        if self.load_unknown and not self.driven:
            return (
                f"the load (load_pct, --channels-after): {self.speed_rpm:.0f} rpm was driven, whether at "
                f"{self.load_pct:.0f} % load is not known"
            )
        return (
            f"a drive at the freeze-frame condition: {self.speed_rpm:.0f} rpm (within 375 rpm) and "
            f"{self.load_pct:.0f} % load (within 20 %), at least 200 firings"
        )


@dataclass(frozen=True)
class Evidence:
    """What the overall answer is made from; every mapping is by cylinder number.

    `raw` holds the answers from the numbers alone, `answers` those after the condition that the monitor ran.
    `false_raw` holds the answers for counts on firings that burned. `accused` lists the cylinders with a firm
    misfire finding in a log after. `totals_only` names the sides whose controller counts are the totals of a
    driving cycle. `usable_turns` before and after. With logs that name places, `changes` and `answers` go by
    the controller's cylinder numbers and `found` by places.
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
    totals_only: tuple[str, ...]
    freeze_frame: FreezeFrame | None
    usable_turns: tuple[float, float]


@dataclass
class Overall:
    """Answer, headline, reasons and what to record."""

    answer: str
    headline: str
    reasons: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    cylinders: list[Label] = field(default_factory=list)


def names(cylinders: Iterable[Label]) -> str:
    """ "cylinder 2", "cylinder 2 or 3", "cylinders 1, 2 and 3", "place A" where nothing ties numbers to them."""
    ordered = sorted(cylinders, key=lambda c: (isinstance(c, str), c))
    listed = [str(c) for c in ordered]
    word = "place" if ordered and isinstance(ordered[0], str) else "cylinder"
    if len(listed) == 1:
        return f"{word} {listed[0]}"
    return f"{word}s {', '.join(listed[:-1])} and {listed[-1]}"


def remaining(e: Evidence) -> list[Label]:
    """Cylinders that truly misfire after: a firm finding, or more than isolated misfires left."""
    still = {c for c, ch in e.found.items() if ch.material_after and e.found_raw[c] != "cleared"}
    return [c for c in e.found if c in still | e.accused]


def unchanged(e: Evidence) -> Overall:
    """The answer when the same recording stands on both sides."""
    out = Overall("unchanged", "Unchanged: the same recording stands on both sides.")
    return _explain(out, e)


def decide(e: Evidence) -> Overall:
    """The overall answer without `--swapped`."""
    left = remaining(e)
    gone_false, open_false = _gone(e.false_changes, e.false_raw), list[Label]()
    if left and not gone_false:
        # the true misfire is the answer; false counts too few to be proven gone one by one do not hold it up
        gone_false, open_false = _partly_gone(e.false_changes, e.false_raw)
    counted = [c for c, ch in e.changes.items() if ch.material_before]
    hidden = (
        e.kind == "reported"
        and bool(counted)
        and all(_is_gone(e.changes[c], e.raw[c]) for c in (counted if _by_place(e) else left) if c in e.raw)
    )
    if left and (gone_false or open_false or hidden):
        head = f"The controller no longer counts it, but a true misfire remains on {names(left)}."
        if open_false and not gone_false:
            head = f"A true misfire remains on {names(left)}; no false counts after, not yet proven gone on {names(open_false)}."
        elif open_false:
            head = (
                f"A true misfire remains on {names(left)}; the false counts are gone on {names(gone_false)}, "
                f"not yet proven gone on {names(open_false)}."
            )
        elif gone_false:
            head = f"The false counts are gone, a true misfire remains on {names(left)}."
        out = Overall("misfire_remains", head, cylinders=left)
        if open_false:
            out.missing.append(
                f"a longer drive after: the counts before on {names(open_false)} were too few to prove them gone"
            )
        out.reasons.append(f"after: the log shows misfires on {names(left)}, whatever the controller reports")
        if gone_false:
            out.reasons.append(f"counts on firings that burned are gone on {names(gone_false)}")
        return _explain(out, e)
    watched = [c for c in e.answers if e.changes[c].material_before]
    given = {c: e.answers[c] for c in watched}
    # A controller that counts more of a misfire that is as frequent as before has not seen it grow worse.
    same = [c for c in left if e.found_raw.get(c) == "unchanged"]
    worse = [c for c, a in e.answers.items() if a == "worse" and c not in same]
    worse = worse or [c for c in left if e.found_raw.get(c) == "worse"]
    if worse:
        head = f"Worse than before on {names(worse)}{_rates(e, worse)}."
        return _explain(Overall("worse", head, cylinders=worse), e)
    given.update({c: "unchanged" for c in same if given.get(c) == "worse"})
    if left and not watched:
        # The controller never counted it: the log's own misfires decide.
        return _explain(_partly(e, {c: e.found_raw[c] for c in left}), e)
    if not watched:
        return _explain(_nothing_before(e), e)
    gone = _gone(e.changes, e.answers)
    if gone and not left:
        return _explain(_cleared(e, gone), e)
    return _explain(_partly(e, given), e)


def _by_place(e: Evidence) -> bool:
    """The controller's counts and the log's misfires go by different names."""
    return not set(e.changes) & set(e.found)


def _cleared(e: Evidence, watched: Sequence[Label]) -> Overall:
    if e.freeze_frame is not None and not e.freeze_frame.driven:
        out = Overall("not_proven", "Not proven yet: the freeze-frame condition was not driven again.")
        out.missing.append(e.freeze_frame.advice)
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
    if min(e.usable_turns) < ENOUGH_TURNS:
        out = Overall("not_proven", "Not proven: too short to see a change.")
        for when, turns in zip(("before", "after"), e.usable_turns, strict=True):
            if turns < ENOUGH_TURNS:
                out.missing.append(
                    f"a longer log {when}: {turns:.0f} usable turns, at least {ENOUGH_TURNS} are needed"
                )
        return out
    if not any(ch.material_after for ch in e.changes.values()):
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
        same = by["unchanged"]
        return Overall("unchanged", f"Unchanged on {names(same)}{_rates(e, same)}.", cylinders=same)
    better = sorted(by.get("cleared", []) + by.get("improved", []))
    rest = sorted(set(given) - set(by.get("cleared", [])))
    head = f"Fewer counts on {names(better)}, not gone on {names(rest or better)}"
    return Overall("improved", f"{head}{_rates(e, better) if better == rest else ''}.", cylinders=rest)


def _change_of(e: Evidence, c: Label) -> Change:
    """What the answer on a cylinder rests on: the count judged, or the misfires that the logs show."""
    own = e.changes.get(c)
    if own is None or (c in e.found and not own.material_before and not own.material_after):
        return e.found[c]
    return own


def _rates(e: Evidence, cylinders: Sequence[Label]) -> str:
    """The rates of a single cylinder for the headline; empty for several."""
    if len(cylinders) != 1:
        return ""
    like = _change_of(e, cylinders[0]).like_pct
    return (
        ""
        if like is None
        else f": {percent(like[0])} before, {percent(like[1])} after at like speed and load"
    )


def percent(rate_pct: float) -> str:
    """A rate in words that need no exponent."""
    if 0.0 < rate_pct < 0.001:
        return "below 0.001 %"
    places = 1 if rate_pct >= 10 else 2 if rate_pct >= 1 else 3
    text = f"{rate_pct:.{places}f}"
    return f"{text.rstrip('0').rstrip('.')} %"


def _explain(out: Overall, e: Evidence) -> Overall:
    """Add what holds for every answer: the numbers, the monitor, the pattern, the coverage."""
    out.reasons.append(f"judged on the {KIND_WORDS[e.kind]}")
    _explain_rates(out, e)
    _explain_controller(out, e)
    _explain_pattern(out, e)
    if e.kind == "found":
        more = [c for c, a in e.false_raw.items() if a == "worse"]
        if more:
            out.reasons.append(
                f"a monitor that takes the wheel as perfect would now count more on {names(more)}"
            )
    return out


def _explain_rates(out: Overall, e: Evidence) -> None:
    """The rates of both sides at like speed and load, and how much of the drive before was driven again."""
    for c, ch in e.changes.items():
        if ch.material_before or ch.material_after:
            like = ch.like_pct
            rates = (
                "no speed and load is common to both sides"
                if like is None
                else f"{percent(like[0])} before, {percent(like[1])} after at like speed and load"
            )
            out.reasons.append(
                f"{names([c])}: {rates}; in all {ch.before[0]} of {ch.before[1]} firings before, "
                f"{ch.after[0]} of {ch.after[1]} after"
            )
        if out.answer.startswith("cleared") and ch.material_before and e.answers[c] == "not_proven":
            out.reasons.append(f"{names([c])}: its few counts before prove nothing by themselves")
        if ch.material_before and ch.covered < 0.8:
            out.reasons.append(
                f"{names([c])}: only {100 * ch.covered:.0f} % of the counts before fell at speeds and loads "
                "that were driven again"
            )
    if any(ch.material_before and ch.covered < 0.8 for ch in e.changes.values()):
        out.missing.append("an after-log at the speeds and loads at which the fault counted before")
    if any(ch.dispersion > 1.0 for ch in e.changes.values()):
        out.reasons.append("the misfires come in clusters; intervals and tests are widened for that")


def _explain_controller(out: Overall, e: Evidence) -> None:
    """What the controller's counts prove and what they do not."""
    if e.kind == "reported":
        blocked = [c for c in e.raw if e.raw[c] != e.answers[c]]
        if blocked and e.monitor_ran is True:
            out.reasons.append(
                f"a counter was reset or stood at its limit on {names(blocked)}: at least that many"
            )
            out.missing.append("controller counts of a drive in which no counter is reset or full")
        elif blocked and out.answer not in ("moved", "stayed"):
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
    for when in e.totals_only:
        out.reasons.append(
            f"controller counts {when}: one reading, the total of a driving cycle; it is not compared"
        )
        out.missing.append(f"two service $06 readings {when}, one before and one after the log")
    if e.reported_one_side and e.kind != "reported":
        out.reasons.append(f"controller counts were given only {e.reported_one_side}: not compared")
        out.missing.append("controller counts of both sides, to judge what the controller itself does")


def _explain_pattern(out: Overall, e: Evidence) -> None:
    """The tooth pattern and the signal on both sides."""
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
        out.reasons.append(
            f"pattern stable after, seen over {starts} {'start' if starts == 1 else 'starts'} and "
            f"{p['minutes_after']:.1f} minutes"
        )
        if starts == 1 and out.answer == "cleared" and e.kind != "found":
            out.missing.append(
                "two more starts: what moves the pattern from start to start shows in no single log"
            )
    if p["signal_fault_after"] and out.answer != "cleared_cause_present":
        out.reasons.append("after: the sensor signal is disturbed")
    if p["signal_fault_before"] and not p["signal_fault_after"]:
        out.reasons.append("the signal disturbance seen before is not there after")


def _is_gone(change: Change, raw: Answer) -> bool:
    return change.material_before and raw == "cleared"


def _partly_gone(
    changes: Mapping[Label, Change], raw: Mapping[Label, Answer]
) -> tuple[list[Label], list[Label]]:
    """Cylinders whose counts are proven gone, and those that count no more without a proof; none when any still counts,
    or when nothing shows that they fell at all."""
    had = [c for c, ch in changes.items() if ch.material_before]
    gone = [c for c in had if raw[c] == "cleared"]
    rest = [c for c in had if c not in gone]
    quiet = all(raw[c] == "not_proven" and not changes[c].material_after for c in rest)
    fell = gone or all(changes[c].p_value <= _FELL for c in rest)
    return (gone, rest) if fell and quiet else ([], [])


def _gone(changes: Mapping[Label, Change], raw: Mapping[Label, Answer]) -> list[Label]:
    """Cylinders whose counts are gone; none when counts stay on another one.

    A cylinder with a few counts beside hundreds on others cannot prove anything by itself; when it counts no
    more it does not hold up the answer.
    """
    had = [c for c, ch in changes.items() if ch.material_before]
    gone = [c for c in had if raw[c] == "cleared"]
    few = _FEW_SHARE * sum(changes[c].before[0] for c in had)
    rest = [c for c in had if c not in gone]
    quiet = all(
        raw[c] == "not_proven" and not changes[c].material_after and changes[c].before[0] <= few for c in rest
    )
    return gone if quiet else []
