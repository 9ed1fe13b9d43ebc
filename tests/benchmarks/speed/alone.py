"""Pandas alone: read the log, write the event rows; `python -m tests.benchmarks.speed.alone LOG EVENTS OUT`."""

from __future__ import annotations

import json
import sys
import time


def main() -> None:
    """Print the processor seconds of reading and of writing, import not counted."""
    import pandas as pd

    log, events, out = sys.argv[1:]
    c0 = time.process_time()
    pd.read_csv(log, comment=None, skiprows=_lines_before_header(log))
    c1 = time.process_time()
    rows = pd.read_csv(events, dtype={"cylinder": str, "state": str, "reason": str})
    c2 = time.process_time()
    rows.to_csv(out, index=False, float_format="%.9g")
    c3 = time.process_time()
    print(json.dumps({"read_s": c1 - c0, "write_s": c3 - c2}))


def _lines_before_header(path: str) -> int:
    n = 0
    with open(path, encoding="utf-8") as f:
        while next(f).startswith("#"):
            n += 1
    return n


if __name__ == "__main__":
    main()
