"""The overall answer of a comparison, in the order of the contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from misfire.comparison.evidence import Evidence, Overall
from misfire.comparison.judge import Answer, Change
from misfire.comparison.names import Label, names
from misfire.comparison.reasons import explain, percent

# Fewer usable turns without a firm finding decide nothing (the contract's rule for one log).
ENOUGH_TURNS = 200
# Part of all counts before that is too little to hold up the answer of the others. Our own choice.
_FEW_SHARE = 0.05
_FELL = 0.01  # chance of counts that fell so far by luck alone, on each cylinder


def remaining(e: Evidence) -> list[Label]:
    """Cylinders that truly misfire after: a firm finding, or more than isolated misfires left."""
    still = {c for c, ch in e.found.items() if ch.material_after and e.found_raw[c] != "cleared"}
    return [c for c in e.found if c in still | e.accused]


def unchanged(e: Evidence) -> Overall:
    """The answer when the same recording stands on both sides."""
    out = Overall("unchanged", "Unchanged: the same recording stands on both sides.")
    return explain(out, e)


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
        return explain(out, e)
    watched = [c for c in e.answers if e.changes[c].material_before]
    given = {c: e.answers[c] for c in watched}
    # A controller that counts more of a misfire that is as frequent as before has not seen it grow worse.
    same = [c for c in left if e.found_raw.get(c) == "unchanged"]
    worse = [c for c, a in e.answers.items() if a == "worse" and c not in same]
    worse = worse or [c for c in left if e.found_raw.get(c) == "worse"]
    if worse:
        head = f"Worse than before on {names(worse)}{_rates(e, worse)}."
        return explain(Overall("worse", head, cylinders=worse), e)
    given.update({c: "unchanged" for c in same if given.get(c) == "worse"})
    if left and not watched:
        # The controller never counted it: the log's own misfires decide.
        return explain(_partly(e, {c: e.found_raw[c] for c in left}), e)
    if not watched:
        return explain(_nothing_before(e), e)
    gone = _gone(e.changes, e.answers)
    if gone and not left:
        return explain(_cleared(e, gone), e)
    return explain(_partly(e, given), e)


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
