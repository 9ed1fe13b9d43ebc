"""`misfire simulate`: a log with known truth from the physical engine model."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer


def simulate(
    scenario: Annotated[
        str | None, typer.Argument(metavar="[NAME|FILE.toml]", help="A shipped scenario, or a scenario file.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="Folder for the log, engine, channels and truth."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", help="Another draw of everything that is random.")
    ] = None,
    compress: Annotated[bool, typer.Option("--gz", help="Write log.csv.gz instead of log.csv.")] = False,
    waveform: Annotated[
        str | None,
        typer.Option(
            "--waveform", metavar="vr|hall", help="Also write the pickup voltage of the first seconds."
        ),
    ] = None,
    waveform_s: Annotated[
        float, typer.Option("--waveform-s", help="Length [s] of that voltage record.")
    ] = 5.0,
    list_: Annotated[bool, typer.Option("--list", help="List the shipped scenarios.")] = False,
    keys: Annotated[bool, typer.Option("--keys", help="Print how a scenario file is written.")] = False,
    show: Annotated[
        bool,
        typer.Option("--show", help="Print the scenario's own file, to copy and change; simulate nothing."),
    ] = False,
    json_: Annotated[
        str | None, typer.Option("--json", metavar="FILE", help="Result as JSON; - for standard output.")
    ] = None,
) -> None:
    """Write a log with known truth from the physical engine model.

    Example: misfire simulate shared_coil_v8 --out training
    """
    from misfire.cli.output import emit_json
    from misfire.errors import InputError
    from misfire.simulate import load_scenario, scenario_names, scenario_text
    from misfire.simulate import simulate as run
    from misfire.simulate.result import check_folder

    if list_:
        rows = [(n, load_scenario(n).title) for n in scenario_names()]
        if json_ != "-":
            width = max(len(n) for n, _ in rows)
            typer.echo("\n".join(f"{n:<{width}}  {title}" for n, title in rows))
        emit_json({"format": "misfire-scenarios", "version": 1, "scenarios": dict(rows)}, json_)
        return
    if keys:
        typer.echo(scenario_text(None), nl=False)
        return
    if scenario is None:
        raise InputError(
            "simulate: name a scenario or a file; misfire simulate --list shows the shipped ones"
        )
    if show:
        typer.echo(scenario_text(scenario), nl=False)
        return
    s = load_scenario(scenario)
    if seed is not None:
        if seed < 0:
            raise InputError(f"--seed {seed}: give a whole number from 0 up")
        s = s.but(seed=seed)
    folder = out or Path(s.name)
    if waveform is not None and waveform not in ("vr", "hall"):
        raise InputError(f"--waveform {waveform}: write vr (variable reluctance) or hall")
    if not 0.1 <= waveform_s <= 600.0:
        raise InputError(f"--waveform-s {waveform_s:g}: give seconds from 0.1 to 600")
    check_folder(folder)
    done = run(s)
    files = done.write(folder, compress=compress)
    if waveform is not None:
        from misfire.simulate.waveform import mark_voltage, write_waveform_csv
        from misfire.simulate.waveform import waveform as sample

        files.append(folder / "waveform.csv")
        t, crank = sample(done, waveform, to_s=waveform_s)
        marks = done.recording
        write_waveform_csv(
            files[-1],
            t,
            crank,
            cam_v=mark_voltage(t, marks.cam_s),
            cylinder1_v=mark_voltage(t, marks.cylinder1_s),
        )
    truth = done.truth
    result: dict[str, Any] = {
        "format": "misfire-simulation",
        "version": 1,
        "scenario": s.name,
        "title": s.title,
        "seed": s.seed,
        "files": [str(f) for f in files],
        "edges": len(done.recording.crank_s),
        "duration_s": round(float(done.recording.crank_s[-1]), 3),
        "events": len(truth.tdc_s),
        "misfires": {str(c): n for c, n in truth.misfires.items()},
        "partial": {str(c): n for c, n in truth.partial.items()},
        "firings": {str(c): n for c, n in truth.firings.items()},
        "reported": None if done.counts is None else {str(c): n for c, n in done.counts.items()},
        "notes": list(truth.notes),
    }
    if json_ != "-":
        typer.echo(_text(result))
    emit_json(result, json_)


def _text(r: dict[str, Any]) -> str:
    lines = [f"{r['scenario']}: {r['title']}" if r["title"] else r["scenario"]]
    lines.append(
        f"{r['edges']} crank edges, {r['duration_s']:g} s, {r['events']} firing events, seed {r['seed']}"
    )
    head = f"{'cylinder':>8} {'firings':>8} {'misfires':>8} {'partial':>8}"
    lines.append(head + (f" {'reported':>8}" if r["reported"] else ""))
    for c in r["misfires"]:
        row = f"{c:>8} {r['firings'][c]:>8} {r['misfires'][c]:>8} {r['partial'][c]:>8}"
        lines.append(row + (f" {r['reported'][c]:>8}" if r["reported"] else ""))
    lines += r["notes"]
    lines += [f"wrote {f}" for f in r["files"]]
    return "\n".join(lines)
