"""Event rows as CSV text: what pandas writes, several times faster."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

ROWS = 20_000


def csv_text(columns: dict[str, npt.NDArray[Any]], rows: int = ROWS) -> Iterator[str]:
    """CSV text of equally long columns in parts of some rows: floats with nine digits, empty where not a number."""
    yield ",".join(_quoted(name) for name in columns) + "\n"
    arrays = list(columns.values())
    size = arrays[0].size if arrays else 0
    for lo in range(0, size, rows):
        forms, cells = [], []
        for values in arrays:
            form, part = _cells(values[lo : lo + rows])
            forms.append(form)
            if part is not None:
                cells.append(part)
        line = ",".join(forms) + "\n"
        if cells:
            yield "".join([line % row for row in zip(*cells, strict=True)])
        else:
            yield line * min(rows, size - lo)


def _cells(values: npt.NDArray[Any]) -> tuple[str, Sequence[Any] | None]:
    """Format of a column and its values; None where all cells are the format itself."""
    if values.dtype.kind == "f":
        gone = np.isnan(values)
        if gone.all():
            return "", None
        if not gone.any():
            return "%.9g", values.tolist()
        return "%s", ["" if x != x else "%.9g" % x for x in values.tolist()]  # noqa: UP031 - the fastest
    if values.dtype.kind in "iu":
        return "%d", values.tolist()
    cells = values.tolist()
    text = {x: _quoted(str(x)) for x in set(cells)}
    return "%s", list(map(text.__getitem__, cells))


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') else text
