"""`misfire demo`: the whole job on the embedded demonstration logs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Folder for the two reports.")] = Path(
        "."
    ),
    json: Annotated[
        str | None, typer.Option("--json", help="Write the analysis as JSON; - for stdout.")
    ] = None,
) -> None:
    """Run the whole job on an invented engine: analyse, judge, compare after the repair, write two reports."""
    import sys

    from misfire.cli.output import emit_json, say, write_text
    from misfire.compare import CompareOptions, Side
    from misfire.compare import compare as judge_sides
    from misfire.engine import Engine
    from misfire.errors import InputError
    from misfire.pipeline import AnalyseOptions, analyse_files
    from misfire.report import analysis_page, comparison_page, comparison_text, terminal_text
    from misfire.triage import triage

    folder = demo_folder()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(f"{out}: cannot be made ({err.strerror}); choose another with --out") from err
    engine = Engine.load(folder / "engine.toml")

    def take(name: str) -> Side:
        done = analyse_files(
            [str(folder / f"{name}.csv.gz")],
            AnalyseOptions(
                engine,
                channels=str(folder / f"{name}_channels.csv"),
                counts=str(folder / f"{name}_counts.csv"),
                codes=codes if name == "before" else (),
            ),
        )
        return Side(done.to_dict(), done.events, done.engine)

    codes = ("P0300", "P0303", "P0304")
    alone = triage(codes, engine)
    before, after = take("before"), take("after")
    compared = judge_sides([before], [after], CompareOptions())
    first, second = out / "demo_before.html", out / "demo_compare.html"
    write_text(first, analysis_page(before.result, before.events, None))
    write_text(
        second, comparison_page(compared, before.result, after.result, before.events, after.events, None)
    )
    emit_json(before.result, json)
    if json == "-":
        return
    colour = sys.stdout.isatty()
    say(
        [
            "An invented engine: inline six, firing order 1-5-3-6-2-4, in limp mode with P0300, P0303 and P0304. "
            "Coils and injectors for 3 and 4 were about to be bought.",
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
            "",
            "3. What was done: the wheel was centred, the coil of cylinder 5 replaced, the pattern learned. Nothing was "
            "bought for 3 and 4.",
            "",
            "4. The same drive again: did it clear? (misfire compare)",
            "",
        ]
    )
    print(comparison_text(compared, colour=colour))
    say(["", "5. Reports with figures, for the screen and for paper:", "", f"- {first}", f"- {second}"])


def demo_folder() -> Path:
    """Where the demonstration data lies: inside the installed package, or beside it in a source tree."""
    import misfire

    here = Path(misfire.__file__).parent
    inside = here / "demo_data"
    return inside if inside.is_dir() else here.parent / "datasets" / "demo"
