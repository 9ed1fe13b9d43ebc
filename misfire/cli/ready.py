"""`misfire ready`: conditions for a pattern learn, and the coast-downs in the record."""

from __future__ import annotations

from typing import Annotated, Any

import typer


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


def _range(text: str) -> tuple[float, float]:
    from misfire.errors import InputError

    try:
        low, high = (float(v) for v in text.split("-"))
    except ValueError as err:
        raise InputError(f"--warm-rpm {text}: write a range such as 2000-3000") from err
    return low, high


def ready(
    channels: Annotated[str, typer.Argument(help="Slow channels (CSV).")],
    log: Annotated[str | None, typer.Argument(help="Tooth-timing log, to judge its coast-downs.")] = None,
    wheel: Annotated[
        str | None, typer.Option("--wheel", help="Crank wheel of the log, for example 60-2.")
    ] = None,
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
    warm_rpm: Annotated[str, typer.Option("--warm-rpm", help="Speed range of the warm-up.")] = "2000-3000",
    json: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - for stdout.")
    ] = None,
) -> None:
    """Say whether the conditions for a crank pattern learn are met, and whether a coast-down is usable."""
    from misfire.cli.output import emit_json, say
    from misfire.intake.channels import align_channels, read_channels
    from misfire.ready import ReadyLimits
    from misfire.ready import ready as judge

    limits = ReadyLimits(
        coolant_min_c=_celsius(coolant_min, "--coolant-min"),
        coolant_max_c=_celsius(coolant_max, "--coolant-max"),
        transmission_min_c=None
        if transmission_min.strip().lower() == "none"
        else _celsius(transmission_min, "--transmission-min"),
        warm_rpm=_range(warm_rpm),
    )
    slow = read_channels(channels)
    coast_downs = None
    if log is not None:
        from misfire.crank import number_edges
        from misfire.engine import Wheel
        from misfire.intake.reading import read
        from misfire.onelog import turn_speed
        from misfire.ready import log_coast_downs

        crank = number_edges(read(log).crank_s, None if wheel is None else Wheel.from_label(wheel))
        slow = align_channels(slow, *turn_speed(crank.time_s, crank.block))
        coast_downs = log_coast_downs(crank.time_s, crank.block, slow)
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
    value = "not in the channels" if c["value"] is None else f"{c['value']:g}"
    limit = c["limit"]
    if "rpm" in limit:
        wanted = f"advice: {limit['rpm'][0]:g}-{limit['rpm'][1]:g} rpm"
    else:
        wanted = f"at least {limit['min']:.0f}" + (f", at most {limit['max']:.0f}" if "max" in limit else "")
    return f"  {c['name']:<16} {value:<20} {met:<10} {wanted}"


def _coast(c: dict[str, Any]) -> str:
    accuracy = "" if c["accuracy_deg"] is None else f", pattern to about {c['accuracy_deg']:.4f} deg"
    return (
        f"  {c['from_s']:.1f} to {c['to_s']:.1f} s: {c['from_rpm']:.0f} down to {c['to_rpm']:.0f} rpm, "
        f"{c['turns']:.0f} turns, {'usable' if c['usable'] else 'too short'}{accuracy}"
    )
