"""Wording and number format shared by terminal and page, so that both show the same numbers.

Nothing here imports plotly or pandas: the terminal has to answer fast.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

NONE = "–"

STATUS = {
    "found": ("■", "FOUND", "A cause was found"),
    "clear": ("✓", "CLEAR", "Nothing was found"),
    "undetermined": ("?", "NOT DECIDED", "This log cannot decide it"),
}

CAUSE = {
    "misfire": "true misfire",
    "crank_pattern": "crank pattern",
    "sensor_signal": "crank sensor signal",
    "weak_cylinder": "weak cylinder",
    "driveline": "driveline resonance",
}

ANSWER = {
    "cleared": ("✓", "CLEARED"),
    "cleared_cause_present": ("!", "CLEARED, BUT THE CAUSE IS STILL THERE"),
    "misfire_remains": ("■", "A TRUE MISFIRE REMAINS"),
    "improved": ("↓", "IMPROVED"),
    "unchanged": ("=", "UNCHANGED"),
    "worse": ("↑", "WORSE"),
    "moved": ("→", "MOVED WITH THE PART"),
    "stayed": ("■", "STAYED WITH THE CYLINDER"),
    "not_proven": ("?", "NOT PROVEN YET"),
}

PHASE = {
    "measured": "measured: cylinder names are tied to the engine by marks in the log",
    "assumed": "assumed: cylinder names follow from what was assumed, not from a mark in the log",
    "unknown": "unknown: the log does not tell the two turns of a cycle apart",
}

LEARNED = {
    "fuel_cut": "a coast-down in fuel cut",
    "speed_sweep": "the change of speed in the log",
    "given": "a saved pattern that was given",
    "several": "a coast-down in fuel cut in one log, the change of speed in another",
    "none": "nothing: no pattern could be learned",
}


def clean(value: Any, limit: int = 400) -> str:
    """Text from outside made harmless to show: no control, escape or direction-changing characters.

    White space becomes single blanks; what is longer than `limit` characters is cut, and the cut is shown.
    """
    text = "" if value is None else str(value)
    text = re.sub(r"\s+", " ", text)
    text = "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co") else c for c in text)
    return text if len(text) <= limit else text[: limit - 1].rstrip() + "…"


def finite(value: Any) -> float | None:
    """The value as a finite number, None for anything else."""
    if value is None or isinstance(value, (str, bool)):
        return None
    try:
        x = float(value)
    except (TypeError, ValueError):
        return None
    return x if math.isfinite(x) else None


def count(value: Any) -> str:
    """A whole number with thousands commas."""
    x = finite(value)
    return NONE if x is None else f"{round(x):,}"


def number(value: Any, digits: int = 3) -> str:
    """Three significant digits without exponent, thousands commas above."""
    x = finite(value)
    if x is None:
        return NONE
    if x == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(x))))
    if places > 6:
        return f"{x:.1e}"
    text = f"{x:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def as_sure_as(value: Any, sd: Any) -> Any:
    """The value rounded to the second digit of its standard deviation; as it is without one."""
    x, doubt = finite(value), finite(sd)
    if x is None or doubt is None or doubt <= 0:
        return value
    return round(x, max(0, 1 - math.floor(math.log10(doubt)))) + 0.0


def work(value: Any) -> str:
    """Lost work with three decimals; more would only show noise."""
    x = finite(value)
    return NONE if x is None else f"{x + 0.0:.3f}".replace("-0.000", "0.000")


def sentence(text: str) -> str:
    """The text with a capital at its head."""
    return text[:1].upper() + text[1:]


def span(pair: Any) -> str:
    """An interval as "a to b"."""
    if not isinstance(pair, Sequence) or isinstance(pair, str) or len(pair) != 2:
        return NONE
    low, high = finite(pair[0]), finite(pair[1])
    if low is None or high is None:
        return NONE
    ends = [number(low), number(high)]
    if ("e" in ends[0]) != ("e" in ends[1]):
        # one notation for both ends, so that they can be compared at a glance
        ends = [_plain(low), _plain(high)]
    return f"{ends[0]} to {ends[1]}"


def _plain(x: float) -> str:
    """Three significant digits without exponent; what is too small to be written so is said to be smaller."""
    if x != 0 and abs(x) < 1e-6:
        return "<0.000001" if x > 0 else ">-0.000001"
    places = 0 if x == 0 else max(0, 2 - math.floor(math.log10(abs(x))))
    text = f"{x:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def with_unit(value: Any, unit: str) -> str:
    """A number with its unit, the dash when there is no number."""
    text = number(value)
    return text if text == NONE or not unit else f"{text} {unit}"


def items(value: Any) -> list[Any]:
    """A list for anything that may be a list, a single thing or absent."""
    if value is None:
        return []
    if isinstance(value, (str, bytes, Mapping)):
        return [value]
    try:
        return list(value)
    except TypeError:
        return [value]


def table(value: Any) -> dict[str, Any]:
    """A dict for anything that may be a mapping or absent."""
    return dict(value) if isinstance(value, Mapping) else {}


def names(cylinders: Any, link: str = "and") -> str:
    """ "cylinder 3", "cylinders 2 and 5", "places A and C" where nothing ties numbers to them; empty without any."""
    parts = [clean(c, 20) for c in items(cylinders)]
    if not parts:
        return ""
    word = "cylinder" if parts[0].isdigit() else "place"
    if len(parts) == 1:
        return f"{word} {parts[0]}"
    return f"{word}s {', '.join(parts[:-1])} {link} {parts[-1]}"


def row_name(result: Mapping[str, Any], label: Any) -> str:
    """The name of a row of the cylinder table: both companions, "2/3" or "A/C", where it counts them together."""
    rows = (table(c) for c in items(result.get("cylinders")))
    return next((name_of_row(c) for c in rows if c.get("cylinder") == label), clean(label, 20))


def name_of_row(row: Mapping[str, Any]) -> str:
    """The same for one row of an analysis or a comparison."""
    return "/".join(clean(c, 20) for c in items(row.get("either"))) or clean(row.get("cylinder"), 20)


def after_word(word: str, headline: str) -> str:
    """The headline as it stands behind the answer's word: not the same word again."""
    first, colon, rest = headline.partition(": ")
    return rest[:1].upper() + rest[1:] if colon and word.lower().startswith(first.lower()) else headline


