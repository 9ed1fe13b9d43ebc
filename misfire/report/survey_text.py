"""A survey of many logs for the terminal, and what its page says in words; neither plotly nor pandas here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from misfire.report.terminal import MAX_LINES, wrap
from misfire.report.words import CAUSE, NONE, clean, count, names, number

Row = Mapping[str, Any]
# status -> symbol, word, what is said before a number of logs
GROUPS = {
    "found": ("■", "FOUND", "a cause found in"),
    "error": ("!", "NOT JUDGED", "not judged"),
    "undetermined": ("?", "NOT DECIDED", "not decided"),
    "clear": ("✓", "CLEAR", "clear"),
}
_LISTED = 12


def in_order(rows: Sequence[Row]) -> list[Row]:
    """Rows by what they ask for: found first (highest rate first, a wheel that the controller has learned last), then not
    judged, not decided, clear."""
    place = {status: k for k, status in enumerate(GROUPS)}
    return sorted(
        rows,
        key=lambda r: (
            place.get(str(r.get("status")), 9),
            _learned(r),
            -(r.get("worst_rate_pct") or 0.0),
            str(r["file"]),
        ),
    )


def _learned(row: Row) -> bool:
    """The only finding is a wheel that is off and that the controller allows for: nothing to do."""
    return row.get("learned") == "yes" and row.get("causes") == "crank_pattern"


def causes(row: Row) -> str:
    """Firm findings of a row with their cylinders; empty without any."""
    kinds = [x for x in str(row.get("causes") or "").split(";") if x]
    who = str(row.get("cylinders") or "").split(";")
    parts = []
    for k, kind in enumerate(kinds):
        both = who[k].split() if k < len(who) else []
        either = row.get("phase") == "unknown" and kind in ("misfire", "weak_cylinder") and len(both) == 2
        named = names(both, "or" if either else "and")
        parts.append(CAUSE.get(kind, clean(kind, 40)) + (f", {named}" if named else ""))
    return "; ".join(parts)


def by_cause(rows: Sequence[Row]) -> dict[str, int]:
    """Number of logs that show each cause, the most frequent first; a log may show several."""
    found = Counter(c for r in rows for c in set(str(r.get("causes") or "").split(";")) if c)
    return dict(sorted(found.items(), key=lambda kv: (-kv[1], kv[0])))


def counted(rows: Sequence[Row]) -> dict[str, int]:
    """Number of logs by status, every status named."""
    found = Counter(str(r.get("status")) for r in rows)
    return {status: found.get(status, 0) for status in GROUPS}


def headline(rows: Sequence[Row]) -> str:
    """The survey in one sentence."""
    n = counted(rows)
    said = [f"{GROUPS[s][2]} {count(n[s])}" for s in ("found", "clear", "undetermined", "error") if n[s]]
    return f"{count(len(rows))} {'log' if len(rows) == 1 else 'logs'}: {', '.join(said) or 'none judged'}."


def what(row: Row) -> str:
    """What there is to say about a log, after its name."""
    if row.get("status") == "error":
        # the message begins with the name, which stands before it already
        return clean(row.get("error"), 400).removeprefix(str(row["file"])).lstrip(": ")
    if row.get("status") == "found":
        rate = row.get("worst_rate_pct")
        many = f"; {number(rate)} % of the firings of cylinder {row['worst_cylinder']}" if rate else ""
        return causes(row) + (", learned by the controller" if _learned(row) else "") + many
    if row.get("status") == "undetermined":
        return clean(row.get("headline"), 300)
    return f"{number(row.get('rate_pct'))} % misfires of {count(row.get('firings'))} firings"


def survey_text(rows: Sequence[Row], written: Sequence[str] = (), width: int = 80) -> str:
    """The survey for a terminal, at most 40 lines: how many of which, then the logs that ask for something."""
    out = [*wrap(headline(rows), width, "", "  ", 2), ""]
    n = counted(rows)
    for status, (mark, word, _) in GROUPS.items():
        if n[status]:
            out.append(f"{mark} {word:<12}{count(n[status]):>7}")
    kinds = "; ".join(f"{CAUSE.get(c, clean(c, 40))} {k}" for c, k in by_cause(rows).items())
    if kinds:
        out += wrap(f"Causes: {kinds}.", width, "", "  ", 2)
    listed = [r for r in in_order(rows) if r.get("status") != "clear"]
    if listed:
        out += ["", "Look at these first:"]
        for k, r in enumerate(listed[:_LISTED]):
            part = wrap(f"{clean(r['file'], 60)}: {what(r)}", width, "  ", "    ", 2)
            if len(out) + len(part) > MAX_LINES - 4 - len(written):
                out.append(f"  … {len(listed) - k} more in the table")
                break
            out += part
        else:
            if len(listed) > _LISTED:
                out.append(f"  … {len(listed) - _LISTED} more in the table")
    if written:
        out += ["", *(line for w in written for line in wrap(f"written: {w}", width, "", "  ", 2))]
    return "\n".join(out[:MAX_LINES]) + "\n"


def quality(row: Row) -> str:
    """Signal of a log in a few words."""
    if row.get("status") == "error":
        return NONE
    parts = [f"{number(row.get('unusable_pct'))} % not usable"]
    for key, text in (
        ("extra_edges", "edges too many"),
        ("lost_edges", "edges lost"),
        ("turns_set_aside", "turns set aside"),
    ):
        if row.get(key):
            parts.append(f"{count(row[key])} {text}")
    return ", ".join(parts)
