"""`misfire engines`: the shipped engine layouts."""

from __future__ import annotations

from typing import Annotated, Any

import typer


def engines(
    json: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - for stdout.")
    ] = None,
) -> None:
    """List the shipped engine layouts and their firing orders.

    Example: misfire engines --json -
    """
    from misfire.cli.output import emit_json, say
    from misfire.engine import Engine, layout_names

    rows: list[dict[str, Any]] = []
    for name in layout_names():
        e = Engine.load(name)
        pairs = sorted({tuple(sorted(p)) for p in e.companions.items()})
        rows.append(
            {
                "name": name,
                "description": e.name,
                "cylinders": e.cylinders,
                "firing_order": list(e.firing_order),
                "firing_tdc_deg": list(e.firing_tdc_deg),
                "companions": [list(p) for p in pairs],
            }
        )
    emit_json({"format": "misfire-engines", "version": 1, "engines": rows}, json)
    if json == "-":
        return
    say(f"{'layout':<12} {'firing order':<17} {'companions':<24} description")
    for r in rows:
        order = "-".join(map(str, r["firing_order"]))
        pairs_text = " ".join(f"{a}+{b}" for a, b in r["companions"]) or "none"
        say(f"{r['name']:<12} {order:<17} {pairs_text:<24} {r['description']}")
    say("")
    say(
        "Firing orders differ between engines of one layout: check yours in the service manual, and give another one "
        "with --firing-order 1-3-4-2."
    )
