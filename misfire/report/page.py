"""The page of one analysis: answer, evidence, counts, figures, signal, method."""

from __future__ import annotations

import base64
import functools
import gzip
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from misfire.report import words as w
from misfire.report.cautions import EVERY, cautions_for
from misfire.report.figure import Figure
from misfire.report.figures_events import coverage, distribution, strips
from misfire.report.figures_fit import companion_plane, scaling
from misfire.report.figures_map import lost_work_map
from misfire.report.figures_wheel import edge_faults, tooth_pattern
from misfire.report.firings import Firings, read_firings
from misfire.report.glance import glance_list
from misfire.report.markup import Table, bdi, bullets, esc, facts, section
from misfire.report.method import METHOD, SOURCES
from misfire.report.style import CSS, SCRIPT

if TYPE_CHECKING:
    import pandas as pd

_JOB = (
    ("number", "Job number"),
    ("odometer", "Odometer"),
    ("codes", "Codes before clearing"),
    ("freeze_frame", "Freeze frame"),
    ("work_done", "Work done"),
    ("parts", "Parts"),
)
# Scripts and styles of the page itself only: the browser refuses every request.
_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "font-src data:"
)
FOOT = (
    "<p>An aid to diagnosis. The vehicle's service manual, local rules and licensed practice come first.</p>"
)


@functools.cache
def _packed_library() -> str:
    """The drawing library, packed to less than half its size."""
    from plotly.offline import get_plotlyjs

    return base64.b64encode(gzip.compress(get_plotlyjs().encode(), 6, mtime=0)).decode()


def document(title: str, head: str, body: str, foot: str, figures: bool) -> str:
    """The whole file; the drawing library goes in once, and only when something is drawn."""
    library = ""
    if figures:
        library = f'<script type="text/plain" id="library">{_packed_library()}</script>\n<script>{SCRIPT}</script>\n'
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f'<title>{esc(title, 120)}</title>\n<link rel="icon" href="data:,">\n'
        f"<style>{CSS}</style>\n</head>\n<body>\n"
        f'<a class="skip" href="#main">Go to the answer</a>\n<header>{head}</header>\n'
        f'<main id="main" '
        f'tabindex="-1">\n{body}</main>\n<footer>{foot}</footer>\n{library}</body>\n</html>\n'
    )


# endings of names that say the unit of a number
_UNITS = {
    "rpm": "rpm",
    "pct": "%",
    "c": "\u00b0C",
    "f": "\u00b0F",
    "kpa": "kPa",
    "km": "km",
    "kmh": "km/h",
    "mph": "mph",
    "deg": "deg",
    "s": "s",
    "v": "V",
}


