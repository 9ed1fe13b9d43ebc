"""`misfire demo`: the whole job on the embedded demonstration logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from misfire.comparison import Side

CODES = ("P0300", "P0303", "P0304")


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Folder for the reports.")] = Path("."),
    json: Annotated[
        str | None, typer.Option("--json", help="Write the analysis as JSON; - for stdout.")
    ] = None,
) -> None:
    """Run the whole job on an invented engine: codes, analysis, learn, proof that it cleared; write the reports.

    Example: misfire demo --out reports
    """
    from misfire.cli.output import colour_wanted, emit_json, say, write_text
    from misfire.cli.saved import load_job
    from misfire.comparison import CompareOptions
    from misfire.comparison import compare as judge_sides
    from misfire.engine import Engine
    from misfire.errors import InputError
    from misfire.report import analysis_page, comparison_page, comparison_text, terminal_text
    from misfire.triage import triage

    folder = demo_folder()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(f"{out}: cannot be made ({err.strerror}); choose another with --out") from err
    alone = triage(CODES, Engine.load(folder / "engine.toml"))
    before, after, both = take("before", CODES), take("after"), take("two_faults", CODES)
    compared = judge_sides([before], [after], CompareOptions())
    jobs = [load_job(str(folder / f"{name}_job.toml")) for name in ("before", "after")]
    pages = {
        "demo_before.html": analysis_page(before.result, before.events, jobs[0]),
        "demo_compare.html": comparison_page(
            compared, before.result, after.result, before.events, after.events, jobs[1]
        ),
        "demo_two_faults.html": analysis_page(both.result, both.events, None),
    }
    for name, page in pages.items():
        write_text(out / name, page)
    emit_json(before.result, json)
    if json == "-":
        return
    colour = colour_wanted()
    say(
        [
            "An invented engine: inline six, firing order 1-5-3-6-2-4, limp mode with P0300, P0303 and P0304 since its "
            "crank wheel was replaced. Coils and injectors for 3 and 4 are about to be bought.",
            "",
            "1. What the codes alone say (misfire triage)",
            "",
            f"{alone['headline']}",
            *(f"- {line}" for line in alone["says"][:2]),
            "",
            "2. What a recorded drive says (misfire analyse)",
            "",
        ]
    )
    print(terminal_text(before.result, colour=colour))
    say(
        [
            "3. What was done: the wheel sits firm and is not damaged, so the controller was made to learn its pattern "
            "as it is. No part was bought.",
            "",
            "4. The same drive again: did it clear? (misfire compare)",
            "",
        ]
    )
    print(comparison_text(compared, colour=colour))
    say(
        [
            "5. The same wheel, and a coil that really drops sparks: is that told apart?",
            "",
            both.result["verdict"]["headline"],
            *known_truth("two_faults", both.result),
            "",
            "6. Reports with figures, for the screen and for paper:",
            "",
            *(f"- {out / name}" for name in pages),
        ]
    )


def known_truth(name: str, result: dict[str, Any]) -> list[str]:
    """The simulator's own count of misfires beside the one found, by cylinder, as lines of a table."""
    import json

    truth = json.loads((demo_folder() / f"{name}_truth.json").read_text("utf-8"))["misfires"]
    rows = [(str(c["cylinder"]), truth[str(c["cylinder"])], c["misfires"]) for c in result["cylinders"]]
    return [
        "",
        "cylinder        " + "".join(f"{c:>5}" for c, _, _ in rows),
        "misfires, truth " + "".join(f"{t:>5}" for _, t, _ in rows),
        "misfires, found " + "".join(f"{f:>5}" for _, _, f in rows),
    ]


def take(name: str, codes: tuple[str, ...] = ()) -> Side:
    """One of the demonstration drives, analysed with its slow channels and the controller's counts."""
    from misfire.comparison import Side
    from misfire.engine import Engine
    from misfire.pipeline import AnalyseOptions, analyse_files

    folder = demo_folder()
    done = analyse_files(
        [str(folder / f"{name}.csv.gz")],
        AnalyseOptions(
            Engine.load(folder / "engine.toml"),
            channels=str(folder / f"{name}_channels.csv"),
            counts=str(folder / f"{name}_counts.csv"),
            codes=codes,
        ),
    )
    return Side(done.to_dict(), done.events, done.engine)


def demo_folder() -> Path:
    """Where the demonstration data lies: inside the installed package, or beside it in a source tree."""
    import misfire

    here = Path(misfire.__file__).parent
    inside = here / "demo_data"
    return inside if inside.is_dir() else here.parent / "datasets" / "demo"
