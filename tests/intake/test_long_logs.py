"""Long records are handled in pieces: the same edges as in one piece, and memory that does not follow the length."""

from __future__ import annotations

import os
import subprocess
import sys
import wave
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


MEASURE = (
    "import resource, sys, numpy as np, pandas, scipy.ndimage\n"
    "from misfire.crank import number_edges\n"
    "from misfire.intake import read\n"
    "now = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
    "before = now(); edges = read(sys.argv[1]).crank_s\n"
    "print(edges.size, now() - before - edges.nbytes / 2**20)\n"
    "if len(sys.argv) > 2:\n"
    "    crank = number_edges(edges, None)\n"
    "    own = edges.nbytes + crank.time_s.nbytes + crank.block.nbytes + crank.faulty.nbytes\n"
    "    print(crank.wheel.label, now() - before - own / 2**20)\n"
)


def memory(*args: str) -> list[str]:
    """Edges read and the peak memory [MB] above them; with a second argument wheel and peak above the numbered teeth too."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    code = [sys.executable, "-c", MEASURE, *args]
    return subprocess.run(code, env=env, capture_output=True, text=True, check=True).stdout.split()


def test_memory_does_not_follow_the_length(tmp_path: Path):
    """Ten million samples with their times, 160 MB of numbers, in less than 120 MB."""
    n = 10_000_000
    t = np.arange(n) / RATE_HZ
    # 2900 teeth a second, the sign of a sine: cheap to make
    np.savez(tmp_path / "w.npz", time_s=t, crank_v=np.sin(2 * np.pi * 2900.0 * t))
    edges, above = memory(str(tmp_path / "w.npz"))
    (tmp_path / "w.npz").unlink()
    assert int(edges) == pytest.approx(2900 * n / RATE_HZ, abs=2)
    assert float(above) < 120


def test_memory_above_many_edges(tmp_path: Path):
    """A WAV of ten million edges, 330 MB as samples: less than 150 MB above its edges, and above the numbered teeth."""
    place = np.arange(480) / 8.0
    turn = np.where(place < 58, 20000 * np.sin(2 * np.pi * (place + 0.03)), 0.0).astype("<i2")
    turns = 10_000_000 // 58
    with wave.open(str(tmp_path / "w.wav"), "wb") as w:
        w.setnchannels(1)
        w.setsampwidth(2)
        w.setframerate(48_000)
        for _ in range(turns // 1000 + 1):
            w.writeframes(np.tile(turn, 1000).tobytes())
    edges, above, wheel, above_teeth = memory(str(tmp_path / "w.wav"), "number")
    (tmp_path / "w.wav").unlink()
    assert int(edges) == pytest.approx((turns // 1000 + 1) * 58_000, abs=2)
    assert wheel == "60-2"
    assert float(above) < 150
    assert float(above_teeth) < 150
