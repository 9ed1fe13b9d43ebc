"""Files that the commands save and take back: tooth patterns and job facts."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from misfire.errors import InputError

if TYPE_CHECKING:
    from misfire.pattern import Pattern

_LIMIT = 5_000_000


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
    """Job facts (TOML), any keys. Raises InputError."""
    try:
        return tomllib.loads(_text(path, "a job file (TOML)"))
    except tomllib.TOMLDecodeError as err:
        raise InputError(f"{path}: not valid TOML ({err}); correct that line") from err


def load_pattern(path: str) -> Pattern:
    """A pattern saved by `misfire pattern --save`. Raises InputError."""
    import numpy as np

    from misfire.pattern import Pattern

    try:
        data = json.loads(_text(path, "a pattern file of `misfire pattern --save`"))
    except ValueError as err:
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
    for key in data:
        if key not in allowed:
            raise InputError(f"{path}: unknown key '{key}'; known are {', '.join(sorted(allowed))}")
    try:
        error = np.array([np.nan if x is None else float(x) for x in data["tooth_error_deg"]])
        sd = np.array([np.nan if x is None else float(x) for x in data["tooth_error_sd_deg"]])
        missing = set(data["wheel"]["missing"])
    except (KeyError, TypeError, ValueError) as err:
        raise InputError(f"{path}: the pattern is incomplete ({err}); save it again") from err
    if error.size != sd.size or not (np.abs(error[np.isfinite(error)]) <= 20).all():
        raise InputError(
            f"{path}: tooth errors must be within 20 deg and one for every position; save it again"
        )
    keep = np.array([i not in missing for i in range(error.size)])
    return Pattern("given", error[keep], sd[keep], int(data.get("turns", 0)), None)
