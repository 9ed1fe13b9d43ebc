"""A whole start as it is recorded: the engine stands, is cranked and runs up, beside sparks that ring."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.intake import ReadOptions
from misfire.intake.samples import Samples
from misfire.intake.waveform import to_recording
from tests.intake import sensor

RATE_HZ = 100_000
STAND_S = 0.3


def start(shape: tuple[int, int], seed: int) -> tuple[np.ndarray, np.ndarray, object]:
    """Variable-reluctance signal [V] with noise, 0.3 s before the crank moves, its times [s], and the crank."""
    crank = sensor.Crank(
        rpm_from=160, rpm_to=1100, duration_s=4.0, ripple=0.06, positions=shape[0], missing=shape[1]
    )
    t = np.arange(-STAND_S, crank.duration_s, 1 / RATE_HZ)
    v = np.where(t >= 0, crank.reluctance_v(np.maximum(t, 0.0)), 0.0)
    return v + 0.01 * np.random.default_rng(seed).normal(0, 1, t.size), t, crank


def sparks(crank, t: np.ndarray, volts: float, decay_s: float, seed: int) -> np.ndarray:
    """Two sparks a turn from 200 deg on; each rings at its own size, and falls between two samples anywhere."""
    rng = np.random.default_rng(seed)
    turns = np.where(t >= 0, crank.angle_deg(np.maximum(t, 0.0)), 0.0) / 180.0 - 200.0 / 180.0
    out = np.zeros(t.size)
    for first in (np.flatnonzero(np.diff(np.floor(turns))) + 1).tolist():
        since = (np.arange(int(8 * decay_s * RATE_HZ) + 2) + rng.uniform()) / RATE_HZ
        ring = rng.uniform(0.7, 1.3) * np.exp(-since / decay_s) * np.cos(2 * np.pi * since / decay_s)
        part = out[first : first + ring.size]
        part += volts * ring[: part.size]
    return out


def sparked(shape: tuple[int, int], volts: float, decay_s: float):
    """The recording of a start with sparks, edges lost, edges too many, and how many there are."""
    v, t, crank = start(shape, 8)
    v = v + sparks(crank, t, volts, decay_s, 9)
    recording = to_recording(Samples("x", -STAND_S, 1 / RATE_HZ, v.astype(np.float32)), ReadOptions())
    true = crank.tooth_s()
    lost, extra, _ = sensor.match(recording.crank_s, true, 0.2 * float(np.diff(true).min()))
    return recording, lost, extra, true.size


@pytest.mark.parametrize("shape", [(60, 2), (36, 1), (24, 1)])
@pytest.mark.parametrize(("volts", "decay_s"), [(1.0, 1e-4), (4.0, 4e-5), (8.0, 4e-5), (20.0, 1e-5)])
def test_sparks_over_a_whole_start(shape: tuple[int, int], volts: float, decay_s: float):
    """0.3 V while cranking and 1.8 V at the end: sparks inside and outside the signal, more than one in ten teeth."""
    recording, lost, extra, _ = sparked(shape, volts, decay_s)
    assert lost + extra <= 2
    assert recording.decisions["edge"] == "falling"
    assert any("spikes" in n for n in recording.notes)
    assert not any("do not stand" in n for n in recording.notes)


@pytest.mark.parametrize("shape", [(60, 2), (36, 1), (24, 1)])
@pytest.mark.parametrize(
    ("volts", "decay_s"), [(4.0, 4e-4), (8.0, 4e-4), (20.0, 4e-4), (8.0, 1e-3), (20.0, 1e-3)]
)
def test_what_rings_too_long_to_be_passed_over_is_said(shape: tuple[int, int], volts: float, decay_s: float):
    """Ten times the signal, for longer than a tooth takes: edges are lost or too many, and the reader says so."""
    recording, lost, extra, size = sparked(shape, volts, decay_s)
    said = any("do not stand where those of other turns do" in n for n in recording.notes)
    assert said or lost + extra <= 0.02 * size
    assert lost + extra > 10 or (shape, volts) == ((24, 1), 4.0), "the signal is that bad"


@pytest.mark.parametrize("shape", [(60, 2), (36, 1), (24, 1)])
@pytest.mark.parametrize(("share", "hz", "decay_s"), [(0.25, 1500.0, 1e-3), (0.4, 700.0, 2e-3)])
def test_ringing_behind_the_last_tooth(shape: tuple[int, int], share: float, hz: float, decay_s: float):
    """The pickup's own resonance, set off in every gap at a share of the signal's peak: no edge of a tooth."""
    v, t, crank = start(shape, 8)
    true = crank.tooth_s()
    pitch = np.diff(true)
    last = np.flatnonzero(pitch[1:-1] > 1.5 * np.maximum(pitch[:-2], pitch[2:])) + 1
    for k in last.tolist():
        begin = true[k] + 0.6 * pitch[k - 1]
        first = int(np.ceil((begin + STAND_S) * RATE_HZ))
        since = t[first : first + int(5 * decay_s * RATE_HZ)] - begin
        peak = float(np.ptp(crank.reluctance_v(t[first - 2000 : first]))) / 2
        v[first : first + since.size] += (
            share * peak * np.exp(-since / decay_s) * np.sin(2 * np.pi * hz * since)
        )
    recording = to_recording(Samples("x", -STAND_S, 1 / RATE_HZ, v.astype(np.float32)), ReadOptions())
    lost, extra, _ = sensor.match(recording.crank_s, true, 0.2 * float(pitch.min()))
    assert lost + extra <= 2
    assert recording.decisions["edge"] == "falling"
