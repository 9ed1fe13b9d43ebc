"""What a row of the survey holds: one registry for CSV, Parquet, JSON and the page's legend."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import pandas as pd


class Column(NamedTuple):
    """A column: its kind ("text", "whole" or "number") and its meaning."""

    kind: str
    meaning: str


COLUMNS: dict[str, Column] = {
    "file": Column("text", "log as named, or its place under the folder given"),
    "status": Column("text", "found, clear, undetermined; error when the log could not be judged"),
    "headline": Column("text", "the answer in one sentence"),
    "causes": Column("text", "firm findings, separated by semicolons"),
    "cylinders": Column("text", "cylinders of each finding, in the same order"),
    "confidence": Column("text", "confidence of each finding, 0 to 1, in the same order"),
    "learned": Column(
        "text", "yes where the controller's counts show that it has learned a wheel that is off"
    ),
    "candidates": Column("text", "causes that are possible but not firm"),
    "misfires": Column("whole", "misfires of all cylinders"),
    "firings": Column("whole", "firings decided, all cylinders"),
    "rate_pct": Column("number", "misfires of 100 firings, all cylinders"),
    "worst_cylinder": Column(
        "text", "cylinder with the highest rate, 2/3 where it may be either, empty without a misfire"
    ),
    "worst_rate_pct": Column("number", "its rate"),
    "misfires_by_cylinder": Column("text", "cylinder:misfires for every cylinder"),
    "misfires_uncorrected": Column("whole", "what a monitor that takes the wheel as perfect would count"),
    "reported": Column("whole", "what the controller counted, empty when not given"),
    "partial": Column("whole", "partial burns"),
    "unusable_pct": Column("number", "firings that cannot be judged, of 100"),
    "lost_edges": Column("whole", "crank edges lost"),
    "extra_edges": Column("whole", "crank edges too many"),
    "turns_set_aside": Column("whole", "turns that cannot be numbered"),
    "phase": Column("text", "measured, assumed or unknown: how cylinder names are tied to the log"),
    "pattern_from": Column("text", "what the tooth pattern was learned from"),
    "worst_tooth_deg": Column("number", "largest tooth error"),
    "engine": Column("text", "engine layout"),
    "wheel": Column("text", "crank wheel"),
    "edges": Column("whole", "crank edges"),
    "turns": Column("number", "turns numbered"),
    "duration_s": Column("number", "length of the log"),
    "rpm_min": Column("number", "lowest speed"),
    "rpm_median": Column("number", "median speed"),
    "rpm_max": Column("number", "highest speed"),
    "missing": Column("text", "what to record to decide the rest"),
    "error": Column("text", "why the log could not be judged"),
    "error_kind": Column("text", "input, too_few_turns, stopped (the worker process died) or internal"),
    "bytes": Column("whole", "size of the log"),
    "sha256": Column("text", "checksum of the log"),
    "version": Column("text", "version of the tool"),
}


def _plain(text: object, limit: int = 2000) -> str:
    """Text in one line that any reader of tables takes as text."""
    line = " ".join(str(text).split())[:limit]
    line = line.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    # a spreadsheet takes a cell that begins so for a formula
    return "'" + line if line[:1] in ("=", "+", "-", "@") else line


def blank_row(file: str, version: str) -> dict[str, Any]:
    """A row in which nothing is known yet but the log's name."""
    row: dict[str, Any] = {k: "" if c.kind == "text" else None for k, c in COLUMNS.items()}
    return row | {"file": _plain(file), "version": version}


def error_row(file: str, version: str, error: object, kind: str) -> dict[str, Any]:
    """The row of a log that could not be judged."""
    text = _plain(error)
    return blank_row(file, version) | {"status": "error", "error": text, "error_kind": kind}


def result_row(file: str, result: Mapping[str, Any]) -> dict[str, Any]:
    """The row of an analysis; counts are those of the analysis, nothing is judged again."""
    verdict, log, signal = result["verdict"], result["log"], result["signal"]
    cylinders, findings = result["cylinders"], verdict["findings"]
    firings = sum(c["firings"] for c in cylinders)
    misfires = sum(c["misfires"] for c in cylinders)
    unusable = sum(c["unusable"] for c in cylinders)
    reported = [c["reported"] for c in cylinders if c["reported"] is not None]
    worst = max(cylinders, key=lambda c: c["rate_pct"] or 0.0, default=None)
    some = worst is not None and bool(worst["misfires"])
    tooth = [abs(x) for x in result["pattern"].get("tooth_error_deg") or () if x is not None]
    inputs = (result.get("inputs") or [{}])[0]
    row = blank_row(file, result["version_of_tool"])
    row |= {
        "status": verdict["status"],
        "headline": _plain(verdict["headline"]),
        "causes": ";".join(f["cause"] for f in findings),
        "cylinders": ";".join(_names(f["cylinders"]) for f in findings),
        "confidence": ";".join(f"{f['confidence']:.4g}" for f in findings),
        "candidates": ";".join(c["cause"] for c in verdict["candidates"]),
        "misfires": misfires,
        "firings": firings,
        "rate_pct": 100.0 * misfires / firings if firings else None,
        "learned": "yes" if any(f["detail"].get("learned") for f in findings) else "",
        "worst_cylinder": _row_name(worst) if some and worst else "",
        "worst_rate_pct": worst["rate_pct"] if some and worst else None,
        "misfires_by_cylinder": " ".join(f"{_row_name(c)}:{c['misfires']}" for c in cylinders),
        "misfires_uncorrected": sum(c["misfires_uncorrected"] for c in cylinders),
        "reported": sum(reported) if reported else None,
        "partial": sum(c["partial"] for c in cylinders),
        "unusable_pct": 100.0 * unusable / (firings + unusable) if firings + unusable else None,
        "lost_edges": signal["lost_edges"],
        "extra_edges": signal["extra_edges"],
        "turns_set_aside": signal["turns_set_aside"],
        "phase": result["phase"],
        "pattern_from": result["pattern"]["learned_from"],
        "worst_tooth_deg": max(tooth) if tooth else None,
        "engine": _plain(result["engine"]["name"]),
        "wheel": result["engine"]["wheel"]["label"],
        "edges": log["edges"],
        "turns": log["turns"],
        "duration_s": log["duration_s"],
        "rpm_min": log["speed_rpm"]["min"],
        "rpm_median": log["speed_rpm"]["median"],
        "rpm_max": log["speed_rpm"]["max"],
        "missing": _plain("; ".join(verdict["missing"])),
        "bytes": inputs.get("bytes"),
        "sha256": inputs.get("sha256", ""),
    }
    for name, column in COLUMNS.items():
        if row[name] is not None and column.kind != "text":
            row[name] = int(row[name]) if column.kind == "whole" else float(row[name])
    return row


def _row_name(cylinder: Mapping[str, Any]) -> str:
    return "/".join(str(c) for c in cylinder.get("either") or [cylinder["cylinder"]])


def _names(cylinders: Sequence[object]) -> str:
    return " ".join(str(c) for c in cylinders)


def frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The rows as a table with typed columns; a number that is not known is empty, never zero."""
    import pandas as pd

    kinds = {"text": "str", "whole": "Int64", "number": "float64"}
    return pd.DataFrame(
        {
            name: pd.array([r.get(name) for r in rows], dtype=kinds[c.kind])  # type: ignore[call-overload]
            for name, c in COLUMNS.items()
        }
    )
