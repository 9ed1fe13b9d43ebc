"""`misfire inspect`: what is in a log, what was decided on the way, and what it is good enough for."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from misfire.cli import options as o


@o.gathers
def inspect(
    log: Annotated[str | None, typer.Argument(help="The log.")] = None,
    *,
    layout: o.EngineWords,
    channels: Annotated[str | None, typer.Option("--channels", help="Slow channels (CSV).")] = None,
    json: o.JsonOption = None,
    guide: Annotated[bool, typer.Option("--guide", help="Print how to record a log; needs no log.")] = False,
    read: o.Given,
) -> None:
    """Say what is in a log: edges, turns, speeds, wheel, phase, signal faults, coast-downs.

    Example: misfire inspect log.wav --engine inline4
    """
    from misfire.cli.guide import RECORDING_GUIDE
    from misfire.cli.output import emit_json, say
    from misfire.errors import InputError

    if log is None:
        if not guide:
            raise InputError("inspect: name a log, or give --guide to read how to record one")
        emit_json({"format": "misfire-guide", "version": 1, "recording_guide": RECORDING_GUIDE}, json)
        if json != "-":
            say(_guide())
        return
    from misfire.inspection import inspect_log
    from misfire.intake import read as read_log
    from misfire.intake.channels import read_channels

    chosen = layout.build() if layout.named else None
    options = o.build_read(chosen, **read)
    recording = read_log(log, options)
    slow = read_channels(channels) if channels else None
    result = inspect_log(recording, chosen, layout.wheel_alone(), slow)
    result["recording_guide"] = list(RECORDING_GUIDE)
    emit_json(result, json)
    if json != "-":
        say(_lines(result))


def _guide() -> list[str]:
    from misfire.cli.guide import RECORDING_GUIDE

    return ["how to record (again):", *(f"- {line}" for line in RECORDING_GUIDE)]


def _lines(r: dict[str, Any]) -> list[str]:
    s = r["log"]["speed_rpm"]
    out = [
        f"{r['log']['file']}: {r['log']['edges']} crank edges, {r['log']['turns']} turns, {r['log']['duration_s']:.1f} s, "
        f"{s['min']:.0f} to {s['max']:.0f} rpm",
        f"faults  {r['signal']['extra_edges']} extra, {r['signal']['lost_edges']} lost edges, "
        f"{r['signal']['resyncs']} breaks, {r['signal']['turns_set_aside']} turns set aside",
    ]
    if r["log"]["cam_edges"] or r["log"]["cylinder1_marks"]:
        out.append(
            f"also    {r['log']['cam_edges']} cam edges, {r['log']['cylinder1_marks']} marks of cylinder 1"
        )
    out.append("decided:")
    out += [f"  {k}: {v}" for k, v in r["decided"].items()]
    for c in r["coast_downs"]:
        out.append(
            f"coast-down with the fuel cut: {c['from_s']:.1f} to {c['to_s']:.1f} s, {c['from_rpm']:.0f} to {c['to_rpm']:.0f} rpm, {c['turns']} turns"
        )
    if not r["coast_downs"]:
        out.append("no coast-down with the fuel cut was seen")
    out.append("good enough for:")
    out += [f"  {line}" for line in r["good_for"]]
    out += [f"note: {n}" for n in r["signal"]["notes"]]
    out += [
        "",
        "an engine file to start from (check every number against the service manual):",
        *r["engine_file"].splitlines(),
        "",
        *_guide(),
    ]
    return out
