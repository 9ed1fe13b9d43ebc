"""The answer in at most 40 lines of plain text; neither plotly nor pandas is imported here."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

from misfire.report.words import (
    ANSWER,
    CLEAR_NEXT,
    LEARNED,
    NONE,
    PHASE,
    STATUS,
    after_word,
    cause,
    clean,
    confidence,
    count,
    finite,
    items,
    name_of_row,
    names,
    needed,
    no_misfire,
    number,
    reported_lines,
    row_name,
    span,
    table,
    window_lines,
    yes_no,
)

MAX_LINES = 40
_BOLD, _RED, _GREEN, _AMBER, _END = "\x1b[1m", "\x1b[31m", "\x1b[32m", "\x1b[33m", "\x1b[0m"
_TONE = {
    "found": _RED,
    "clear": _GREEN,
    "undetermined": _AMBER,
    "cleared": _GREEN,
    "misfire_remains": _RED,
    "worse": _RED,
}


def cells(text: str) -> int:
    """Columns that the text takes on a terminal: wide characters take two, combining ones none."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def wrap(text: str, width: int, first: str = "", rest: str = "", lines: int = 4) -> list[str]:
    """Wrapped lines with hanging indent, cut after `lines` with a visible mark."""
    room = width - max(cells(first), cells(rest))
    safe = clean(text)
    # Wide characters would overflow a wrap that counts characters; halve the room for such text.
    if cells(safe) > len(safe):
        room //= 2
    body = textwrap.wrap(safe, max(room, 20)) or [""]
    if len(body) > lines:
        body = body[:lines]
        body[-1] = body[-1][: max(room, 20) - 2].rstrip() + " …"
    return [(first if i == 0 else rest) + part for i, part in enumerate(body)]


def _list(title: str, entries: Sequence[Any], width: int, room: int, each: int = 2) -> list[str]:
    """A titled list that keeps to `room` lines and says how many entries it left out."""
    if not entries or room < 2:
        return []
    out = [title]
    for i, entry in enumerate(entries):
        part = wrap(str(entry), width, f"  {i + 1}. ", "     ", each)
        left = len(entries) - i
        if len(out) + len(part) > room - (left > 1):
            out.append(f"  … {left} more in the report and in the JSON")
            break
        out += part
    return out[:room]


def _grid(header: list[str], rows: list[list[str]], width: int) -> list[str]:
    """Right-aligned columns; columns from the right are dropped when the width does not hold them."""
    columns = list(zip(header, *rows, strict=True))
    sizes = [max(cells(c) for c in col) for col in columns]
    while len(sizes) > 3 and sum(sizes) + 2 * (len(sizes) - 1) > width:
        sizes.pop()
    return [
        "  ".join(" " * (size - cells(c)) + c for c, size in zip(line, sizes, strict=False)).rstrip()
        for line in [header, *rows]
    ]


def _fold(rows: list[list[str]], rank: list[tuple[float, ...]], limit: int) -> tuple[list[list[str]], int]:
    """At most `limit` rows, those of the highest rank, in their own order; the number left out."""
    if len(rows) <= limit:
        return rows, 0
    order = sorted(range(len(rows)), key=lambda i: ([-x for x in rank[i]], i))[:limit]
    return [rows[i] for i in sorted(order)], len(rows) - limit


def _paint(lines: list[str], colour: bool, tone: str) -> list[str]:
    if not colour or not lines:
        return lines
    return [f"{_BOLD}{tone}{line}{_END}" for line in lines]


def _cylinder_table(result: Mapping[str, Any], width: int, limit: int) -> list[str]:
    header = ["cyl", "firings", "misfires", "rate %", "95 % interval", "uncorrected", "reported", "partial"]
    header.append("unusable")
    rows: list[list[str]] = []
    rank: list[tuple[float, ...]] = []
    for c in items(result.get("cylinders")):
        rows.append(
            [
                row_name(result, c.get("cylinder")),
                count(c.get("firings")),
                count(c.get("misfires")),
                number(c.get("rate_pct")),
                span(c.get("rate_ci95_pct")),
                count(c.get("misfires_uncorrected")),
                count(c.get("reported")),
                count(c.get("partial")),
                count(c.get("unusable")),
            ]
        )
        rank.append(tuple(finite(c.get(k)) or 0.0 for k in ("misfires", "reported", "misfires_uncorrected")))
    if not rows:
        return ["No cylinder could be counted."]
    rows, left = _fold(rows, rank, limit)
    out = _grid(header, rows, width)
    if left:
        out.append(f"… {left} more cylinders in the report and in the JSON")
    return out


def terminal_text(result: Mapping[str, Any], width: int = 80, colour: bool = False) -> str:
    """The analysis for a terminal: answer, next steps, one table, signal and assumptions.

    At most 40 lines, none wider than `width` columns (at least 40); colour only when asked for.
    """
    width = max(40, width)
    verdict = table(result.get("verdict"))
    status = str(verdict.get("status", "undetermined"))
    mark, word, plain = STATUS.get(status, ("?", clean(status, 20).upper(), ""))
    headline = clean(verdict.get("headline")) or plain
    out = _paint(
        wrap(f"{mark} {word}: {after_word(word, headline)}", width, "", "  ", 4),
        colour,
        _TONE.get(status, ""),
    )
    findings = [table(f) for f in items(verdict.get("findings"))]
    if none := no_misfire(result):
        out += wrap(none, width, "  - ", "    ", 2)
    for f in findings[:3]:
        out += wrap(f"{cause(f)}; {confidence(f)}", width, "  - ", "    ", 2)
    if not findings:
        for f in [table(c) for c in items(verdict.get("candidates"))][:2]:
            out += wrap(f"possible, not firm: {cause(f)}; {confidence(f)}", width, "  - ", "    ", 2)

    steps: list[Any] = []
    for f in findings:
        steps += [s for s in items(f.get("next_steps")) if s not in steps]
    missing = items(verdict.get("missing"))
    cyl = _cylinder_table(result, width, 14)
    room = MAX_LINES - len(out) - len(cyl) - 10
    todo = _list("What to do next:", steps, width, min(room, 8))
    if status == "clear" and not steps and not missing:
        todo += wrap(CLEAR_NEXT, width, "", "  ", 3)
    todo += _list("To decide the rest, record:", missing, width, min(room - len(todo), 6))
    out += todo
    out += ["", *cyl]
    for line in reported_lines(result)[:3]:
        out += wrap(line, width, "", "  ", 3)
    out.append("")
    out += _signal(result, width)
    rest = MAX_LINES - len(out)
    out += _list("Assumed:", items(result.get("assumptions")), width, max(0, min(rest, 5)))
    return "\n".join(out[:MAX_LINES]) + "\n"


