"""Files that the commands save and take back: tooth patterns and job facts."""

from __future__ import annotations

import difflib
import json
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from misfire.cli.output import one_line
from misfire.errors import InputError

if TYPE_CHECKING:
    from misfire.pattern import Pattern

_LIMIT = 5_000_000
_JOB = ("number", "odometer", "codes", "freeze_frame", "work_done", "parts", "complaint")
_WHEEL = {"label", "positions", "missing", "first_tooth_after_tdc1_deg"}


def _text(path: str, what: str) -> str:
    p = Path(path)
    if not p.is_file():
        raise InputError(f"{path}: no such file; give {what}")
    if p.stat().st_size > _LIMIT:
        raise InputError(f"{path}: larger than {_LIMIT // 1_000_000} MB, not {what}")
    try:
        return p.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(f"{path}: cannot be read as text ({type(err).__name__}); give {what}") from err


def load_job(path: str) -> dict[str, Any]:
    """Job facts (TOML), any keys; one that looks like a known one misspelt is told on stderr. Raises InputError."""
    try:
        facts = tomllib.loads(_text(path, "a job file (TOML)"))
    except (ValueError, RecursionError) as err:
        raise InputError(f"{path}: not valid TOML ({err}); correct that line") from err
    for key in facts:
        near = difflib.get_close_matches(key, _JOB, 1, 0.8) if key not in _JOB else []
        if near:
            print(
                f"misfire: {one_line(path)}: {one_line(key, 40)} is printed as it stands; did you mean {near[0]}?",
                file=sys.stderr,
            )
    return facts


def load_pattern(path: str) -> Pattern:
    """A pattern saved by `misfire pattern --save`. Raises InputError."""
    import numpy as np

    from misfire.pattern import Pattern

    try:
        data = json.loads(_text(path, "a pattern file of `misfire pattern --save`"))
    except (ValueError, RecursionError) as err:
        raise InputError(f"{path}: not valid JSON ({err}); save the pattern again") from err
    if not isinstance(data, dict) or data.get("format") != "misfire-pattern":
        raise InputError(f"{path}: not a pattern file; make one with `misfire pattern LOG --save FILE`")
    allowed = {
        "format",
        "version",
        "wheel",
        "engine",
        "learned_from",
        "turns",
        "stable",
        "tooth_error_deg",
        "tooth_error_sd_deg",
        "segment_error_pct",
        "segment_error_sd_pct",
        "inputs",
        "note",
    }
    _known(path, data, allowed, "")
    if isinstance(data.get("wheel"), dict):
        _known(path, data["wheel"], _WHEEL, " in wheel")
    try:
        error, sd = (
            np.array([np.nan if x is None else float(x) for x in data[key]])
            for key in ("tooth_error_deg", "tooth_error_sd_deg")
        )
        missing = {int(p) for p in data["wheel"]["missing"]}
        positions = int(data["wheel"]["positions"])
        turns = int(data.get("turns", 0))
    except (KeyError, TypeError, ValueError, OverflowError) as err:
        raise InputError(f"{path}: the pattern is incomplete ({err}); save it again") from err
    if error.ndim != 1 or error.size != sd.size or not 2 <= error.size <= 720:
        raise InputError(
            f"{path}: {error.size} tooth errors with {sd.size} standard errors; one of each for every position "
            "(2 to 720) is needed; save it again"
        )
    if positions != error.size:
        raise InputError(
            f"{path}: {error.size} tooth errors for a wheel of {positions} positions; one for every position is "
            "needed; save it again"
        )
    for name, values, low in (("tooth_error_deg", error, -20.0), ("tooth_error_sd_deg", sd, 0.0)):
        wrong = np.flatnonzero(
            np.array([x is not None for x in data[name]]) & ~((values >= low) & (values <= 20))
        )
        if wrong.size:
            k = int(wrong[0])
            raise InputError(
                f"{path}: {name} at position {k} is {values[k]:g}; write degrees from {low:g} to 20"
            )
    if not 0 <= turns <= 1_000_000_000:
        raise InputError(f"{path}: turns = {turns}: write a whole number from 0 to 1000000000")
    keep = np.array([i not in missing for i in range(error.size)])
    return Pattern("given", error[keep], sd[keep], turns, None)


def _known(path: str, data: dict[str, Any], allowed: set[str], where: str) -> None:
    """Raise InputError with the nearest known key for one that is none."""
    for key in data:
        if key not in allowed:
            near = difflib.get_close_matches(key, allowed, 1, 0.4)
            hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(sorted(allowed))}"
            raise InputError(f"{path}: unknown key '{key}'{where}; {hint}")
