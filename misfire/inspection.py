"""What a log holds, what was decided on the way, and what it is good enough for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from misfire.crank import Crank, number_edges
from misfire.decide import MOTORING
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray, Wheel
from misfire.errors import naming_log
from misfire.grid import make_grid, time_noise_s
from misfire.intake.recording import Channels, Recording
from misfire.onelog import OneLog, study

NEEDED_D = 4.65  # separates 1 % false alarms from 1 % misses, unit normals [derived]
# sd of an event's energy is FACTOR w^3 sigma_t with offset, slope and acceleration free over +-180 deg [derived]
FACTOR = 1.1415
# boundary error [deg] at 6000 rpm that moves a healthy event by half a misfire at no load [simulated]; it
# grows as w^-1.4 towards lower speeds along the zero-load line; all teeth of a segment together halve the noise
ZERO_LOAD_DEG = {4: 0.111, 6: 0.054, 8: 0.033}
USABLE_TURNS, COAST_TURNS, SWEEP = 200, 16, 1.25
SPEEDS_RPM = (1000, 2000, 3000, 4500, 6000)


def inspect_log(
    recording: Recording, engine: Engine | None, wheel: Wheel | None = None, channels: Channels | None = None
) -> dict[str, Any]:
    """Describe a log; without an engine only edges, wheel and faults are looked at.

    Raises InputError and TooFewTurnsError.
    """
    log: OneLog | None = None
    with naming_log(recording.source):
        if engine is not None:
            log = study(recording, engine, channels=channels)
            crank = log.crank
        else:
            anchor = recording.cylinder1_s if recording.cylinder1_s is not None else recording.cam_s
            crank = number_edges(recording.crank_s, wheel, anchor)
    noise_s = max(time_noise_s(make_grid(crank)), recording.clock_step_s / np.sqrt(12))
    rpm = turn_rpm(crank)
    first = log.phase.first_deg if log is not None else crank.wheel.first_tooth_after_tdc1_deg
    coasts = coast_downs(log) if log is not None else []
    speeds = _speeds(log, rpm, noise_s)
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
            "cam_edges": 0 if recording.cam_s is None else int(recording.cam_s.size),
            "cylinder1_marks": 0 if recording.cylinder1_s is None else int(recording.cylinder1_s.size),
        },
        "decided": recording.decisions | _decided(recording, crank, log),
        "wheel": {
            "label": crank.wheel.label,
            "positions": crank.wheel.positions,
            "missing_positions": list(crank.wheel.missing),
            "found": crank.wheel_found,
            "gap_pitches": gap_pitches(crank),
        },
        "phase": log.phase.status if log is not None else "not looked at (no engine given)",
        "signal": {
            "extra_edges": crank.extra_edges,
            "lost_edges": crank.lost_edges,
            "resyncs": crank.resyncs,
            "turns_set_aside": crank.turns_set_aside,
            "first_tooth_lost": crank.first_tooth_lost,
            "clock_step_us": 1e6 * recording.clock_step_s,
            "time_noise_us": 1e6 * noise_s,
            "notes": list(dict.fromkeys(_notes(recording, crank, log))),
        },
        "coast_downs": coasts,
        "speeds": speeds,
        "good_for": _good_for(log, crank, rpm, noise_s, recording.clock_step_s, speeds, coasts),
        "engine_file": engine_file(
            engine,
            crank.wheel,
            first,
            counted_edge=_counted_edge(recording),
            cam_deg=_cam_deg(recording, log),
        ),
    }


def turn_rpm(crank: Crank) -> FloatArray:
    """Speed [1/min] from turn to turn, by a tooth far from the gap; pauses and breaks left out."""
    mid = crank.time_s[:, crank.wheel.teeth // 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        rpm = 60.0 / np.diff(mid)
    ok = (np.diff(crank.block) == 0) & np.isfinite(rpm) & (rpm > 20) & (rpm < 20000)
    return np.asarray(rpm[ok])


def gap_pitches(crank: Crank) -> float | None:
    """Median length of the interval across the (longest) gap in pitches of its neighbours; None without a gap."""
    t = crank.time_s
    if not crank.wheel.missing or crank.turns < 2 or crank.wheel.teeth < 6:
        return None
    gap = t[1:, 0] - t[:-1, -1]
    pitch = 0.5 * ((t[:-1, -1] - t[:-1, -3]) / 2 + (t[1:, 3] - t[1:, 1]) / 2)
    ratio = gap / pitch
    ratio = ratio[np.isfinite(ratio)]
    return float(np.median(ratio)) if ratio.size else None


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
                "usable": turns >= COAST_TURNS and bool(rpm[0] > rpm[-1]),
            }
        )
    return out


def _decided(recording: Recording, crank: Crank, log: OneLog | None) -> dict[str, str]:
    """What numbering and phase decided, in words, beside what the reader decided."""
    gap = gap_pitches(crank)
    missing = len(crank.wheel.missing)
    out = {
        "wheel": f"{crank.wheel.label}, {'found in the log' if crank.wheel_found else 'as given'}",
        "gap": "none" if gap is None else f"{missing} missing, the interval there is {gap:.2f} pitches long",
    }
    if recording.clock_step_s > 0:
        out["time resolution"] = f"{1e6 * recording.clock_step_s:.4g} us"
    if "direction-coded" in recording.decisions.get("edges", ""):
        out["direction"] = "told by the sensor's pulses"
    else:
        out["direction"] = "forwards throughout (a single sensor does not tell; a rock-back shows as a break)"
    if log is None:
        out["phase"] = "not looked at: no engine given"
        return out
    how = "found from compression and combustion" if log.phase.tdc_found else "from the engine file"
    out["TDC"] = f"{how}: position 0 stands {log.phase.first_deg:.1f} deg after it"
    cam = recording.cam_s is not None and bool(log.engine.cam_edges_deg)
    told = (
        "by cylinder-1 marks" if recording.cylinder1_s is not None else "by the cam" if cam else "by the work"
    )
    out["phase"] = f"measured, {told}" if log.phase.status == "measured" else log.phase.status
    if not log.phase.named:
        out["phase"] += "; cylinders are named A, B, ... in firing order from the gap"
    return out


def _notes(recording: Recording, crank: Crank, log: OneLog | None) -> Iterable[str]:
    yield from recording.notes
    yield from crank.notes
    if log is not None:
        yield from log.phase.notes
    if crank.first_tooth_lost:
        yield (
            f"the first tooth after the gap (position 0) stays below the threshold in {crank.first_tooth_lost} turns; "
            "it is not needed"
        )


def _speeds(log: OneLog | None, rpm: FloatArray, noise_s: float) -> list[dict[str, Any]]:
    """By speed: edge noise [deg], and d' of a single misfire against it where the engine is known."""
    out: list[dict[str, Any]] = []
    for at in SPEEDS_RPM:
        row: dict[str, Any] = {"rpm": at, "edge_noise_deg": 6.0 * at * noise_s, "in_log": False, "d": None}
        row["in_log"] = bool(rpm.size and np.any(np.abs(rpm / at - 1) < 0.15))
        if log is not None:
            near = np.isfinite(log.decision.expected) & (np.abs(log.events.rpm / at - 1) < 0.15)
            if not near.any():
                near = np.isfinite(log.decision.expected)
            if near.any():
                energy = float(np.median(log.decision.expected[near]))
                row["d"] = energy / (FACTOR * (at * np.pi / 30) ** 3 * max(noise_s, 1e-9))
        out.append(row)
    return out


