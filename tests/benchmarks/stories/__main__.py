"""`python -m tests.benchmarks.stories --seeds 100`: how many stories of each kind are judged rightly."""

from __future__ import annotations

import argparse
import json
import os
from typing import Any


def table(runs: list[dict[str, Any]]) -> str:
    """One line a story: told, right, the answers given, and the drives of the number named."""
    out = [f"{'story':20s}{'told':>6s}{'right':>7s}{'%':>7s}   answers"]
    for name in dict.fromkeys(r["story"] for r in runs):
        mine = [r for r in runs if r["story"] == name and not r["skipped"]]
        right = sum(r["right"] for r in mine)
        answers: dict[str, int] = {}
        for r in mine:
            word = r.get("answer", "crash")
            answers[word] = answers.get(word, 0) + 1
        said = ", ".join(f"{k} {v}" for k, v in sorted(answers.items(), key=lambda x: -x[1]))
        out.append(f"{name:20s}{len(mine):6d}{right:7d}{100 * right / max(len(mine), 1):7.1f}   {said}")
        again = [r["again"] for r in mine if r["again"] is not None]
        if again:
            out.append(
                f"{'  driven as named':20s}{len(again):6d}{sum(again):7d}{100 * sum(again) / len(again):7.1f}"
            )
    return "\n".join(out)


def main() -> None:
    """Run seeds, one line a run that is not right, then the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.stories", description=__doc__)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--story", default=None, help="names with commas; all when absent")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--verbose", action="store_true", help="one line a run")
    parser.add_argument("--json", default=None, help="write every run to this file")
    args = parser.parse_args()
    # one thread a worker: the linear algebra is small
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    from tests.benchmarks.stories.run import line, run_one
    from tests.benchmarks.stories.tell import names

    work = [(n, s) for s in range(args.first, args.first + args.seeds) for n in names(args.story)]
    runs = []
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        for r in pool.map(run_one, *zip(*work, strict=True)):
            runs.append(r)
            if args.verbose or (not r["skipped"] and (not r["right"] or r["again"] is False)):
                print(line(r), flush=True)
    print(table(runs))
    if args.json:
        with open(args.json, "w", encoding="utf-8") as f:
            json.dump(runs, f, default=str)


if __name__ == "__main__":
    main()
