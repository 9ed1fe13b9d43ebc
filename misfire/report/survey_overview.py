"""The page of a survey: how many of which, the logs that ask for something, two figures, every row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from misfire.report import words as w
from misfire.report.figure import Figure, axis, blank, f32
from misfire.report.markup import Table, bullets, esc, section
from misfire.report.page import FOOT, answer_box, document
from misfire.report.style import COOL, HOT, INK, SIDE
from misfire.report.survey_text import GROUPS, by_cause, causes, counted, headline, in_order, quality, what
from misfire.survey.columns import COLUMNS

Row = Mapping[str, Any]
MOST_ROWS = 2000  # rows on the page; the table file always holds all
_FIRST = 15
_LOOK = {
    "found": ("square", HOT, "■"),
    "undetermined": ("diamond-open", SIDE, "◇"),
    "clear": ("circle-open", INK, "○"),
}


def answers(rows: Sequence[Row]) -> Figure:
    """Number of logs by answer and by cause."""
    n, found = counted(rows), by_cause(rows)
    lines = [(w.sentence(w.CAUSE.get(c, w.clean(c, 40))), k, HOT, "/") for c, k in found.items()]
    if n["error"]:
        lines.append(("Could not be judged", n["error"], COOL, "x"))
    lines.append(("Not decided", n["undetermined"], SIDE, "."))
    lines.append(("Clear", n["clear"], INK, ""))
    plot = blank(80 + 34 * len(lines))
    y = list(range(len(lines)))[::-1]
    plot.add_trace(
        go.Bar(
            x=f32([k for _, k, _, _ in lines]),
            y=f32(y),
            orientation="h",
            width=0.6,
            text=[w.count(k) for _, k, _, _ in lines],
            textposition="outside",
            cliponaxis=False,
            marker={
                "color": [c for _, _, c, _ in lines],
                "pattern": {"shape": [s for _, _, _, s in lines], "size": 5},
                "line": {"width": 0},
            },
            hoverinfo="skip",
        )
    )
    top = max(k for _, k, _, _ in lines) or 1
    plot.update_yaxes(
        **axis(
            tickvals=y, ticktext=[t for t, _, _, _ in lines], range=[-0.6, len(lines) - 0.4], showgrid=False
        )
    )
    plot.update_xaxes(**axis("number of logs", range=[0, 1.15 * top], rangemode="tozero", nticks=6))
    said = "; ".join(f"{t.lower()} {k}" for t, k, _, _ in lines)
    return Figure(
        "answers",
        "What did the logs show?",
        "A log that shows two causes is counted with both.",
        f"Number of logs by answer: {said}.",
        plot,
        tables=[Table("Logs by answer", ["Answer", "Logs"], [[t, w.count(k)] for t, k, _, _ in lines])],
    )


def trust(rows: Sequence[Row]) -> Figure:
    """Misfire rate of the worst cylinder against the share that could not be judged, one mark a log."""
    key, question = "trust", "Which logs misfire, and how much of each could be judged?"
    known = [r for r in rows if r.get("unusable_pct") is not None and r.get("rate_pct") is not None]
    if not known:
        return Figure(key, question, why="No log could be judged.")
    floor = 0.01
    plot = blank(380)
    shown = 0
    for status, (symbol, colour, _) in _LOOK.items():
        own = [r for r in known if r.get("status") == status]
        # every log with a finding is drawn; of the others so many that the page stays light
        step = 1 if status == "found" else max(1, len(own) // 2000)
        own = own[::step]
        shown += len(own)
        if own:
            x = np.array([r["unusable_pct"] for r in own])
            y = np.array([max(r.get("worst_rate_pct") or 0.0, floor) for r in own])
            plot.add_trace(
                go.Scatter(
                    x=f32(x),
                    y=f32(y),
                    mode="markers",
                    text=[w.clean(r["file"], 60).replace("<", "‹").replace("&", "＆") for r in own],
                    marker={"symbol": symbol, "color": colour, "size": 9, "line": {"width": 1.5}},
                    hovertemplate="%{text}<extra></extra>",
                )
            )
    most = max(float(r["unusable_pct"]) for r in known)
    plot.update_xaxes(
        **axis("firings that could not be judged (%)", range=[-0.02 * most - 0.5, 1.05 * most + 1])
    )
    plot.update_yaxes(
        **axis(
            "misfires of the worst cylinder (%)",
            type="log",
            range=[-2.2, 2.1],
            tickvals=[0.01, 0.1, 1, 10, 100],
            ticktext=["0", "0.1", "1", "10", "100"],
        )
    )
    worst = in_order([r for r in known if r.get("worst_rate_pct")])[:1]
    best = f" Highest rate: {w.number(worst[0]['worst_rate_pct'])} %, {worst[0]['file']}." if worst else ""
    return Figure(
        key,
        question,
        "One mark a log. High up: a cylinder misfires often. Far right: much of the log could not be judged, so its "
        "answer rests on little. The scale upward goes by tens; 0 stands at its foot.",
        f"{w.count(shown)} of {w.count(len(known))} judged logs drawn.{best}",
        plot,
        legend=[(_LOOK[s][2], _LOOK[s][1], GROUPS[s][1].lower()) for s in _LOOK],
    )


def _every_row(rows: Sequence[Row]) -> str:
    ordered = in_order(rows)
    head = [
        "Log",
        "Answer",
        "Cause",
        "Misfires",
        "Worst cylinder",
        "Reported",
        "Signal",
        "Length (s)",
    ]
    body = []
    for r in ordered[:MOST_ROWS]:
        worst = (
            f"{r['worst_cylinder']}: {w.number(r['worst_rate_pct'])} %" if r.get("worst_rate_pct") else w.NONE
        )
        many = w.NONE if r.get("misfires") is None else f"{w.count(r['misfires'])} of {w.count(r['firings'])}"
        mark, word, _ = GROUPS.get(str(r.get("status")), ("?", "?", ""))
        body.append(
            [
                w.clean(r["file"], 120),
                f"{mark} {word.lower()}",
                what(r) if r.get("status") == "error" else causes(r) or w.NONE,
                many,
                worst,
                w.count(r.get("reported")),
                quality(r),
                w.number(r.get("duration_s"), 4),
            ]
        )
    keep = [k for k in range(len(head)) if k == 0 or any(row[k] != w.NONE for row in body)]
    out = Table(
        "Every log, those that ask for something first",
        [head[k] for k in keep],
        [[row[k] for k in keep] for row in body],
        words=True,
        names=True,
    ).html()
    if len(ordered) > MOST_ROWS:
        out += f"<p>The first {w.count(MOST_ROWS)} of {w.count(len(ordered))} logs; the table file holds all.</p>"
    return out


def survey_page(rows: Sequence[Row]) -> str:
    """The complete HTML page of a survey; see `misfire.report.survey_overview`."""
    n = counted(rows)
    tone = "found" if n["found"] else "undetermined" if n["undetermined"] or n["error"] else "clear"
    status = "found" if n["found"] else "undetermined" if tone == "undetermined" else "clear"
    mark, word, _ = GROUPS[status]
    kinds = "".join(
        f'<li class="bad"><b>{k}</b> {esc(w.CAUSE.get(c, w.clean(c, 40)))}</li>'
        for c, k in by_cause(rows).items()
    )
    lines = f'<ul class="glance" aria-label="Logs by cause">{kinds}</ul>' if kinds else ""
    body = answer_box(tone, mark, word, headline(rows), lines)
    asking = [r for r in in_order(rows) if r.get("status") != "clear"]
    todo = bullets([f"{w.clean(r['file'], 80)}: {what(r)}" for r in asking[:_FIRST]])
    if len(asking) > _FIRST:
        todo += f"<p>{w.count(len(asking) - _FIRST)} more stand in the table below.</p>"
    if not todo:
        todo = "<p>No log asks for anything.</p>"
    else:
        todo += "<p>Analyse each of them alone (<code>misfire analyse LOG --report page.html</code>) for its figures, "
        todo += "its evidence and what to do next.</p>"
    body += section("next", "Look at these first", todo)
    figures = [answers(rows), trust(rows)]
    body += section("figures", "Figures", *(f.html() for f in figures))
    body += section("logs", "Every log", _every_row(rows))
    meanings = [[name, c.meaning] for name, c in COLUMNS.items()]
    body += section(
        "columns",
        "What the table file holds",
        Table("Columns of the table file", ["Column", "Meaning"], meanings, words=True).html(),
    )
    versions = sorted({str(r["version"]) for r in rows if r.get("version")})
    body += f"<p>Made with version {', '.join(w.clean(v, 40) for v in versions) or 'not stated'}.</p>"
    head = "<h1>Survey of crank logs: which engines misfire, and which counts are false?</h1>"
    return document("Misfire survey", head, body, FOOT, any(f.plot is not None for f in figures))