def _signal(result: Mapping[str, Any], width: int) -> list[str]:
    log, sig = table(result.get("log")), table(result.get("signal"))
    speed = table(log.get("speed_rpm"))
    text = (
        f"Log: {count(log.get('edges'))} edges, {number(log.get('turns'), 6)} turns, "
        f"{number(log.get('duration_s'), 4)} s, {count(speed.get('min'))} to {count(speed.get('max'))} rpm."
    )
    out = wrap(text, width, "", "  ", 2)
    text = (
        f"Signal: {count(sig.get('extra_edges'))} edges too many, {count(sig.get('lost_edges'))} lost, "
        f"{count(sig.get('turns_set_aside'))} turns set aside."
    )
    unusable = [finite(table(c).get("unusable")) for c in items(result.get("cylinders"))]
    if any(unusable):
        text += f" {count(sum(u or 0.0 for u in unusable))} firings not usable, never counted."
    for n in items(sig.get("notes"))[:1]:
        text += f" {clean(n)}"
    out += wrap(text, width, "", "  ", 3)
    learned = table(result.get("pattern")).get("learned_from")
    out += wrap(f"Tooth pattern from {LEARNED.get(str(learned), NONE)}.", width, "", "  ", 1)
    out += wrap(f"Phase {PHASE.get(str(result.get('phase')), NONE)}.", width, "", "  ", 2)
    for line in window_lines(result.get("windows"))[:1]:
        out += wrap(line, width, "", "  ", 2)
    return out


def comparison_text(comparison: Mapping[str, Any], width: int = 80, colour: bool = False) -> str:
    """The comparison for a terminal: answer, reasons, what is still needed, one table.

    At most 40 lines, none wider than `width` columns (at least 40); colour only when asked for.
    """
    width = max(40, width)
    verdict = table(comparison.get("verdict"))
    answer = str(verdict.get("answer", "not_proven"))
    mark, word = ANSWER.get(answer, ("?", clean(answer, 30).upper()))
    text = f"{mark} {word}: {after_word(word, clean(verdict.get('headline')))}"
    out = _paint(wrap(text, width, "", "  ", 4), colour, _TONE.get(answer, _AMBER))
    out += _list("Why:", items(verdict.get("reasons")), width, 8)
    more = needed(verdict)
    if more:
        out += wrap(more, width, "", "  ", 3)
    out += _list("To decide the rest, record:", items(verdict.get("missing")), width, 6)
    judged = str(comparison.get("judged_on"))
    counted = {"reported": "reported", "uncorrected": "misfires_uncorrected"}.get(judged)
    first, then = ("before", "after") if counted is None else ("before (true)", "after (true)")
    header = ["cyl", first, "of", then, "of", "answer", "ratio", "95 % interval"]
    rows: list[list[str]] = []
    rank: list[tuple[float, ...]] = []
    for c in items(comparison.get("cylinders")):
        b, a = table(c.get("before")), table(c.get("after"))
        shown = [
            count(side.get("misfires"))
            if counted is None
            else f"{count(side.get(counted))} ({count(side.get('misfires'))})"
            for side in (b, a)
        ]
        # the controller watches firings too that the log cannot judge
        of = [
            s.get("reported_firings")
            if counted == "reported" and finite(s.get("reported_firings")) is not None
            else s.get("firings")
            for s in (b, a)
        ]
        rows.append(
            [
                name_of_row(c),
                shown[0],
                count(of[0]),
                shown[1],
                count(of[1]),
                clean(c.get("answer"), 22).replace("_", " ") or NONE,
                number(c.get("ratio")),
                span(c.get("ratio_ci95")),
            ]
        )
        rank.append((finite(a.get("misfires")) or 0.0, finite(b.get("misfires")) or 0.0))
    rows, left = _fold(rows, rank, 14)
    out += ["", *_grid(header, rows, width)] if rows else ["", "No cylinder could be compared."]
    if counted is not None and rows:
        what = (
            "counts of the controller" if counted == "reported" else "counts of a monitor without correction"
        )
        out.append(f"before, after: {what}; (true): misfires that the log shows.")
    if left:
        out.append(f"… {left} more cylinders in the report and in the JSON")
    pattern = table(comparison.get("pattern"))
    out += [
        "",
        *wrap(
            f"Tooth pattern changed: {yes_no(pattern.get('changed'))}; stable before: "
            f"{yes_no(pattern.get('stable_before'))}; stable after: {yes_no(pattern.get('stable_after'))}.",
            width,
            "",
            "  ",
            2,
        ),
    ]
    swapped = items(comparison.get("swapped"))
    if swapped:
        out += wrap(f"Part swapped between {names(swapped)}.", width, "", "  ", 1)
    return "\n".join(out[:MAX_LINES]) + "\n"
