"""The few errors that the package raises; the command line turns each into one line and an exit code."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator


class MisfireError(Exception):
    """Base of every error raised on purpose. The message says what, where and what to do, in one line."""

    exit_code = 2


class InputError(MisfireError):
    """A file, an option or an engine description cannot be used (exit code 2)."""


class TooFewTurnsError(MisfireError):
    """Crank edges are there, but fewer than two turns can be numbered (exit code 3)."""

    exit_code = 3


@contextlib.contextmanager
def naming_log(source: str) -> Iterator[None]:
    """Errors raised inside name the log that they are about: of several logs one must know which."""
    try:
        yield
    except MisfireError as err:
        if not source or source in str(err):
            raise
        raise type(err)(f"{source}: {err}") from err
