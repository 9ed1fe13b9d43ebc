"""Good files of every kind that a command takes, small, from one simulated sensor; bad ones are made from them."""

from __future__ import annotations

import gzip
import io
import json
import struct
from pathlib import Path

import numpy as np

POSITIONS, MISSING, TURNS, RPM = 36, 1, 14, 1500.0
RATE_HZ = 20_000


def edges_s() -> np.ndarray:
    """Edge times [s] of a 36-1 wheel whose speed ripples twice a turn, as a four-cylinder engine's does."""
    k = np.arange(TURNS * POSITIONS)
    k = k[k % POSITIONS < POSITIONS - MISSING]
    angle = 2 * np.pi * k / POSITIONS
    t = (angle + 0.01 * np.sin(2 * angle)) / (RPM * np.pi / 30)
    return np.round(0.01 + t, 7)


def volts(t: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """A pickup that falls steeply through zero at every edge."""
    near = np.clip(np.searchsorted(edges, t), 1, edges.size - 1)
    near -= np.abs(edges[near - 1] - t) < np.abs(edges[near] - t)
    u = (t - edges[near]) / 2e-4
    return -u * np.exp(0.5 - 0.5 * u * u) * 3.0


def logs() -> dict[str, bytes]:
    """Name with ending -> content of a log."""
    edges = edges_s()
    t = np.arange(0.0, edges[-1], 1 / RATE_HZ)
    v = volts(t, edges) + 0.01 * np.random.default_rng(1).normal(size=t.size)
    # the engine file has the cam edge at 70 deg and position 0 at 120: 50 deg before every other turn begins
    plain = "time_s,signal\n" + "".join(
        f"{x:.7f},crank\n" + (f"{x + 1e-5:.7f},cam\n" if k % 70 == 66 else "") for k, x in enumerate(edges)
    )
    tick = np.rint(edges * 1e7).astype(int) % 2**16
    ticks = "# clock_hz = 10000000\n# counter_bits = 16\ntick\n" + "".join(f"{x}\n" for x in tick)
    period = "period_us\n" + "".join(f"{x * 1e6:.1f}\n" for x in np.diff(edges))
    wave = "time_s,crank_v\n" + "".join(f"{a:.5f},{b:.3f}\n" for a, b in zip(t, v, strict=True))
    rows = "".join(f"{a * 1e3:.2f};{b * 1e3:.0f}\n".replace(".", ",") for a, b in zip(t, v, strict=True))
    scope = "Export;scope\nSample rate;20 kS/s\n\ntime_ms;crank_v\n(ms);(mV)\n" + rows
    vcd = "$date today $end\n$timescale 1 us $end\n$scope module shop $end\n$var wire 1 ! crank $end\n"
    vcd += "$upscope $end\n$enddefinitions $end\n$dumpvars\n0!\n$end\n"
    vcd += "".join(f"#{round(x * 1e6)}\n1!\n#{round(x * 1e6) + 300}\n0!\n" for x in edges)
    whole = (v / 4 * 32767).astype("<i2").tobytes()
    wav = b"RIFF" + struct.pack("<I", 36 + len(whole)) + b"WAVEfmt "
    wav += struct.pack("<IHHIIHH", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16)
    wav += b"data" + struct.pack("<I", len(whole)) + whole
    out = {
        "times.csv": plain.encode(),
        "ticks.csv": ticks.encode(),
        "periods.csv": period.encode(),
        "packed.csv.gz": gzip.compress(plain.encode()),
        "wave.csv": wave.encode(),
        "scope.csv": scope.encode(),
        "log.vcd": vcd.encode(),
        "log.wav": wav,
        "edges.npz": _npz(crank_s=edges),
        "wave.npz": _npz(time_s=t, crank_v=v),
        "edges.npy": _npy(edges),
        "wave.npy": _npy(np.column_stack((t, v))),
    }
    return out | _foreign(edges, t, v)


def _npz(**arrays: np.ndarray) -> bytes:
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()


def _npy(array: np.ndarray) -> bytes:
    out = io.BytesIO()
    np.save(out, array)
    return out.getvalue()


def _foreign(edges: np.ndarray, t: np.ndarray, v: np.ndarray) -> dict[str, bytes]:
    """Parquet and MDF, where their libraries are there."""
    out: dict[str, bytes] = {}
    try:
        import pandas as pd
        import pyarrow  # noqa: F401

        held = io.BytesIO()
        pd.DataFrame({"time_s": edges}).to_parquet(held, index=False)
        out["edges.parquet"] = held.getvalue()
    except ImportError:
        pass
    try:
        import tempfile

        import asammdf

        with tempfile.TemporaryDirectory() as folder, asammdf.MDF(version="4.10") as mdf:
            mdf.append([asammdf.Signal(v, t, name="crank_v", unit="V")])
            mdf.save(Path(folder) / "x.mf4")
            out["wave.mf4"] = (Path(folder) / "x.mf4").read_bytes()
    except ImportError:
        pass
    return out


ENGINE = """# a comment
[engine]
name = "shop car"
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 81.0
stroke_mm = 84.0
rod_mm = 140.0
compression_ratio = 10.5
reciprocating_mass_kg = 0.5
rotating_inertia_kg_m2 = 0.15

[wheel]
positions = 36
missing_positions = [35]
first_tooth_after_tdc1_deg = 120.0
counted_edge = "falling"

[cam]
edges_after_tdc1_deg = [70.0]

[cylinder1]
mark_after_tdc1_deg = -10.0
marks_per_cycle = 1
"""

JOB = """customer = "Workshop 12"
vehicle = "grey van"
date = 2026-11-25
mileage_km = 123456
codes = ["P0300", "P0302"]
notes = "rough at idle"
"""


def channels() -> str:
    """A warm-up and a coast-down as slow channels."""
    head = "time_s,load_pct,map_kpa,speed_rpm,coolant_c,transmission_f,fuel_cut,starter,vehicle_kmh\n"
    rows = [
        f"{0.1 * k:.1f},{20 + k % 7},{40 + k % 5},{1500 - 5 * (k > 50) * (k - 50):.0f},{70 + 0.1 * k:.1f},"
        f"{160 + 0.1 * k:.1f},{int(k > 50)},0,{40 - 0.1 * k:.1f}\n"
        for k in range(100)
    ]
    return head + "".join(rows)


COUNTS = {
    "counts.csv": "# monitor_ran = yes\ncylinder,misfires\n1,0\n2,5\n3,7\n4,0\n",
    "running.csv": "time_s,cylinder,misfires\n0,1,0\n0,2,5\n0,3,9\n5,1,1\n5,2,9\n5,3,2\n",
    "read.txt": "46 A2 0B 24 00 09 00 00 FF FF\n46 A2 0C 24 00 05 00 00 FF FF\n46 A3 0C 24 00 00 00 00 FF FF\n",
}


def pattern() -> str:
    """A saved tooth pattern of the 36-1 wheel."""
    error = [round(0.02 * float(np.sin(k)), 4) for k in range(POSITIONS - MISSING)]
    return json.dumps(
        {
            "format": "misfire-pattern",
            "version": 1,
            "wheel": {"label": "36-1", "positions": 36, "missing": [35], "first_tooth_after_tdc1_deg": 120.0},
            "engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]},
            "learned_from": "fuel_cut",
            "turns": 40,
            "tooth_error_deg": [*error, None],
            "tooth_error_sd_deg": [0.002] * 35 + [None],
            "segment_error_pct": {},
            "segment_error_sd_pct": {},
            "stable": True,
        },
        indent=1,
    )


SCENARIO = """title = "short"
seed = 3
layout = "inline4"
[teeth]
sd_deg = 0.03
[[misfires]]
kind = "every"
cylinders = [2]
every = 10
[[programme]]
duration_s = 1.0
rpm = 1500
load_pct = 30
"""


def every_kind() -> dict[str, dict[str, bytes]]:
    """Kind -> name -> content."""
    return {
        "log": logs(),
        "engine": {"engine.toml": ENGINE.encode()},
        "channels": {"channels.csv": channels().encode()},
        "counts": {n: text.encode() for n, text in COUNTS.items()},
        "pattern": {"pattern.json": pattern().encode()},
        "job": {"job.toml": JOB.encode()},
        "scenario": {"scenario.toml": SCENARIO.encode()},
    }
