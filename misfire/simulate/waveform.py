"""Sampled pickup voltage of a simulated log, so that the waveform path can be tested with known edges.

A Hall pickup switches; each tooth is high for half a pitch, and the true edge is the rising one. A
variable-reluctance pickup gives u = A w d(flux)/d(angle): amplitude in proportion to speed, a flux bump at
each tooth, and the true edge where the voltage falls through zero in the middle of the tooth.

Samples have shape (samples,), marks shape (marks,).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError
from misfire.simulate.result import Simulated

FloatArray = npt.NDArray[np.float64]

KINDS = ("vr", "hall")


def waveform(
    done: Simulated,
    kind: str = "vr",
    *,
    rate_hz: float = 100e3,
    from_s: float = 0.0,
    to_s: float | None = None,
    volt_per_1000: float = 2.0,
    high_v: float = 5.0,
    noise_v: float = 0.02,
    rise_us: float = 3.0,
) -> tuple[FloatArray, FloatArray]:
    """Sample times [s] and crank voltage [V], both of shape (samples,).

    Made from the log's own edges, faults included. `volt_per_1000`: peak of the variable-reluctance signal at
    1000/min; `high_v`, `rise_us`: level and rise time of the Hall signal. Raises InputError.
    """
    if kind not in KINDS:
        raise InputError(f"waveform kind '{kind}': write vr or hall")
    edges = done.recording.crank_s
    end = float(edges[-1]) if to_s is None else min(to_s, float(edges[-1]))
    t = np.arange(max(from_s, float(edges[0])), end, 1.0 / rate_hz)
    if len(t) < 2 or len(edges) < 4:
        raise InputError("waveform: the window holds no edges; give another from_s and to_s")
    assert done.engine.wheel is not None
    turn_s = (
        np.gradient(edges[:: done.engine.wheel.teeth]) if len(edges) > 2 * done.engine.wheel.teeth else None
    )
    if turn_s is None:
        raise InputError("waveform: fewer than two turns; simulate a longer log")
    at = np.interp(t, edges[:: done.engine.wheel.teeth], turn_s)
    pitch_s = at * done.engine.wheel.pitch_deg / 360.0
    rng = np.random.default_rng(np.random.SeedSequence(done.scenario.seed).spawn(6)[5])
    if kind == "vr":
        v = _reluctance(t, edges, pitch_s) * volt_per_1000 * 60.0 / at / 1000.0
    else:
        v = _hall(t, edges, pitch_s, rise_us * 1e-6) * high_v
    if noise_v:
        v = v + rng.normal(0.0, noise_v, len(t))
    return t, np.asarray(v)


def _nearest(t: FloatArray, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Time [s] since the edge before and to the edge after each sample."""
    i = np.clip(np.searchsorted(edges, t, side="right"), 1, len(edges) - 1)
    return t - edges[i - 1], edges[i] - t


def _reluctance(t: FloatArray, edges: FloatArray, pitch_s: FloatArray) -> FloatArray:
    """Slope of Gaussian flux bumps at the teeth, peak about 1; falls through zero at the tooth."""
    since, until = _nearest(t, edges)
    width = 0.22
    out = np.zeros_like(t)
    for x in (since / pitch_s, -until / pitch_s):
        out -= x / width * np.exp(0.5 - 0.5 * (x / width) ** 2)
    return out


def _hall(t: FloatArray, edges: FloatArray, pitch_s: FloatArray, rise_s: float) -> FloatArray:
    """0..1, crossing 0.5 upwards at the edge and downwards half a pitch later."""
    since, until = _nearest(t, edges)
    up = np.clip(0.5 + since / rise_s, 0.0, 1.0)
    down = np.clip(0.5 - (since - 0.5 * pitch_s) / rise_s, 0.0, 1.0)
    coming = np.clip(0.5 - until / rise_s, 0.0, 0.5)
    return np.asarray(np.maximum(np.minimum(up, down), coming))


def mark_voltage(
    t_s: FloatArray,
    marks_s: FloatArray | None,
    *,
    high_v: float = 5.0,
    width_ms: float = 1.0,
    rise_us: float = 3.0,
) -> FloatArray | None:
    """Voltage [V] of a cam or cylinder-1 signal at times t_s: a pulse that passes half height upwards at each mark."""
    if marks_s is None or len(marks_s) == 0:
        return None
    i = np.searchsorted(marks_s, t_s + 0.5e-6 * rise_us, side="right") - 1
    since = np.where(i >= 0, t_s - marks_s[np.maximum(i, 0)], np.inf)
    up = np.clip(0.5 + since / (1e-6 * rise_us), 0.0, 1.0)
    down = np.clip(0.5 - (since - 1e-3 * width_ms) / (1e-6 * rise_us), 0.0, 1.0)
    return np.asarray(high_v * np.minimum(up, down))


def write_waveform_csv(
    path: str | Path,
    t_s: FloatArray,
    crank_v: FloatArray,
    *,
    cam_v: FloatArray | None = None,
    cylinder1_v: FloatArray | None = None,
) -> None:
    """Write `time_s,crank_v` and the marks that there are, with 0.1 us and 0.1 mV.

    Raises InputError when the file cannot be written.
    """
    columns = {"crank_v": crank_v, "cam_v": cam_v, "cylinder1_v": cylinder1_v}
    kept = {n: v.tolist() for n, v in columns.items() if v is not None}
    form = ",".join(["{:.7f}", *["{:.4f}"] * len(kept)])
    rows = [form.format(*row) for row in zip(t_s.tolist(), *kept.values(), strict=True)]
    try:
        Path(path).write_text("\n".join([",".join(["time_s", *kept]), *rows]) + "\n", "utf-8", newline="\n")
    except OSError as err:
        raise InputError(f"{path}: cannot be written ({err.strerror}); give another file") from err
