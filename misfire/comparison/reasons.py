"""Why the answer of a comparison is what it is, and what would decide the rest, in trade words."""

from __future__ import annotations

from misfire.comparison.evidence import Evidence, Overall
from misfire.comparison.names import names

KIND_WORDS: dict[str, str] = {
    "found": "misfires that the logs show",
    "uncorrected": "counts of a monitor that takes the wheel as perfect",
    "reported": "counts of the engine controller",
}


def percent(rate_pct: float) -> str:
    """A rate in words that need no exponent."""
    if 0.0 < rate_pct < 0.001:
        return "below 0.001 %"
    places = 1 if rate_pct >= 10 else 2 if rate_pct >= 1 else 3
    text = f"{rate_pct:.{places}f}"
    return f"{text.rstrip('0').rstrip('.')} %"


def explain(out: Overall, e: Evidence) -> Overall:
    """Add what holds for every answer: the numbers, the monitor, the pattern, the coverage."""
    out.reasons.append(f"judged on the {KIND_WORDS[e.kind]}")
    _rates(out, e)
    _controller(out, e)
    _pattern(out, e)
    if e.kind == "found":
        more = [c for c, a in e.false_raw.items() if a == "worse"]
        if more:
            out.reasons.append(
                f"a monitor that takes the wheel as perfect would now count more on {names(more)}"
            )
    return out


def _rates(out: Overall, e: Evidence) -> None:
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


def _controller(out: Overall, e: Evidence) -> None:
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


def _pattern(out: Overall, e: Evidence) -> None:
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
