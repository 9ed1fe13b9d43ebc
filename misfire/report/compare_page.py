"""The page of a comparison: answer, reasons, counts, figures of both logs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from misfire.report import words as w
from misfire.report.figures_compare import patterns, rates
from misfire.report.figures_events import strips
from misfire.report.firings import read_firings
from misfire.report.glance import chips
from misfire.report.markup import Table, bullets, esc, facts, section
from misfire.report.page import FOOT, answer_box, document, job_head, method_section, mind, signal_section

if TYPE_CHECKING:
    import pandas as pd

_KIND = {"cleared": "good", "unchanged": "same", "improved": "open", "cleared_cause_present": "false"}
_TONE = {"cleared": "clear", "misfire_remains": "found", "worse": "found"}
_CAUSES = {
    "misfire_remains": ["misfire"],
    "worse": ["misfire"],
    "cleared_cause_present": ["crank_pattern", "sensor_signal"],
}

# common practice, no source
_AFTERWARDS = (
    "These counts ask for no further repair. After the codes are cleared the readiness monitors have to run again. "
    "A pattern learn is due again after work on the wheel, the sensor or the controller."
)

JUDGED = {
    "found": "misfires found in the logs",
    "uncorrected": "what an uncorrected monitor would count",
    "reported": "counts of the controller",
}


def _of(part: Any, whole: Any) -> str:
    return w.NONE if w.finite(part) is None else f"{w.count(part)} of {w.count(whole)}"


def _to(before: Any, after: Any) -> str:
    pair = (w.count(before), w.count(after))
    return w.NONE if pair == (w.NONE, w.NONE) else f"{pair[0]} \u2192 {pair[1]}"


def _like(row: Mapping[str, Any]) -> str:
    """Rates at like speed and load, before and after [%]; empty where none is known."""
    like = w.table(row.get("at_like_speed_and_load"))
    pair = (w.number(like.get("before_pct")), w.number(like.get("after_pct")))
    return "" if w.NONE in pair else f"{pair[0]} \u2192 {pair[1]}"


def _glance(comparison: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """(cylinder, kind, words): its answer, and the rates at like speed and load that it was judged on.

    The counts where no rate is known, or where nothing was counted.
    """
    field = {"reported": "reported", "uncorrected": "misfires_uncorrected"}
    key = field.get(str(comparison.get("judged_on")), "misfires")
    out = []
    for c in (w.table(x) for x in w.items(comparison.get("cylinders"))):
        answer = str(c.get("answer") or "not_proven")
        counts = _to(w.table(c.get("before")).get(key), w.table(c.get("after")).get(key))
        if _like(c) and (w.finite(c.get("ratio")) is not None):
            counts = f"{_like(c)} % at like speed and load"
        kind = "bad" if _TONE.get(answer) == "found" else _KIND.get(answer, "open")
        out.append((w.name_of_row(c), kind, f"{w.clean(answer, 30).replace('_', ' ')}, {counts}"))
    return out


def _counts(comparison: Mapping[str, Any]) -> str:
    rows, marked = [], set()
    for i, c in enumerate(w.table(x) for x in w.items(comparison.get("cylinders"))):
        b, a = w.table(c.get("before")), w.table(c.get("after"))
        if (w.finite(a.get("misfires")) or 0) > 0:
            marked.add(i)
        row = [w.name_of_row(c), w.clean(c.get("answer"), 30).replace("_", " ") or w.NONE]
        row += [_of(side.get("misfires"), side.get("firings")) for side in (b, a)]
        row += [_to(b.get(k), a.get(k)) for k in ("misfires_uncorrected", "reported")]
        row += [w.number(c.get("ratio")), w.span(c.get("ratio_ci95")), w.number(c.get("p_value"))]
        rows.append([*row, _like(c) or w.NONE])
    if not rows:
        return "<p>No cylinder could be compared.</p>"
    head = [
        "Cylinder",
        "Answer",
        "Misfires before",
        "Misfires after",
        "Uncorrected monitor",
        "Reported",
    ]
    head += ["After / before", "95 % interval", "p", "At like speed and load (%)"]
    # Columns that no row fills only take room, on paper most of all.
    keep = [k for k in range(len(head)) if k == 0 or any(r[k] != w.NONE for r in rows)]
    out = Table(
        "Counts of each cylinder before and after",
        [head[k] for k in keep],
        [[r[k] for k in keep] for r in rows],
        frozenset(marked),
    ).html()
    return out + (
        "<p>Uncorrected monitor: what a monitor that takes the wheel as perfect would count, before \u2192 after. "
        "Reported: what the controller counted, before \u2192 after. Counts are those of everything driven; the answer, "
        "the ratio and its interval compare like speed and load only.</p>"
    )


def comparison_page(
    comparison: Mapping[str, Any],
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    before_events: pd.DataFrame | None = None,
    after_events: pd.DataFrame | None = None,
    job: Mapping[str, Any] | None = None,
) -> str:
    """See `misfire.report.comparison_page`."""
    verdict = w.table(comparison.get("verdict"))
    answer = str(verdict.get("answer", "not_proven"))
    mark, word = w.ANSWER.get(answer, ("?", w.clean(answer, 30).upper()))
    body = answer_box(
        _TONE.get(answer, "undetermined"),
        mark,
        word,
        w.clean(verdict.get("headline"), 600),
        chips(_glance(comparison)),
    )
    more = w.needed(verdict)
    todo = f"<p>{esc(more)}</p>" if more else ""
    if answer == "cleared":
        todo += f"<p>{esc(_AFTERWARDS)}</p>"
    watch = w.clean(w.table(comparison.get("sequential")).get("text"), 300)
    if watch and answer == "not_proven":
        todo += f"<p>{esc(watch)}</p>"
    missing = w.items(verdict.get("missing"))
    if missing:
        todo += f"<h3>To decide the rest, record</h3>{bullets(missing)}"
    after_steps: list[Any] = []
    found = [w.table(f) for f in w.items(w.table(after.get("verdict")).get("findings"))]
    # what was learned stays as it is: a wheel that the controller has learned asks for nothing more
    asks = [f for f in found if answer != "cleared" or f.get("cause") != "crank_pattern"]
    for f in asks:
        after_steps += [s for s in w.items(f.get("next_steps")) if s not in after_steps]
    if after_steps:
        todo += f"<h3>What the log after asks for</h3>{bullets(after_steps, ordered=True)}"
    causes = _CAUSES.get(answer, []) + [str(f.get("cause")) for f in asks]
    body += section("next", "What to do next", todo or "<p>Nothing further is named.</p>", mind(causes))
    reasons = bullets(w.items(verdict.get("reasons"))) or "<p>The result names no reason.</p>"
    ran = w.table(comparison.get("monitor_ran"))
    reasons += facts(
        [
            ("Judged on", JUDGED.get(str(comparison.get("judged_on")), "")),
            ("Monitor ran before", w.yes_no(ran.get("before")) if ran else ""),
            ("Monitor ran after", w.yes_no(ran.get("after")) if ran else ""),
        ]
    )
    assumed = w.items(comparison.get("assumptions"))
    if assumed:
        reasons += f"<h3>Assumed</h3>{bullets(assumed)}"
    body += section("evidence", "What it rests on", reasons)
    body += section("counts", "Counts per cylinder", _counts(comparison))
    figures = [
        rates(comparison, before, after),
        patterns(before, after),
        strips(before, read_firings(before, before_events), "strips-before", ", before"),
        strips(after, read_firings(after, after_events), "strips-after", ", after"),
    ]
    body += section("figures", "Figures", *(f.html() for f in figures))
    between = w.table(comparison.get("pattern"))
    pairs = [
        ("Pattern changed", w.yes_no(between.get("changed"))),
        ("Stable before", w.yes_no(between.get("stable_before"))),
        ("Stable after", w.yes_no(between.get("stable_after"))),
    ]
    body += section("pattern", "The tooth pattern between the logs", facts(pairs))
    body += section("signal-before", "Signal and assumptions, before", signal_section(before, before_events))
    body += section("signal-after", "Signal and assumptions, after", signal_section(after, after_events))
    method = method_section([("before", before), ("after", after)], causes, comparison.get("command"))
    body += section("method", "Method, sources, cautions, inputs", method)
    head = f"<h1>Did it clear? Comparison of two crank logs</h1>{job_head(job)}"
    return document("Misfire comparison", head, body, FOOT, any(f.plot is not None for f in figures))
