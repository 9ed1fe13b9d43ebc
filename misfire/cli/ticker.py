"""Progress of long work: one line on the terminal that keeps itself up to date; nothing when piped."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator
from typing import TextIO

FIRST_S, EVERY_S = 1.0, 0.25


def line(what: str, share: float | None, seconds: float) -> str:
    """The line for a terminal, at most 79 characters."""
    done = "" if share is None else f" {100 * share:3.0f} %"
    text = "".join(c if c.isprintable() else "?" for c in what or "working")
    return f"{text[:60]}{done}, {seconds:.0f} s"


@contextlib.contextmanager
def ticker(stream: TextIO | None = None, first_s: float = FIRST_S) -> Iterator[None]:
    """Show what `misfire.intake.progress` says last while the block runs longer than `first_s` [s].

    Does nothing when the stream (standard error) is no terminal.
    """
    out = sys.stderr if stream is None else stream
    if not out.isatty():
        yield
        return
    stop = threading.Event()

    def show() -> None:
        began = time.monotonic()
        if stop.wait(first_s):
            return
        from misfire.intake.progress import now

        shown = 0
        while True:
            text = line(*now(), time.monotonic() - began)
            out.write("\r" + text.ljust(shown))
            out.flush()
            shown = len(text)
            if stop.wait(EVERY_S):
                out.write("\r" + " " * shown + "\r")
                out.flush()
                return

    thread = threading.Thread(target=show, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