def titled(name: str) -> str:
    """A cylinder's or a place's name with its word: "cylinder 3", "place A/C"."""
    return f"{'cylinder' if name[:1].isdigit() else 'place'} {name}"


def cause(finding: Mapping[str, Any]) -> str:
    """One line for a finding or candidate: cause, place, cylinders; "or" where one of two companions is meant."""
    kind = str(finding.get("cause", ""))
    text = CAUSE.get(kind, clean(kind, 40) or "cause not named")
    where = table(finding.get("detail")).get("where")
    if kind == "crank_pattern" and where == "wheel":
        text += " (the wheel as sensed)"
    elif kind == "crank_pattern" and where == "stored":
        text += " (the pattern stored in the controller)"
    either = table(finding.get("detail")).get("kind") == "one" and len(items(finding.get("cylinders"))) == 2
    who = names(finding.get("cylinders"), "or" if either else "and")
    return f"{text}, {who}" if who else text


def confidence(finding: Mapping[str, Any]) -> str:
    """Confidence in per cent, never rounded up to certainty."""
    x = finite(finding.get("confidence"))
    if x is None:
        return "confidence not given"
    return "confidence above 99.9 %" if x > 0.999 else f"confidence {100 * x:.1f} %"


# what to do where nothing was found: common practice, no source
CLEAR_NEXT = (
    "No repair follows from this log. If a code is stored, record at the speed and load of its freeze frame, with the "
    "controller's counts read before and after the drive."
)


def no_misfire(result: Mapping[str, Any]) -> str:
    """That no cylinder misfires, with the count; empty where one may."""
    verdict = table(result.get("verdict"))
    said = [table(f) for key in ("findings", "candidates") for f in items(verdict.get(key))]
    if verdict.get("status") not in ("found", "clear") or any(
        f.get("cause") in ("misfire", "weak_cylinder") for f in said
    ):
        return ""
    every = [table(c) for c in items(result.get("cylinders"))]
    judged = sum(finite(c.get("firings")) or 0.0 for c in every)
    missed = sum(finite(c.get("misfires")) or 0.0 for c in every)
    if not judged:
        return ""
    if missed:
        return (
            f"No finding of a true misfire: {count(missed)} of {count(judged)} judged firings failed, "
            "too few and too scattered for one."
        )
    return f"No true misfire: 0 of {count(judged)} judged firings failed."


def reported_lines(result: Mapping[str, Any]) -> list[str]:
    """What is to be said about the controller's counts beside the table: none given, one read alone, resets."""
    said = table(result.get("reported"))
    if not said and all(finite(table(c).get("reported")) is None for c in items(result.get("cylinders"))):
        return ["No controller counts were given."]
    lines = []
    if said.get("kind") == "driving_cycle":
        totals = ", ".join(
            f"cylinder {clean(c, 4)}: {count(n)}" for c, n in table(said.get("totals")).items()
        )
        lines.append(f"The controller's total in this driving cycle, by one read: {totals}.")
    return lines + [sentence(clean(note)) for note in items(said.get("notes"))]


def window_lines(windows: Any) -> list[str]:
    """The worst counting window of each length, set beside the floors of the regulation."""
    out = []
    for key, turns, floor in (("turns200", 200, 5.0), ("turns1000", 1000, 1.0)):
        rates = [_rate(w) for w in items(table(windows).get(key))]
        known = [r for r in rates if r is not None]
        if known:
            over = sum(r > floor for r in known)
            out.append(
                f"Misfires in windows of {turns} turns: highest {number(max(known))} %, {over} of "
                f"{len(known)} "
                f"windows above {floor:g} % (the lowest limit; a vehicle's own limits depend on speed "
                f"and load)."
            )
    return out


def needed(verdict: Mapping[str, Any]) -> str:
    """How much more driving proves it; empty when the result names none."""
    total, each = finite(verdict.get("needed_firings")), finite(verdict.get("needed_firings_per_cylinder"))
    if not total:
        return ""
    text = f"Still needed for a proof: {count(total)} firings"
    if each:
        text += f" ({count(each)} of each cylinder)"
    minutes, at = finite(verdict.get("needed_minutes")), table(verdict.get("needed_at"))
    if minutes is not None:
        text += f", about {number(minutes)} minutes" if minutes >= 1 else ", less than a minute"
        if len(items(verdict.get("needed_drive"))) > 1:
            return text + " in all, at the speeds and loads named below."
        if finite(at.get("speed_rpm")) is not None:
            text += f" near {count(at.get('speed_rpm'))} rpm"
        if finite(at.get("load_pct")) is not None:
            text += f" and {count(at.get('load_pct'))} % load"
    return text + ", driven as before."


def _rate(window: Any) -> float | None:
    if isinstance(window, Mapping):
        if window.get("complete") is False:
            return None
        for key in ("rate_pct", "misfire_pct", "pct"):
            if key in window:
                return finite(window[key])
        return None
    return finite(window)


def yes_no(value: Any) -> str:
    """Yes, no or not known."""
    return {True: "yes", False: "no"}.get(value, "not known") if isinstance(value, bool) else "not known"
