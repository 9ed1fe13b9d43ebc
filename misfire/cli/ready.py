"""`misfire ready`: conditions for a pattern learn, and the coast-downs in the record."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from misfire.cli import options as o


def _celsius(text: str, option: str) -> float:
    from misfire.errors import InputError

    body = text.strip().upper()
    fahrenheit = body.endswith("F")
    try:
        value = float(body.rstrip("CF°").strip())
    except ValueError as err:
        raise InputError(f"{option} {text}: write a temperature such as 75C or 167F") from err
    value = (value - 32.0) * 5.0 / 9.0 if fahrenheit else value
    if not -40.0 <= value <= 200.0:
        raise InputError(f"{option} {text}: write a temperature from -40 to 200 degrees Celsius")
    return value


def _celsius_or_none(text: str, option: str) -> float | None:
    return None if text.strip().lower() == "none" else _celsius(text, option)


def _range(text: str) -> tuple[float, float]:
    from misfire.errors import InputError

    try:
        low, high = (float(v) for v in text.split("-"))
    except ValueError as err:
        raise InputError(f"--warm-rpm {text}: write a range such as 2000-3000") from err
    return low, high


@o.gathers
def ready(
    channels: Annotated[str, typer.Argument(help="Slow channels (CSV).")],
    log: Annotated[str | None, typer.Argument(help="Tooth-timing log, to judge its coast-downs.")] = None,
    *,
    layout: o.EngineWords,
    coolant_min: Annotated[
        str, typer.Option("--coolant-min", help="Lowest coolant temperature, C or F.")
    ] = "75C",
    coolant_max: Annotated[
        str, typer.Option("--coolant-max", help="Highest coolant temperature, C or F.")
    ] = "120C",
    transmission_min: Annotated[
        str,
        typer.Option(
            "--transmission-min", help="Lowest transmission fluid temperature, C or F; none if not asked."
        ),
    ] = "45C",
    transmission_max: Annotated[
        str, typer.Option("--transmission-max", help="Highest transmission fluid temperature, C or F.")
    ] = "none",
    warm_rpm: Annotated[str, typer.Option("--warm-rpm", help="Speed range of the warm-up.")] = "2000-3000",
    json: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - for stdout.")
    ] = None,
    read: o.Given,
) -> None:
    """Say whether the conditions for a crank pattern learn are met, and whether a coast-down is usable.

    Example: misfire ready channels.csv log.csv --engine engine.toml
    """
    from misfire.cli.output import emit_json, say
    from misfire.intake.channels import align_channels, read_channels
    from misfire.ready import ReadyLimits
    from misfire.ready import ready as judge

    limits = ReadyLimits(
        coolant_min_c=_celsius(coolant_min, "--coolant-min"),
        coolant_max_c=_celsius(coolant_max, "--coolant-max"),
        transmission_min_c=_celsius_or_none(transmission_min, "--transmission-min"),
        transmission_max_c=_celsius_or_none(transmission_max, "--transmission-max"),
        warm_rpm=_range(warm_rpm),
    )
    slow = read_channels(channels)
    coast_downs = None
    if log is not None:
        from misfire.crank import number_edges, turn_speed
        from misfire.intake.reading import read as read_log
        from misfire.ready import log_coast_downs

        engine = layout.build() if layout.named else None
        recording = read_log(log, o.build_read(engine, **read))
        nominal = engine.wheel if engine is not None else layout.wheel_alone()
        crank = number_edges(recording.crank_s, nominal)
        slow = align_channels(slow, *turn_speed(crank.time_s, crank.block))
        coast_downs = log_coast_downs(crank.time_s, crank.block, slow)
        if engine is not None and "fuel_cut" not in slow.values:
            # No flag says when the fuel was cut; the motion does.
            from misfire.inspection import coast_downs as seen
            from misfire.onelog import study

            coast_downs = [
                {k: v for k, v in c.items() if k not in ("usable", "accuracy_deg")}
                for c in seen(study(recording, engine, channels=slow))
            ]
    result = judge(slow, coast_downs, limits)
    emit_json(result, json)
    if json == "-":
        return
    say([result["headline"], "", "Conditions at the end of the record:"])
    say(_condition(c) for c in result["conditions"])
    say(["", "Fuel-cut coast-downs:"])
    say(_coast(c) for c in result["coast_downs"])
    if not result["coast_downs"]:
        say("  none found")
    for title, key in (("Missing:", "missing"), ("Mind:", "cautions"), ("Assumed:", "assumptions")):
        if result[key]:
            say(["", title, *(f"- {line}" for line in result[key])])


def _condition(c: dict[str, Any]) -> str:
    met = {True: "met", False: "not met", None: "not known"}[c["met"]]
    limit = c["limit"]
    unit = "s" if "rpm" in limit else "C"
    value = "not in the channels" if c["value"] is None else f"{c['value']:g} {unit}"
    if "rpm" in limit:
        wanted = f"advice: {limit['rpm'][0]:g}-{limit['rpm'][1]:g} rpm"
    else:
        wanted = _limits(limit["min"], limit.get("max"))
    return f"  {c['name']:<16} {value:<20} {met:<9} {wanted}"


def _limits(low_c: float, high_c: float | None) -> str:
    low_f = low_c * 9 / 5 + 32
    if high_c is None:
        return f"from {low_c:.0f} C ({low_f:.0f} F)"
    return f"{low_c:.0f} to {high_c:.0f} C ({low_f:.0f} to {high_c * 9 / 5 + 32:.0f} F)"


def _coast(c: dict[str, Any]) -> str:
    accuracy = "" if c["accuracy_deg"] is None else f", pattern to about {c['accuracy_deg']:.4f} deg"
    return (
        f"  {c['from_s']:.1f} to {c['to_s']:.1f} s: {c['from_rpm']:.0f} down to {c['to_rpm']:.0f} rpm, "
        f"{c['turns']:.0f} turns, {'usable' if c['usable'] else 'too short'}{accuracy}"
    )
