"""A command's results never take the place of what it reads: a log exists once."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterable
from typing import Any

from misfire.errors import InputError

# options that name what is written
WRITTEN = ("json", "events", "report", "save", "out")


def keeps_inputs(command: Callable[..., None]) -> Callable[..., None]:
    """The command, refusing an output that is one of its own inputs or named twice. Raises InputError."""

    @functools.wraps(command)
    def kept(**given: Any) -> None:
        outputs = [(f"--{k}", name) for k in WRITTEN for name in _names(given.get(k)) if name != "-"]
        refuse(outputs, (name for k, v in given.items() if k not in WRITTEN for name in _names(v)))
        command(**given)

    return kept


def refuse(outputs: list[tuple[str, str]], inputs: Iterable[str]) -> None:
    """Raise InputError where an output, given as (option, name), is the same file as an input or another output."""
    taken = {os.path.realpath(name): name for name in inputs if os.path.isfile(name)}
    seen: dict[str, str] = {}
    for option, name in outputs:
        place = os.path.realpath(name)
        if place in taken:
            raise InputError(
                f"{option} {name}: this command reads that file and would destroy it; give another name"
            )
        if place in seen and not _device(place):
            raise InputError(
                f"{option} {name}: {seen[place]} writes to the same file; give them different names"
            )
        seen[place] = option


def _names(value: object) -> list[str]:
    """The file names a value may hold: one, several, or several with commas."""
    if isinstance(value, str):
        return [value, *value.split(",")] if "," in value else [value]
    return [name for one in value for name in _names(one)] if isinstance(value, list | tuple) else []


def _device(place: str) -> bool:
    return os.path.exists(place) and not os.path.isfile(place)
