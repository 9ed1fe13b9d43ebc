"""The command line: one file a command; this one registers them and turns errors into one line."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from misfire import __version__
from misfire.cli.analyse import analyse
from misfire.cli.compare import compare
from misfire.cli.demo import demo
from misfire.cli.engines import engines
from misfire.cli.inspect import inspect
from misfire.cli.pattern import pattern
from misfire.cli.ready import ready
from misfire.cli.simulate import simulate
from misfire.cli.survey import survey
from misfire.cli.triage import triage
from misfire.errors import MisfireError

app = typer.Typer(
    name="misfire",
    help="True misfire or false count? An answer from a recorded crank tooth-timing log.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
_COMMANDS = (inspect, analyse, pattern, compare, survey, ready, triage, simulate, engines, demo)
_NAMES = {c.__name__ for c in _COMMANDS}
for _command in _COMMANDS:
    app.command()(_command)


def _version(show: bool) -> None:
    if show:
        print(f"misfire {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; errors raised on purpose become one line on stderr and their exit code."""
    try:
        code = app(standalone_mode=False)
    except MisfireError as err:
        print(f"misfire: {' '.join(str(err).split())}", file=sys.stderr)
        sys.exit(err.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except MemoryError:
        print("misfire: not enough memory for this log; cut it into shorter records", file=sys.stderr)
        sys.exit(2)
    except Exception as err:
        # wrong usage, known by its shape: the parser's own classes moved between its versions
        text = getattr(err, "format_message", None)
        if type(err).__name__ == "Abort":
            print("misfire: stopped", file=sys.stderr)
            sys.exit(130)
        if text is None:
            raise
        if type(err).__name__ == "NoArgsIsHelpError":
            print(text(), file=sys.stderr)
            sys.exit(2)
        at = getattr(getattr(err, "ctx", None), "info_name", None)
        line = " ".join(str(text()).split()).rstrip(".")
        command = f"misfire {at}" if at in _NAMES else "misfire"
        print(f"misfire: {line}; see {command} --help", file=sys.stderr)
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)
