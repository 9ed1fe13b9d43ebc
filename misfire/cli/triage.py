"""`misfire triage`: what a set of trouble codes already says."""

from __future__ import annotations

from typing import Annotated

import typer


def triage(
    codes: Annotated[list[str], typer.Argument(help="Trouble codes, for example P0300 P0302 P0305.")],
    engine: Annotated[
        str | None, typer.Option("--engine", help="Engine file (TOML) or the name of a shipped layout.")
    ] = None,
    firing_order: Annotated[
        str | None, typer.Option("--firing-order", help="Firing order, for example 1-3-4-2.")
    ] = None,
    json: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - for stdout.")
    ] = None,
) -> None:
    """Say what a set of trouble codes means for this engine, and what to check or record first.

    Example: misfire triage P0300,P0302,P0303 --firing-order 1-3-4-2
    """
    from misfire.cli.output import emit_json, say
    from misfire.engine import Engine
    from misfire.errors import InputError
    from misfire.triage import triage as judge

    layout = None
    if firing_order is not None:
        try:
            order = [int(c) for c in firing_order.replace(",", "-").split("-")]
        except ValueError as err:
            raise InputError(f"--firing-order {firing_order}: write it like 1-3-4-2") from err
        layout = Engine.from_order(order)
    elif engine is not None:
        layout = Engine.load(engine)
    result = judge(codes, layout)
    emit_json(result, json)
    if json == "-":
        return
    order_text = "not given" if layout is None else "-".join(map(str, layout.firing_order))
    say([result["headline"], "", f"Codes (firing order {order_text}; check it in the service manual):"])
    say(f"  {c['code']}  {c['meaning'] or 'not a misfire, crank or cam code'}" for c in result["codes"])
    for title, key in (
        ("What they say:", "says"),
        ("What they cannot say:", "cannot_say"),
        ("Do next:", "next_steps"),
        ("Mind:", "cautions"),
    ):
        if result[key]:
            say(["", title, *(f"- {line}" for line in result[key])])