def _limit_rpm(energy: float, noise_s: float) -> float:
    """Speed [1/min] at which edge noise alone brings d' down to NEEDED_D, for a normal event of that energy."""
    return float((energy / (FACTOR * NEEDED_D * max(noise_s, 1e-9))) ** (1 / 3) * 30 / np.pi)


def _limit_zero_load_rpm(limit_deg: float, noise_s: float) -> float:
    """The same without an engine: 6 n sigma_t NEEDED_D / 4 = limit (6000 / n)^1.4, solved for n."""
    return float((limit_deg * 6000.0**1.4 * 4 / (6.0 * NEEDED_D * max(noise_s, 1e-9))) ** (1 / 2.4))


def _up_to_99(d: float) -> str:
    return "above 99" if d > 99 else f"{d:.1f}"


def _rpm(limit: float) -> str:
    return f"{limit:.0f} rpm" if limit < 8000 else "8000 rpm and more"


def _good_for(
    log: OneLog | None,
    crank: Crank,
    rpm: FloatArray,
    noise_s: float,
    clock_s: float,
    speeds: list[dict[str, Any]],
    coasts: list[dict[str, Any]],
) -> list[str]:
    lines = []
    if crank.turns < USABLE_TURNS:
        lines.append(
            f"a first look only: {crank.turns} turns; {USABLE_TURNS} usable turns are needed to call an engine clear"
        )
    share = (
        f", {1e6 * clock_s / np.sqrt(12):.2g} us of it from the clock or the sampling" if clock_s > 0 else ""
    )
    lines.append(f"edge times scatter by about {1e6 * noise_s:.2g} us{share}")
    if log is None:
        at = {c: _limit_zero_load_rpm(deg, noise_s) for c, deg in ZERO_LOAD_DEG.items()}
        limits = ", ".join(f"{_rpm(n)} with {c} cylinders" for c, n in at.items())
        lines.append(
            f"single misfires at no load can be told up to about {limits} (simulated engines; more under load)"
        )
        return [*lines, "give the engine (--engine inline4) for the limit at this log's own work per firing"]
    known = np.isfinite(log.decision.expected)
    if known.any():
        limit = _limit_rpm(float(np.median(log.decision.expected[known])), noise_s)
        w = log.events.rpm[known] * np.pi / 30
        d = log.decision.expected[known] / (FACTOR * w**3 * max(noise_s, 1e-9))
        good = 100 * float(np.mean(d > NEEDED_D))
        lines.append(
            f"edge noise alone allows a decision for {good:.0f} % of these firings (d' above {NEEDED_D}), and at this "
            f"log's work per firing up to about {_rpm(limit)}"
        )
    for row in speeds:
        if row["in_log"] and row["d"] is not None:
            word = "enough" if row["d"] > NEEDED_D else "too little for single firings"
            lines.append(
                f"at {row['rpm']} rpm: edge noise {row['edge_noise_deg']:.2g} deg, d' {_up_to_99(row['d'])}, {word}"
            )
    ratio = float(np.percentile(rpm, 95) / np.percentile(rpm, 5)) if rpm.size else 1.0
    if any(c["usable"] for c in coasts):
        lines.append("learning the tooth pattern: yes, from the coast-down in fuel cut")
    elif ratio >= SWEEP:
        lines.append(f"learning the tooth pattern: yes, from fired turns (speed ratio {ratio:.2f})")
    else:
        lines.append(
            f"learning the tooth pattern: no; there is no coast-down of {COAST_TURNS} turns in fuel cut and the speed "
            f"ratio is {ratio:.2f} ({SWEEP} needed): a shared cause and a wheel error look alike here"
        )
    if log.phase.status == "unknown" and log.engine.companions:
        lines.append("telling companions apart: no; record a cam signal or a mark of cylinder 1")
    return lines


