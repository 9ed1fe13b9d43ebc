"""What a result was made from: every file with its use, size and checksum."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any


def input_rows(use: str, paths: Sequence[str]) -> list[dict[str, Any]]:
    """One row a file: `use` (log, channels, counts ...), name without its folder, SHA-256, size [bytes].

    What is no regular file (a pipe, read already) has no checksum. Raises OSError when a file has gone since.
    """
    return [_row(use, Path(p)) for p in paths]


def _row(use: str, path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {"file": path.name, "sha256": None, "bytes": None, "use": use}
    h = hashlib.sha256()
    size = 0
    with path.open("rb") as f:
        while block := f.read(1 << 20):
            h.update(block)
            size += len(block)
    return {"file": path.name, "sha256": h.hexdigest(), "bytes": size, "use": use}
