"""`python -m tests.second_engine --out FOLDER [--only PART] [--list]`: all cases against the command line, with a table."""

from __future__ import annotations

import argparse
import json
from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path

from .cases import all_cases
from .job import Case, judge


def _shifted(case: Case, by: int) -> Case:
    """The case with other random draws in the engine and in the wheel."""
    more = tuple(replace(d, seed=d.seed + by) for d in case.more_drives)
    drive, wheel = (
        replace(case.drive, seed=case.drive.seed + by),
        replace(case.wheel, seed=case.wheel.seed + by),
    )
    return replace(case, drive=drive, wheel=wheel, more_drives=more)


def main() -> None:
    """Run the cases one after the other; one JSON file a case, a table at the end."""
    parser = argparse.ArgumentParser(prog="python -m tests.second_engine", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="", help="names that contain one of these parts (comma)")
    parser.add_argument("--exact", default="", help="exactly these names, in this order (comma)")
    parser.add_argument("--group", default="")
    parser.add_argument("--skip", type=int, default=0, help="leave out the first ones")
    parser.add_argument("--share", default="0/1", help="every n-th case: K/N")
    parser.add_argument("--shift", type=int, default=0, help="added to every seed: logs not seen before")
    parser.add_argument("--list", action="store_true")
    asked = parser.parse_args()
    k, n = (int(x) for x in asked.share.split("/"))
    cases = [
        c for c in all_cases() if any(p in c.name for p in asked.only.split(",")) and asked.group in c.group
    ][k::n]
    if asked.exact:
        known = {c.name: c for c in all_cases()}
        cases = [known[name] for name in asked.exact.split(",")]
    cases = cases[asked.skip :]
    if asked.shift:
        cases = [_shifted(c, asked.shift) for c in cases]
    done: Counter[tuple[str, bool]] = Counter()
    for case in cases:
        if asked.list:
            print(case.name, case.group)
            continue
        folder = asked.out / case.name
        try:
            out = judge(case, folder, asked.out / "_runs")
        except Exception as error:  # a case that cannot be made must not stop the others
            print(f"BROKEN {case.name}: {type(error).__name__} {error}", flush=True)
            continue
        (folder / "outcome.json").write_text(json.dumps(asdict(out), indent=1, default=str))
        done[case.group, not out.faults] += 1
        print(("ok   " if not out.faults else "FAIL ") + case.name, "|", "; ".join(out.faults), flush=True)
    for group in dict.fromkeys(c.group for c in cases):
        print(f"{group:16s} passed {done[group, True]:3d}  failed {done[group, False]:3d}")


if __name__ == "__main__":
    main()