def _counted_edge(recording: Recording) -> str:
    word = recording.decisions.get("edge", "").split(" ")[0]
    return word if word in ("rising", "falling", "both") else ""


def _cam_deg(recording: Recording, log: OneLog | None) -> list[float] | None:
    """Cam edges [deg after TDC 1, 0..720) as seen in the log, the median of each; None when that is not known."""
    if recording.cam_s is None or log is None or log.phase.status != "measured" or not log.phase.named:
        return None
    start = log.crank.time_s[:, 1]
    row = np.searchsorted(start, recording.cam_s) - 1
    ok = (row >= 0) & (row + 1 < start.size)
    row, t = row[ok], recording.cam_s[ok]
    span = start[row + 1] - start[row]
    ok = np.isfinite(span) & (span > 0) & (np.diff(log.crank.block)[row] == 0)
    row, t, span = row[ok], t[ok], span[ok]
    if not row.size:
        return None
    angle = (
        log.phase.first_deg + float(log.crank.wheel.tooth_angles_deg[1]) + TURN_DEG * (t - start[row]) / span
    )
    angle = np.sort((angle + TURN_DEG * log.phase.second_turn[row]) % CYCLE_DEG)
    groups = np.split(angle, np.flatnonzero(np.diff(angle) > 15.0) + 1)
    if len(groups) > 1 and angle[0] + CYCLE_DEG - angle[-1] < 15.0:
        groups = [np.concatenate((groups[-1] - CYCLE_DEG, groups[0])), *groups[1:-1]]
    often = [g for g in groups if g.size > 0.5 * max(len(x) for x in groups)]
    return sorted(round(float(np.median(g)) % CYCLE_DEG, 1) for g in often)


def engine_file(
    engine: Engine | None,
    wheel: Wheel,
    first_deg: float | None,
    *,
    counted_edge: str = "",
    cam_deg: list[float] | None = None,
) -> str:
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
        lines.append(f"first_tooth_after_tdc1_deg = {first_deg % TURN_DEG:.1f}")
    else:
        lines.append("# first_tooth_after_tdc1_deg = 120.0   # when known; else it is found")
    edge = counted_edge or wheel.counted_edge
    if edge and not (edge == "both" and wheel.angles_deg is None):
        lines.append(f'counted_edge = "{edge}"')
    seen = cam_deg or (list(engine.cam_edges_deg) if engine is not None and engine.cam_edges_deg else None)
    if seen:
        lines += ["", "[cam]", f"edges_after_tdc1_deg = {seen}"]
    if engine is not None and engine.mark_after_tdc1_deg is not None:
        lines += ["", "[cylinder1]", f"mark_after_tdc1_deg = {engine.mark_after_tdc1_deg}"]
        lines.append(f"marks_per_cycle = {engine.marks_per_cycle}")
    return "\n".join(lines) + "\n"
