"""What a log holds and what it is good enough for."""

from __future__ import annotations

from typing import Any

import numpy as np

from misfire.crank import number_edges
from misfire.decide import MOTORING
from misfire.engine import Engine, Wheel
from misfire.intake.recording import Channels, Recording
from misfire.onelog import OneLog, study
from misfire.work import make_grid, time_noise_s

NEEDED_D = 4.65  # separates 1 % false alarms from 1 % misses, unit normals [derived]


def inspect_log(
    recording: Recording, engine: Engine | None, wheel: Wheel | None = None, channels: Channels | None = None
) -> dict[str, Any]:
    """Describe a log; without an engine only edges, wheel and faults are looked at.

    Raises InputError and TooFewTurnsError.
    """
    log: OneLog | None = None
    if engine is not None:
        log = study(recording, engine, channels=channels)
        crank = log.crank
    else:
        crank = number_edges(recording.crank_s, wheel, recording.cam_s)
    grid = make_grid(crank)
    mid = crank.time_s[:, crank.wheel.teeth // 2]
    mid = mid[np.isfinite(mid)]
    rpm = 60 / np.diff(mid)
    ok = (rpm > 20) & (rpm < 20000)
    rpm = rpm[ok]
    noise = max(time_noise_s(grid), recording.clock_step_s / np.sqrt(12))
    first = log.phase.first_deg if log is not None else crank.wheel.first_tooth_after_tdc1_deg
    notes = [*recording.notes, *crank.notes, *(log.phase.notes if log is not None else ())]
    if crank.first_tooth_lost:
        notes.append(
            f"the first tooth after the gap (position 0) stays below the threshold in {crank.first_tooth_lost} turns; "
            "it is not needed"
        )
    return {
        "format": "misfire-inspection",
        "version": 1,
        "log": {
            "file": recording.source,
            "edges": crank.edges,
            "turns": crank.turns,
            "duration_s": float(recording.crank_s[-1] - recording.crank_s[0]),
            "speed_rpm": {
                "min": float(rpm.min()) if rpm.size else 0.0,
                "median": float(np.median(rpm)) if rpm.size else 0.0,
                "max": float(rpm.max()) if rpm.size else 0.0,
            },
        },
        "decided": dict(recording.decisions),
        "wheel": {
            "label": crank.wheel.label,
            "positions": crank.wheel.positions,
            "missing_positions": list(crank.wheel.missing),
            "found": crank.wheel_found,
        },
        "phase": log.phase.status if log is not None else "not looked at (no engine given)",
        "signal": {
            "extra_edges": crank.extra_edges,
            "lost_edges": crank.lost_edges,
            "resyncs": crank.resyncs,
            "turns_set_aside": crank.turns_set_aside,
            "first_tooth_lost": crank.first_tooth_lost,
            "time_noise_us": 1e6 * noise,
            "notes": list(dict.fromkeys(notes)),
        },
        "coast_downs": coast_downs(log) if log is not None else [],
        "good_for": _good_for(log, crank.turns, noise),
        "engine_file": engine_file(engine, crank.wheel, first),
    }


def coast_downs(log: OneLog) -> list[dict[str, Any]]:
    """Runs of fuel cut: from, to [s], speeds [1/min], turns and the tooth accuracy [deg] to expect."""
    cut = log.decision.state == MOTORING
    edges = np.flatnonzero(np.diff(np.concatenate(([False], cut, [False])).astype(np.int8))).reshape(-1, 2)
    out = []
    noise = time_noise_s(make_grid(log.crank))
    for lo, hi in edges:
        turns = int(2 * (hi - lo) / log.engine.cylinders)
        if turns < 3:
            continue
        rpm = log.events.rpm[lo:hi]
        jitter_deg = np.degrees(noise * float(np.median(rpm)) * np.pi / 30)
        out.append(
            {
                "from_s": float(log.events.time_s[lo]),
                "to_s": float(log.events.time_s[hi - 1]),
                "from_rpm": float(rpm[0]),
                "to_rpm": float(rpm[-1]),
                "turns": turns,
                "accuracy_deg": float(max(jitter_deg / np.sqrt(turns), 0.0005)),
                "usable": turns >= 16 and bool(rpm[0] > rpm[-1]),
            }
        )
    return out


def _good_for(log: OneLog | None, turns: int, noise_s: float) -> list[str]:
    lines = []
    if turns < 200:
        lines.append(f"a first look only: {turns} turns; 200 usable turns are needed to call an engine clear")
    lines.append(f"edge times scatter by about {1e6 * noise_s:.2f} us")
    if log is None:
        return [*lines, "give the engine (--engine inline4) to know for which speeds that suffices"]
    # plain bound: sd of an event's energy is about J w^3 sigma_t / factor; factor 1.14 for offset + slope + acceleration
    expected = log.decision.expected
    w = log.events.rpm * np.pi / 30
    ok = np.isfinite(expected) & np.isfinite(w)
    if ok.any():
        d = expected[ok] / (1.1415 * w[ok] ** 3 * max(noise_s, 1e-9))
        share = float(np.mean(d > NEEDED_D))
        lines.append(
            f"clock and jitter alone allow a decision for {100 * share:.0f} % of the firings (d' above {NEEDED_D})"
        )
    return lines


def engine_file(engine: Engine | None, wheel: Wheel, first_deg: float | None) -> str:
    """An engine file (TOML) to start from."""
    lines = ["[engine]"]
    if engine is None:
        lines += [
            "cylinders = 4                 # yours",
            "firing_order = [1, 3, 4, 2]   # yours, from the service manual",
        ]
    else:
        lines += [f"cylinders = {engine.cylinders}", f"firing_order = {list(engine.firing_order)}"]
        if not engine.even_firing:
            lines.append(f"firing_tdc_deg = {list(engine.firing_tdc_deg)}")
    lines += ["", "[wheel]"]
    if wheel.angles_deg is not None:
        lines.append(f"tooth_angles_deg = {list(wheel.angles_deg)}")
    else:
        lines += [f"positions = {wheel.positions}", f"missing_positions = {list(wheel.missing)}"]
    if first_deg is not None:
        lines.append(f"first_tooth_after_tdc1_deg = {first_deg:.1f}")
    return "\n".join(lines) + "\n"
