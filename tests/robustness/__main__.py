"""`python -m tests.robustness --inputs 5000`: many bad inputs, the faults printed."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.robustness.run import Bench, run

parser = argparse.ArgumentParser(description=__doc__)
parser.add_argument("--inputs", type=int, default=5000)
parser.add_argument("--first", type=int, default=0)
given = parser.parse_args()
with tempfile.TemporaryDirectory() as folder:
    done = run(Bench(Path(folder)), given.first, given.inputs, tell=True)
print(
    f"{given.inputs} inputs: {done['codes']}; {len(done['faults'])} with a fault; longest {done['longest_s']}, {done['memory_mb']} MB"  # type: ignore[arg-type]
)
