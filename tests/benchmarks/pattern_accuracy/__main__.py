"""`python -m tests.benchmarks.pattern_accuracy --seeds 12`: error of the learned spacing, and of its error."""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> None:
    """Measure every case and print a line each."""
    from tests.benchmarks.pattern_accuracy.cases import CASES, measure

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.pattern_accuracy", description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--first", type=int, default=0)
    args = parser.parse_args()
    print(f"{'case':<52}{'logs':>5}{'turns':>7}{'rms deg, median':>17}{'worst':>9}{'inside 95 %':>13}")
    for name, case in CASES.items():
        found = [measure(case, seed) for seed in range(args.first, args.first + args.seeds)]
        known = [f for f in found if f is not None]
        if not known:
            print(f"{name:<52}{0:>5}")
            continue
        rms = sorted(f.rms_deg for f in known)
        inside = sum(f.inside for f in known) / sum(f.teeth for f in known)
        turns = sorted(f.turns for f in known)[len(known) // 2]
        print(
            f"{name:<52}{len(known):>5}{turns:>7}{rms[len(rms) // 2]:>17.4f}{rms[-1]:>9.4f}{inside:>13.1%}",
            flush=True,
        )
    print("simulated engines; orders of the firing frequency and the first tooth behind the gap left out")


if __name__ == "__main__":
    main()
