"""The command line: one file a command; this one registers them and turns errors into one line."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Annotated

import typer

from misfire import __version__
from misfire.cli.analyse import analyse
from misfire.cli.compare import compare
from misfire.cli.demo import demo
from misfire.cli.engines import engines
from misfire.cli.inspect import inspect
from misfire.cli.keep import keeps_inputs
from misfire.cli.output import one_line
from misfire.cli.pattern import pattern
from misfire.cli.ready import ready
from misfire.cli.simulate import simulate
from misfire.cli.survey import survey
from misfire.cli.ticker import ticker
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
    app.command()(keeps_inputs(_command))


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


@contextlib.contextmanager
def _ended_in_order() -> Iterator[None]:
    """A request to end (SIGTERM, SIGHUP) unwinds like an interruption, so no half-written file stays."""

    def stop(number: int, _: object) -> None:
        raise KeyboardInterrupt(number)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = [s for s in ("SIGTERM", "SIGHUP") if hasattr(signal, s)]
    old = {s: signal.signal(getattr(signal, s), stop) for s in names}
    try:
        yield
    finally:
        for name, handler in old.items():
            signal.signal(getattr(signal, name), handler)


def _leave_stdout() -> None:
    """What is still held back for a standard output that takes nothing more is dropped, not tried again."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def main() -> None:
    """Run the command line; errors raised on purpose become one line on stderr and their exit code."""
    # the matrices are small: more threads only wait for each other, and on a busy machine for long
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        with _ended_in_order(), ticker():
            code = app(standalone_mode=False)
            sys.stdout.flush()
    except MisfireError as err:
        print(f"misfire: {one_line(err)}", file=sys.stderr)
        sys.exit(err.exit_code)
    except BrokenPipeError:
        _leave_stdout()
        sys.exit(0)
    except SystemExit as err:
        # the parser ends the process with 1 when whoever reads the output has gone; that is no failure
        if not isinstance(err.__context__, BrokenPipeError):
            raise
        _leave_stdout()
        sys.exit(0)
    except OSError as err:
        _leave_stdout()
        where = err.filename or "standard output"
        print(
            f"misfire: {one_line(where)}: {err.strerror}; free space or choose another place", file=sys.stderr
        )
        sys.exit(2)
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
        line = one_line(text()).rstrip(".")
        command = f"misfire {at}" if at in _NAMES else "misfire"
        print(f"misfire: {line}; see {command} --help", file=sys.stderr)
        sys.exit(2)
    if code == 130:
        # the parser's own way to say that it was interrupted
        print("misfire: stopped", file=sys.stderr)
    sys.exit(code if isinstance(code, int) else 0)
