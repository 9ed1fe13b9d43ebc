"""Long records are handled in pieces: the same edges as in one piece, and memory that does not follow the length."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from misfire.intake import ReadOptions, arrays, read, samples, vcd

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 100_000


@pytest.fixture
def forms(tmp_path: Path, crank) -> list[tuple[Path, ReadOptions]]:
    """One waveform as NumPy archive, plain array and Parquet."""
    t = np.arange(0, crank.duration_s, 1 / RATE_HZ)
    v = crank.reluctance_v(t)
    np.savez(tmp_path / "w.npz", time_s=t, crank_v=v)
    np.save(tmp_path / "w.npy", v.astype(np.float32))
    files = [(tmp_path / "w.npz", ReadOptions()), (tmp_path / "w.npy", ReadOptions(sample_rate_hz=RATE_HZ))]
    if pytest.importorskip("pyarrow"):
        pd.DataFrame({"time_s": t, "crank_v": v}).to_parquet(tmp_path / "w.parquet", index=False)
        files.append((tmp_path / "w.parquet", ReadOptions()))
    return files


def test_pieces_give_the_same_edges(forms, monkeypatch: pytest.MonkeyPatch):
    whole = [read(file, options).crank_s for file, options in forms]
    monkeypatch.setattr(arrays, "LONG_BYTES", 1000)
    monkeypatch.setattr(arrays, "PIECE", 777)
    monkeypatch.setattr(samples, "RAM_BYTES", 5000)
    for (file, options), edges in zip(forms, whole, strict=True):
        np.testing.assert_array_equal(read(file, options).crank_s, edges)


def test_a_value_change_dump_in_pieces(tmp_path: Path, crank, monkeypatch: pytest.MonkeyPatch):
    """Changes put away every 50 times, on disk from 5 kB on, and looked at 333 at a time."""
    ticks = np.rint(crank.tooth_s() * 1e7).astype(int)
    rows = "".join(f"#{t}\n1!\n#{t + 900}\n0!\n" for t in ticks.tolist())
    (tmp_path / "w.vcd").write_text(
        "$timescale 100 ns $end\n$var wire 1 ! crank $end\n$enddefinitions $end\n#0\n0!\n" + rows
    )
    monkeypatch.setattr(vcd, "AT_ONCE", 50)
    monkeypatch.setattr(vcd, "BLOCK", 333)
    monkeypatch.setattr(samples, "RAM_BYTES", 5000)
    recording = read(tmp_path / "w.vcd", ReadOptions(edge="rising"))
    np.testing.assert_allclose(recording.crank_s, ticks / 1e7, rtol=0, atol=1e-12)
    assert recording.width_s is not None
    np.testing.assert_allclose(recording.width_s, 900e-7, rtol=1e-6)


def test_memory_does_not_follow_the_length(tmp_path: Path):
    """Ten million samples with their times, 160 MB of numbers, in less than 120 MB."""
    code = (
        "import resource, sys, numpy as np, pandas\n"
        "from misfire.intake import read\n"
        "now = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
        "before = now(); edges = read(sys.argv[1]).crank_s\n"
        "print(edges.size, now() - before)\n"
    )
    n = 10_000_000
    t = np.arange(n) / RATE_HZ
    # 2900 teeth a second, the sign of a sine: cheap to make
    np.savez(tmp_path / "w.npz", time_s=t, crank_v=np.sin(2 * np.pi * 2900.0 * t))
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    out = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "w.npz")],
        env=env,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    (tmp_path / "w.npz").unlink()
    assert int(out[0]) == pytest.approx(2900 * n / RATE_HZ, abs=2)
    assert float(out[1]) < 120