def _flat(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(_named(w.clean(k, 60), v) for k, v in value.items())
    return ", ".join(_flat(v) if isinstance(v, Mapping) else w.clean(v) for v in w.items(value))


def _named(key: str, value: Any) -> str:
    name, _, ending = key.rpartition("_")
    if name and ending in _UNITS and w.finite(value) is not None:
        return f"{name.replace('_', ' ')} {w.number(value, 6)} {_UNITS[ending]}"
    return f"{key.replace('_', ' ')} {_flat(value)}"


def job_head(job: Mapping[str, Any] | None) -> str:
    """The job's own facts, known ones first; nothing in it is required."""
    if not job:
        return ""
    known = dict(_JOB)
    pairs = [(known[k], _flat(job[k])) for k in known if k in job]
    pairs += [
        (w.clean(k, 60).replace("_", " ").capitalize(), _flat(v)) for k, v in job.items() if k not in known
    ]
    return facts(pairs)


def answer_box(tone: str, mark: str, word: str, headline: str, extra: str) -> str:
    """The answer: symbol, word and sentence, so that colour is never needed."""
    return (
        f'<div class="answer {tone}"><p class="word"><span aria-hidden="true">{mark} </span>{esc(word)}</p>'
        f'<p class="headline">{bdi(w.after_word(word, headline), 600)}</p>{extra}</div>'
    )


def mind(causes: Sequence[str]) -> str:
    """The cautions that go with acting on this answer."""
    return f'<div class="mind"><h3>Mind before you act</h3>{bullets(cautions_for(causes))}</div>'


def _evidence_row(e: Mapping[str, Any]) -> list[str]:
    """Name, meaning, value, uncertainty and limit; an interval stands for one standard deviation where given."""
    unit = w.clean(e.get("unit"), 20)
    sd, interval = w.with_unit(e.get("sd"), unit), w.span(e.get("ci95"))
    doubt = f"± {sd} (1 sd)" if sd != w.NONE else w.NONE
    if interval != w.NONE:
        doubt = f"{interval} {unit}".strip() + " (95 %)"
    value = w.as_sure_as(e.get("value"), e.get("sd"))
    return [
        w.sentence(w.clean(e.get("name"), 120)),
        w.clean(e.get("says"), 200) or w.NONE,
        w.clean(value, 60) if isinstance(value, str) else w.with_unit(value, unit),
        doubt,
        w.clean(e["limit"], 60) if isinstance(e.get("limit"), str) else w.with_unit(e.get("limit"), unit),
    ]


def evidence(verdict: Mapping[str, Any]) -> str:
    """What the answer rests on: numbers, limits, uncertainty."""
    out = ""
    for f in (w.table(x) for x in w.items(verdict.get("findings"))):
        said = w.items(f.get("evidence"))
        if said:
            out += f"<h3>{esc(w.sentence(w.cause(f)))}</h3>{bullets(said)}"
    weak = [f"{w.cause(w.table(c))}; {w.confidence(w.table(c))}" for c in w.items(verdict.get("candidates"))]
    if weak:
        out += f"<h3>Possible, but not firm</h3>{bullets(weak)}"
    out += _measurements(w.items(verdict.get("evidence")))
    return out or "<p>The result names no evidence.</p>"


def _measurements(entries: Sequence[Any]) -> str:
    """The numbers as a table, what is said in words above it."""
    rows = [_evidence_row(e) for e in (w.table(x) for x in entries) if e]
    out = bullets([e for e in entries if isinstance(e, str)])
    if rows:
        head = ["What was measured", "What it says", "Value", "Uncertainty", "Limit"]
        keep = [k for k in range(len(head)) if k == 0 or any(r[k] != w.NONE for r in rows)]
        out += Table(
            "Measurements that the answer rests on",
            [head[k] for k in keep],
            [[r[k] for k in keep] for r in rows],
            words=True,
        ).html()
    return out


def counts_table(result: Mapping[str, Any]) -> str:
    """Counts of each cylinder: found, uncorrected, reported."""
    rows, marked = [], set()
    for i, c in enumerate(w.table(x) for x in w.items(result.get("cylinders"))):
        if (w.finite(c.get("misfires")) or 0) > 0:
            marked.add(i)
        rows.append(
            [
                w.row_name(result, c.get("cylinder")),
                w.count(c.get("firings")),
                w.count(c.get("misfires")),
                w.number(c.get("rate_pct")),
                w.span(c.get("rate_ci95_pct")),
                w.count(c.get("misfires_uncorrected")),
                w.count(c.get("reported")),
                w.count(c.get("partial")),
                w.work(c.get("mean_lost_work")),
                w.count(c.get("unusable")),
            ]
        )
    if not rows:
        return "<p>No cylinder could be counted.</p>"
    head = ["Cylinder", "Firings", "Misfires found", "Rate (%)", "95 % interval (%)", "Uncorrected monitor"]
    head += ["Reported by the controller", "Partial burns", "Mean lost work", "Not usable"]
    out = Table("Counts of each cylinder", head, rows, frozenset(marked)).html()
    out += (
        "<p>Uncorrected monitor: what a monitor with the right limits that takes the wheel as perfect "
        "would count. Partial "
        "burns are not misfires. Not usable firings are never counted.</p>"
    )
    out += "".join(f"<p>{esc(line)}</p>" for line in w.reported_lines(result))
    out += _intervals(result)
    return out + "".join(f"<p>{esc(line)}</p>" for line in w.window_lines(result.get("windows")))


def _intervals(result: Mapping[str, Any]) -> str:
    """Exact intervals of what monitors count; empty without any."""
    rows = []
    for c in (w.table(x) for x in w.items(result.get("cylinders"))):
        row = [w.row_name(result, c.get("cylinder"))]
        row += [w.span(c.get(k)) for k in ("rate_ci95_pct", "uncorrected_ci95_pct", "reported_ci95_pct")]
        rows.append(row)
    head = ["Cylinder", "Misfires found (%)", "Uncorrected monitor (%)", "Reported by the controller (%)"]
    keep = [k for k in range(4) if k == 0 or any(r[k] != w.NONE for r in rows)]
    if not {2, 3} & set(keep):
        return ""
    out = Table(
        "95 % intervals of the rates", [head[k] for k in keep], [[r[k] for k in keep] for r in rows]
    ).html()
    return out + (
        "<p>Exact intervals (Clopper-Pearson, both tails alike), every firing taken as independent: misfires that come in "
        "clusters are less sure. The controller's counts are set against all firings with fuel.</p>"
    )


def signal_section(result: Mapping[str, Any], events: pd.DataFrame | None = None) -> str:
    """Log, signal and pattern in numbers, notes, and what was not usable."""
    log, sig, pattern = (w.table(result.get(k)) for k in ("log", "signal", "pattern"))
    engine = w.table(result.get("engine"))
    wheel, speed = w.table(engine.get("wheel")), w.table(log.get("speed_rpm"))
    order = "-".join(w.clean(c, 10) for c in w.items(engine.get("firing_order")))
    left_out = [
        f"{w.clean(c.get('cylinder'), 20)}: {w.count(c.get('unusable'))}"
        for c in (w.table(x) for x in w.items(result.get("cylinders")))
        if (w.finite(c.get("unusable")) or 0) > 0
    ]
    unusable = ["Firings of each cylinder: " + ", ".join(left_out)] if left_out else []
    phase, learned = str(result.get("phase")), str(pattern.get("learned_from"))
    files = w.items(log.get("files"))
    pairs = [
        ("Logs", w.count(len(files)) if len(files) > 1 else ""),
        ("Edges", w.count(log.get("edges"))),
        ("Turns", w.number(log.get("turns"), 6)),
        ("Duration", w.with_unit(log.get("duration_s"), "s")),
        (
            "Speed",
            f"{w.count(speed.get('min'))} to {w.count(speed.get('max'))} rpm, "
            f"median {w.count(speed.get('median'))}",
        ),
        ("Edges too many", w.count(sig.get("extra_edges"))),
        ("Edges lost", w.count(sig.get("lost_edges"))),
        ("Numbering restarted", w.count(sig.get("resyncs"))),
        ("Turns set aside", w.count(sig.get("turns_set_aside"))),
        ("Engine", w.clean(engine.get("name"), 80)),
        ("Firing order", order),
        ("Wheel", w.clean(wheel.get("label"), 60)),
        ("Pattern stable", w.yes_no(pattern.get("stable"))),
    ]
    out = facts(pairs)
    out += f"<p>Phase {esc(w.PHASE.get(phase, 'is not stated'))}.</p>"
    out += f"<p>Tooth pattern learned from {esc(w.LEARNED.get(learned, 'a source that is not stated'))}.</p>"
    out += bullets(w.items(sig.get("notes")))
    out += "<h3>Assumed</h3>" + (bullets(w.items(result.get("assumptions"))) or "<p>Nothing was assumed.</p>")
    if events is not None and {"state", "reason"} <= set(events.columns):
        why = events.loc[events["state"] == "unusable", "reason"].value_counts()
        unusable += [
            f"Why: {w.clean(reason, 120)}: {w.count(int(k))} firing{'' if k == 1 else 's'}"
            for reason, k in why.items()
        ]
    out += "<h3>Not usable</h3>" + (bullets(unusable) or "<p>No firing had to be left out.</p>")
    return out


_USES = {
    "log": "crank log",
    "cam": "cam signal",
    "channels": "slow channels",
    "counts": "controller counts",
    "engine": "engine file",
    "pattern": "tooth pattern",
}


def method_section(
    results: Sequence[tuple[str, Mapping[str, Any]]], causes: Sequence[str], command: object = None
) -> str:
    """Method, sources, cautions not shown above, version and inputs with checksums."""
    out = "".join(f"<p>{esc(t, 900)}</p>" for t in METHOD)
    out += f"<h3>Sources</h3>{bullets(SOURCES)}<h3>Cautions</h3>"
    out += '<p>First of all those under <a href="#next">What to do next</a>.'
    rest = [c for c in EVERY if c not in cautions_for(causes)]
    out += f" For work beyond it:</p>{bullets(rest)}" if rest else "</p>"
    out += "<h3>To make this result again</h3>"
    versions = {w.clean(r.get("version_of_tool"), 40) for _, r in results if r.get("version_of_tool")}
    out += f"<p>Made with version {esc(', '.join(sorted(versions)) or 'not stated')}.</p>"
    if command:
        out += f"<p>Asked for with: <code>{esc(command, 2000)}</code></p>"
    rows = [
        [
            (f"{side}: " if side else "") + w.clean(i.get("file"), 200),
            _USES.get(str(i.get("use")), w.clean(i.get("use"), 40)) or w.NONE,
            w.count(i.get("bytes")),
            w.clean(i.get("sha256"), 64),
        ]
        for side, r in results
        for i in (w.table(x) for x in w.items(r.get("inputs")))
        if i
    ]
    if rows:
        head = ["File", "Holds", "Bytes", "SHA-256"]
        return out + Table("Inputs with their checksums", head, rows, words=True, names=True).html()
    return out + "<p>The result names no input files.</p>"


def figure_list(result: Mapping[str, Any], firings: Firings | None) -> list[Figure]:
    """All figures of an analysis, those that decide first."""
    return [
        companion_plane(result, firings),
        strips(result, firings),
        scaling(result, firings),
        tooth_pattern(result),
        lost_work_map(result),
        distribution(result, firings),
        edge_faults(result),
        coverage(result, firings),
    ]


def analysis_page(
    result: Mapping[str, Any], events: pd.DataFrame | None, job: Mapping[str, Any] | None = None
) -> str:
    """See `misfire.report.analysis_page`."""
    verdict = w.table(result.get("verdict"))
    status = str(verdict.get("status", "undetermined"))
    mark, word, plain = w.STATUS.get(status, ("?", w.clean(status, 20).upper(), ""))
    findings = [w.table(f) for f in w.items(verdict.get("findings"))]
    lines = "".join(f"<p>{bdi(w.sentence(w.cause(f)))}; {esc(w.confidence(f))}.</p>" for f in findings)
    if none := w.no_misfire(result):
        lines = f"<p>{esc(none)}</p>" + lines
    tone = status if status in w.STATUS else "undetermined"
    headline = w.clean(verdict.get("headline"), 600) or plain
    body = answer_box(tone, mark, word, headline, glance_list(result) + lines)
    steps: list[Any] = []
    for f in findings:
        steps += [s for s in w.items(f.get("next_steps")) if s not in steps]
    missing = w.items(verdict.get("missing"))
    todo = bullets(steps, ordered=True)
    if missing:
        todo += f"<h3>To decide the rest, record</h3>{bullets(missing)}"
    if not todo:
        todo = f"<p>{esc(w.CLEAR_NEXT if status == 'clear' else 'Nothing further is named.')}</p>"
    causes = [str(w.table(f).get("cause")) for f in findings or w.items(verdict.get("candidates"))]
    figures = figure_list(result, read_firings(result, events))
    body += section("next", "What to do next", todo, mind(causes))
    body += section("evidence", "What it rests on", evidence(verdict))
    body += section("counts", "Counts per cylinder", counts_table(result))
    body += section("figures", "Figures", *(f.html() for f in figures))
    body += section("signal", "Signal, assumptions, what was not usable", signal_section(result, events))
    body += section(
        "method",
        "Method, sources, cautions, inputs",
        method_section([("", result)], causes, result.get("command")),
    )
    head = f"<h1>True misfire or false count? Analysis of a crank log</h1>{job_head(job)}"
    return document("Misfire analysis", head, body, FOOT, any(f.plot is not None for f in figures))
