"""`misfire inspect`: what is in a log, what was decided on the way, and what it is good enough for."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from misfire.cli import options as o


@o.reads_logs
def inspect(
    log: Annotated[str, typer.Argument(help="The log.")],
    engine: o.EngineOption | None = None,
    firing_order: o.OrderOption = None,
    wheel: o.WheelOption = None,
    first_tooth: o.FirstToothOption = None,
    channels: Annotated[str | None, typer.Option("--channels", help="Slow channels (CSV).")] = None,
    json: o.JsonOption = None,
    *,
    read: o.Given,
) -> None:
    """Say what is in a log: edges, turns, speeds, wheel, phase, signal faults, coast-downs."""
    from misfire.cli.output import emit_json, say
    from misfire.inspection import inspect_log
    from misfire.intake import read as read_log
    from misfire.intake.channels import read_channels

    chosen = o.build_engine(engine, firing_order, wheel, first_tooth) if engine or firing_order else None
    options = o.build_read(chosen, **read)
    wheel_only = None
    if chosen is None and wheel is not None:
        from misfire.engine import Wheel

        wheel_only = Wheel.from_label(wheel)
    recording = read_log(log, options)
    slow = read_channels(channels) if channels else None
    result = inspect_log(recording, chosen, wheel_only, slow)
    emit_json(result, json)
    if json != "-":
        say(_lines(result))


def _lines(r: dict[str, Any]) -> list[str]:
    s = r["log"]["speed_rpm"]
    out = [
        f"{r['log']['file']}: {r['log']['edges']} crank edges, {r['log']['turns']} turns, {r['log']['duration_s']:.1f} s, "
        f"{s['min']:.0f} to {s['max']:.0f} rpm",
        f"wheel   {r['wheel']['label']} ({'found in the log' if r['wheel']['found'] else 'as given'})",
        f"phase   {r['phase']}",
        f"faults  {r['signal']['extra_edges']} extra, {r['signal']['lost_edges']} lost edges, "
        f"{r['signal']['resyncs']} breaks, {r['signal']['turns_set_aside']} turns set aside",
    ]
    if r["decided"]:
        out.append("decided while reading:")
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
    ]
    return out
