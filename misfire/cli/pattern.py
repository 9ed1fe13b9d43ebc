"""`misfire pattern`: the tooth spacing learned from a log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from misfire.cli import options as o

if TYPE_CHECKING:
    from misfire.engine import Engine
    from misfire.intake import ReadOptions


@o.gathers
def pattern(
    log: Annotated[str, typer.Argument(help="The log, or a saved pattern to compare with another.")],
    against: Annotated[str | None, typer.Option("--against", help="A saved pattern to compare with.")] = None,
    save: Annotated[
        str | None, typer.Option("--save", help="Write the pattern for `analyse --pattern`.")
    ] = None,
    *,
    layout: o.EngineWords,
    channels: Annotated[str | None, typer.Option("--channels", help="Slow channels (CSV).")] = None,
    json: o.JsonOption = None,
    read: o.Given,
) -> None:
    """Learn the tooth spacing from a log and say how certain it is; or compare two saved patterns.

    Example: misfire pattern log.csv --engine engine.toml --save wheel.json
    """
    from pathlib import Path

    from misfire.cli.output import emit_json, say
    from misfire.errors import InputError

    if not Path(log).is_file():
        raise InputError(f"{log}: no such file; check the name")
    saved = _is_saved(log)
    if saved and not against:
        raise InputError(f"{log}: a saved pattern; name the one to compare it with: --against FILE")
    if saved:
        result = _saved(log)
    else:
        chosen = layout.build()
        result = _learned(log, chosen, channels, o.build_read(chosen, **read))
    if against:
        result["against"] = {"file": against, **_differs(result, _saved(against))}
    if save:
        if result["learned_from"] == "none":
            raise InputError(
                f"{log}: no pattern could be learned, nothing to save; record a coast-down with the fuel cut"
            )
        emit_json({k: v for k, v in result.items() if k != "against"}, save)
    emit_json(result, json)
    if json == "-":
        return
    say(_lines(result))


def _learned(log: str, engine: Engine, channels: str | None, read: ReadOptions) -> dict[str, Any]:
    from misfire.pipeline import AnalyseOptions, analyse_files

    r = analyse_files([log], AnalyseOptions(engine, channels=channels, read=read)).to_dict()
    return {
        "format": "misfire-pattern",
        "version": 1,
        "wheel": r["engine"]["wheel"],
        "engine": {k: r["engine"][k] for k in ("cylinders", "firing_order")},
        **r["pattern"],
        "inputs": r["inputs"],
    }


def _is_saved(path: str) -> bool:
    """Whether the file is a saved pattern and no log, by its first letter."""
    try:
        with open(path, "rb") as f:
            return f.read(64).lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"{"
    except OSError:
        return False


def _saved(path: str) -> dict[str, Any]:
    """A saved pattern as it was written. Raises InputError."""
    import json
    from pathlib import Path

    from misfire.cli.saved import load_pattern

    load_pattern(path)  # says what is wrong with it
    return dict(json.loads(Path(path).read_text("utf-8-sig")))


def _differs(now: dict[str, Any], then: dict[str, Any]) -> dict[str, Any]:
    """The second pattern to the first, by the rule of `misfire compare`."""
    from misfire.comparison import compare_patterns
    from misfire.errors import InputError

    wheels = [(p["wheel"]["positions"], tuple(p["wheel"]["missing"])) for p in (then, now)]
    if wheels[0] != wheels[1] or len(now["tooth_error_deg"]) != len(then["tooth_error_deg"]):
        labels = [p["wheel"].get("label") or p["wheel"]["positions"] for p in (then, now)]
        raise InputError(
            f"one pattern is of a {labels[0]} wheel, the other of a {labels[1]} wheel; compare patterns of one wheel"
        )
    first, second = ([{"pattern": p, "verdict": {"findings": []}}] for p in (then, now))
    got = compare_patterns(first, second)
    difference, sd = got["difference_deg"], got["difference_sd_deg"]
    known = [d for d in difference or [] if d is not None]
    return {
        "changed": got["changed"],
        "teeth": [{"position": p, "change_deg": difference[p], "change_sd_deg": sd[p]} for p in got["teeth"]],
        "largest_change_deg": got["largest_difference_deg"],
        "rms_deg": (sum(d * d for d in known) / len(known)) ** 0.5 if known else None,
    }


def _lines(r: dict[str, Any]) -> list[str]:
    if r["learned_from"] == "none":
        return [
            "No pattern could be learned from this log.",
            "Needed: a coast-down with the fuel cut (about 20 turns or more), or fired",
            "running over a speed range of at least 1 to 1.25.",
        ]
    how = {
        "fuel_cut": "turns in fuel cut",
        "speed_sweep": "fired turns over a speed range",
        "given": "a given file",
    }
    known = [
        (i, e, s)
        for i, (e, s) in enumerate(zip(r["tooth_error_deg"], r["tooth_error_sd_deg"], strict=True))
        if e is not None
    ]
    worst = sorted(known, key=lambda x: -abs(x[1]))[:5]
    rms = (sum(e * e for _, e, _ in known) / len(known)) ** 0.5
    out = [
        f"Tooth pattern of the {r['wheel']['label']} wheel, from {r['turns']} {how[r['learned_from']]}",
        f"rms error {rms:.4f} deg, standard error about {sorted(s for _, _, s in known)[len(known) // 2]:.4f} deg a tooth",
        f"holds still inside the log: {'not enough turns to say' if r['stable'] is None else 'yes' if r['stable'] else 'NO'}",
        "largest: " + ", ".join(f"{e:+.3f} deg at position {i}" for i, e, _ in worst),
        "segment time error: " + ", ".join(f"{k}: {v:+.3f} %" for k, v in r["segment_error_pct"].items()),
        f"({r['note']})",
    ]
    if "against" in r:
        a = r["against"]
        out.append(
            "against the saved pattern: "
            + (
                "cannot be compared, one of the two was not learned"
                if a["changed"] is None
                else f"CHANGED at {len(a['teeth'])} teeth, "
                + ", ".join(
                    f"position {t['position']} by {t['change_deg']:+.3f} deg (standard error "
                    f"{t['change_sd_deg']:.3f})"
                    for t in a["teeth"][:6]
                )
                + (" ..." if len(a["teeth"]) > 6 else "")
                if a["changed"]
                else "the same wheel, within its uncertainty"
            )
        )
    return out
