"""Writing: whole or not at all, results on stdout, messages on stderr."""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from misfire.errors import InputError


def write_whole(target: str | Path, fill: Callable[[Path], None]) -> None:
    """Let `fill` write a temporary file beside the target, then move it there; nothing half written stays.

    Raises InputError when the place cannot be written.
    """
    # a link is followed, so that what it points to is written and the link stays
    path = Path(os.path.realpath(target))
    if path.is_dir():
        raise InputError(f"{target}: is a folder; give a file name to write to")
    if path.exists() and not path.is_file():
        # a device or a pipe, such as /dev/null, cannot be replaced by a file
        try:
            fill(path)
        except OSError as err:
            raise InputError(f"{target}: cannot be written ({err.strerror}); choose another place") from err
        return
    try:
        handle, temporary = tempfile.mkstemp(prefix=".", suffix=path.suffix, dir=path.parent or ".")
        os.close(handle)
    except OSError as err:
        raise InputError(f"{path}: cannot be written ({err.strerror}); choose another place") from err
    try:
        fill(Path(temporary))
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except OSError as err:
        raise InputError(
            f"{path}: cannot be written ({err.strerror}); free space or choose another place"
        ) from err
    finally:
        Path(temporary).unlink(missing_ok=True)


def check_page(target: str | None) -> None:
    """Raises InputError when the name of a report, where one is given, does not end as a page does."""
    device = target is not None and Path(target).exists() and not Path(target).is_file()
    if target and not device and Path(target).suffix.lower() not in (".html", ".htm"):
        raise InputError(
            f"--report {visible(target)}: a report is a page; end its name with .html (any browser prints it to PDF)"
        )


def write_text(target: str | Path, text: str) -> None:
    """Write text whole or not at all."""

    def fill(path: Path) -> None:
        path.write_text(text, encoding="utf-8")

    write_whole(target, fill)


def json_text(result: Any) -> str:
    """Strict JSON: no NaN, numbers as numbers."""
    return json.dumps(_plain(result), indent=1, ensure_ascii=False, allow_nan=False)


def emit_json(result: Any, target: str | None) -> None:
    """Write a result as JSON to a file, or to stdout for "-"; nothing when target is None."""
    if target is None:
        return
    text = json_text(result)
    if target == "-":
        sys.stdout.write(text + "\n")
    else:
        write_text(target, text + "\n")


def _plain(value: Any) -> Any:
    """Numpy numbers and arrays as plain ones; not-a-number and infinity as null."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    return value


def colour_wanted() -> bool:
    """True on a terminal that shows colour, unless NO_COLOR is set to anything (no-color.org)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def visible(text: str) -> str:
    """Text with everything that a terminal would act on instead of showing replaced by a question mark."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)


def one_line(text: object, limit: int = 1000) -> str:
    """A message as one line, its middle left out where it is very long."""
    line = visible(" ".join(str(text).split()))
    return line if len(line) <= limit else f"{line[: limit // 2]} ... {line[-limit // 2 :]}"


def columns() -> int:
    """Width of text on stdout: the terminal's, at most 80 and at least 40; 80 in a pipe or a file."""
    wide = shutil.get_terminal_size().columns if sys.stdout.isatty() else 80
    return min(max(wide, 40), 80)


def say(lines: str | Iterable[str]) -> None:
    """Print to stdout, wrapped to `columns`; lines that already fit stay as they are."""
    width = columns()
    for line in map(visible, [lines] if isinstance(lines, str) else lines):
        if len(line) <= width:
            print(line)
        else:
            indent = " " * (len(line) - len(line.lstrip()) + (2 if line.lstrip()[:2] in ("- ", "* ") else 0))
            print("\n".join(textwrap.wrap(line, width, subsequent_indent=indent)))


def write_events(target: str, events: Any) -> None:
    """Event rows as .csv or .parquet, by the ending. Raises InputError."""
    kind = Path(target).suffix.lower()
    if kind == ".csv":
        from misfire.cli.rows import csv_text

        columns = {str(name): events[name].to_numpy() for name in events.columns}

        def fill(path: Path) -> None:
            with open(path, "w", encoding="utf-8", newline="") as f:
                f.writelines(csv_text(columns))

        write_whole(target, fill)
    elif kind == ".parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError:
            raise InputError(
                f"{target}: parquet needs an extra; install it with pip install 'misfire[parquet]'"
            ) from None
        write_whole(
            target,
            lambda p: events.assign(cylinder=events["cylinder"].astype(str)).to_parquet(p, index=False),
        )
    else:
        raise InputError(f"{target}: event rows are written as .csv or .parquet; choose one of these endings")
