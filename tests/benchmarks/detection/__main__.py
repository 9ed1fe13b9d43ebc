"""`python -m tests.benchmarks.detection --cells 60 --seed 1`: d' of plain, ours and ceiling over the map."""

from __future__ import annotations

import argparse
import json
import os


def main() -> None:
    """Measure cells and print them."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.detection", description=__doc__)
    parser.add_argument("--cells", type=int, default=60, help="random cells of the map; 0 = all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--events", type=int, default=1600, help="firings a cell")
    parser.add_argument(
        "--engines", default="all", help="developed, judged, all, or names with commas between"
    )
    parser.add_argument("--quiet", action="store_true", help="only the summary")
    parser.add_argument("--json", default=None, help="write every cell to this file")
    args = parser.parse_args()
    # one thread: the linear algebra is small
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from misfire.errors import InputError, TooFewTurnsError
    from tests.benchmarks.detection.cells import DEVELOPED_ON, JUDGED_ON, some_cells
    from tests.benchmarks.detection.measure import run
    from tests.benchmarks.detection.table import HEAD, line, summary

    known = {"developed": DEVELOPED_ON, "judged": JUDGED_ON, "all": DEVELOPED_ON + JUDGED_ON}
    engines = known.get(args.engines, tuple(args.engines.split(",")))
    results = []
    if not args.quiet:
        print(HEAD)
    for cell in some_cells(engines, args.cells, args.seed):
        try:
            results.append(run(cell, args.events))
        except (InputError, TooFewTurnsError) as err:
            # an engine that stalls at once leaves no log to measure
            print(f"{cell.name}: not measured: {err}")
            continue
        if not args.quiet:
            print(line(results[-1]), flush=True)
    print(summary(results))
    if args.json:
        with open(args.json, "w", encoding="utf-8") as f:
            json.dump([r.as_dict() for r in results], f)


if __name__ == "__main__":
    main()
