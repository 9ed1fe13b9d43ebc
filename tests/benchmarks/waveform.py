"""`python -m tests.benchmarks.waveform`: samples to edges against reading the samples alone, 60 s at 1 MS/s.

Tables of text (time and volts of a variable-reluctance pickup; a third of the minute) against pandas alone, and WAV
files of 16 bits (variable reluctance, Hall) against scipy alone, which copies memory and makes floats of it. Processor
seconds, the least of three runs each. Aim: at least half as fast as reading.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.io import wavfile

from misfire.engine import Wheel
from misfire.intake import read
from misfire.simulate import Phase, Scenario, Simulated, prepared_engine, simulate
from misfire.simulate.waveform import waveform

RATE, SECONDS, PIECE_S = 1_000_000, 60, 5
FULL_V = {"vr": 15.0, "hall": 6.0}


def drive() -> Simulated:
    """A minute: idle, then two steady speeds."""
    steps = (
        Phase(duration_s=SECONDS / 3, rpm=900, mode="governed"),
        Phase(duration_s=SECONDS / 3, rpm=2500, load_pct=50),
        Phase(duration_s=SECONDS / 3 + 1.0, rpm=3500, load_pct=50),
    )
    return simulate(Scenario(engine=prepared_engine("inline4", Wheel.regular(60)), programme=steps))


def write(done: Simulated, kind: str, path: Path) -> int:
    """The file; returns the number of samples."""
    parts = []
    for k in range(0, SECONDS, PIECE_S):
        _, v = waveform(done, kind, rate_hz=RATE, from_s=k + 1e-9, to_s=float(k + PIECE_S))
        parts.append((v / FULL_V[kind] * 32767).clip(-32767, 32767).astype(np.int16))
    samples = np.concatenate(parts)
    wavfile.write(path, RATE, samples)
    return samples.size


def write_table(done: Simulated, path: Path) -> int:
    """Time and voltage as text; returns the number of rows."""
    t, v = waveform(done, "vr", rate_hz=RATE, from_s=SECONDS / 3, to_s=2 * SECONDS / 3)
    pd.DataFrame({"time_s": np.round(t, 6), "crank_v": np.round(v, 4)}).to_csv(path, index=False)
    return t.size


def least(what: Callable[[], Any], runs: int = 3) -> float:
    """Processor seconds of the quickest run."""
    took = []
    for _ in range(runs):
        began = time.process_time()
        what()
        took.append(time.process_time() - began)
    return min(took)


def main() -> None:
    """Print the table."""
    done = drive()
    print("| file | samples | reading s | to edges s | edges | speed over reading's |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "vr.csv"
        size = write_table(done, table)
        show("CSV, variable reluctance", table, size, lambda: pd.read_csv(table))
        table.unlink()
        for kind in FULL_V:
            path = Path(folder) / f"{kind}.wav"
            size = write(done, kind, path)
            show(f"WAV, {kind}", path, size, lambda path=path: as_floats(path))  # type: ignore[misc]


def as_floats(path: Path) -> Any:
    """The samples of a WAV file, -1 to 1."""
    return wavfile.read(path)[1].astype(np.float32) / np.float32(32768)


def show(name: str, path: Path, size: int, reading: Callable[[], Any]) -> None:
    """One row of the table."""
    alone, whole = least(reading), least(lambda: read(str(path)))
    edges = read(str(path)).crank_s.size
    print(f"| {name} | {size} | {alone:.2f} | {whole:.2f} | {edges} | {alone / whole:.2f} |", flush=True)


if __name__ == "__main__":
    main()
