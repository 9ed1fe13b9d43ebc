"""Make the demonstration logs again from their scenarios: python datasets/demo/make.py"""

import gzip
import shutil
import tempfile
from pathlib import Path

from misfire.simulate import load_scenario, simulate

HERE = Path(__file__).parent

for name in ("before", "after", "two_faults"):
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        simulate(load_scenario(str(HERE / f"{name}.toml"))).write(out)
        text = (out / "log.csv").read_bytes()
        (HERE / f"{name}.csv.gz").write_bytes(gzip.compress(text, 9, mtime=0))
        for part in ("channels.csv", "counts.csv", "truth.json"):
            shutil.copy(out / part, HERE / f"{name}_{part}")
        shutil.copy(out / "engine.toml", HERE / "engine.toml")
