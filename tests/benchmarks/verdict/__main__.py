"""`python -m tests.benchmarks.verdict --seeds 220 --jobs 2`: the confusion table and what went wrong."""

from __future__ import annotations

import argparse
import json
import os

from tests.benchmarks.verdict.table import print_all


def main() -> None:
    """Run seeds in worker processes and print tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.verdict", description=__doc__)
    parser.add_argument("--seeds", type=int, default=220)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cause", default=None, help="only this cause")
    parser.add_argument("--programme", default=None, help="only this programme")
    parser.add_argument("--undecidable", action="store_true", help="logs that hold no answer instead")
    parser.add_argument("--verbose", action="store_true", help="one line a run")
    parser.add_argument("--json", default=None, help="write every run to this file")
    args = parser.parse_args()
    # one thread a worker: the linear algebra is small
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from concurrent.futures import ProcessPoolExecutor
    from functools import partial
    from multiprocessing import get_context

    from tests.benchmarks.verdict.run import line, run_one

    if args.undecidable:
        from tests.benchmarks.verdict import undecidable

        with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
            print(
                undecidable.table(list(pool.map(undecidable.run, range(args.first, args.first + args.seeds))))
            )
        return
    one = partial(run_one, cause=args.cause, programme=args.programme)
    runs = []
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        for r in pool.map(one, range(args.first, args.first + args.seeds)):
            runs.append(r)
            if args.verbose:
                print(line(r), flush=True)
    print_all(runs)
    if args.json:
        with open(args.json, "w", encoding="utf-8") as f:
            json.dump(runs, f, default=str)


if __name__ == "__main__":
    main()
