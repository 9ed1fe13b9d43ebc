"""`misfire pattern`: the tooth spacing learned from a log."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from misfire.cli import options as o


@o.reads_logs
def pattern(
    log: Annotated[str, typer.Argument(help="The log.")],
    against: Annotated[str | None, typer.Option("--against", help="A saved pattern to compare with.")] = None,
    save: Annotated[
        str | None, typer.Option("--save", help="Write the pattern for `analyse --pattern`.")
    ] = None,
    engine: o.EngineOption | None = None,
    firing_order: o.OrderOption = None,
    wheel: o.WheelOption = None,
    first_tooth: o.FirstToothOption = None,
    channels: Annotated[str | None, typer.Option("--channels", help="Slow channels (CSV).")] = None,
    json: o.JsonOption = None,
    *,
    read: o.Given,
) -> None:
    """Learn the tooth spacing from a log and say how certain it is."""
    from misfire.cli.output import emit_json, say
    from misfire.pipeline import AnalyseOptions, analyse_files

    chosen = o.build_engine(engine, firing_order, wheel, first_tooth)
    how = o.build_read(chosen, **read)
    done = analyse_files([log], AnalyseOptions(chosen, channels=channels, read=how))
    r = done.to_dict()
    result: dict[str, Any] = {
        "format": "misfire-pattern",
        "version": 1,
        "wheel": r["engine"]["wheel"],
        "engine": {k: r["engine"][k] for k in ("cylinders", "firing_order")},
        **r["pattern"],
        "inputs": r["inputs"],
    }
    if against:
        from misfire.cli.saved import load_pattern

        result["against"] = _differs(done.logs[0].pattern, load_pattern(against), r["engine"]["wheel"])
    if save:
        if result["learned_from"] == "none":
            from misfire.errors import InputError

            raise InputError(
                f"{log}: no pattern could be learned, nothing to save; record a coast-down with the fuel cut"
            )
        emit_json({k: v for k, v in result.items() if k != "against"}, save)
    emit_json(result, json)
    if json == "-":
        return
    say(_lines(result))


def _differs(now: Any, then: Any, wheel: dict[str, Any]) -> dict[str, Any]:
    import numpy as np

    from misfire.errors import InputError

    if now.error_deg.size != then.error_deg.size:
        raise InputError(
            "the two patterns are of wheels with different numbers of teeth; compare patterns of one wheel"
        )
    d = now.error_deg - then.error_deg
    d = d - np.nanmean(d)
    z = np.abs(d) / np.hypot(now.sd_deg, then.sd_deg)
    z[0] = np.nan  # beside the gap the shift changes with speed
    moved = np.flatnonzero((z > 4.5) & (np.abs(d) > 0.02))
    gone = set(wheel["missing"])
    position = [p for p in range(wheel["positions"]) if p not in gone]
    return {
        "changed": bool(moved.size),
        "teeth": [{"position": position[j], "change_deg": float(d[j])} for j in moved],
        "rms_deg": float(np.sqrt(np.nanmean(d**2))) if np.isfinite(d).any() else None,
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
                "CHANGED, "
                + ", ".join(f"position {t['position']} by {t['change_deg']:+.3f} deg" for t in a["teeth"][:6])
                if a["changed"]
                else "the same wheel, within its uncertainty"
            )
        )
    return out
