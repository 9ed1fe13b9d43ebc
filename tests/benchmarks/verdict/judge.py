"""What a verdict should say, worked out from the truth alone, and how a verdict did against it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from misfire.pipeline import Analysis
from misfire.simulate import Simulated
from tests.benchmarks.verdict.scenarios import Case

MONITOR = 0.6  # lost work from which a monitor counts; the simulator's own takes 0.5
OFFSETS_DEG = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0)


@dataclass
class Due:
    """Findings by cause: `must` has to be found, `may` is accepted but not asked for; sets of cylinders."""

    must: dict[str, set[int]] = field(default_factory=dict)
    may: dict[str, set[int]] = field(default_factory=dict)
    decidable: bool = True


def false_shares(done: Simulated, threshold: float = MONITOR) -> np.ndarray[Any, Any]:
    """Share of firing events that a monitor without correction counts, shape (offsets, cylinders).

    A monitor compares segments that end a fixed angle after TDC; where it puts the ends is its own choice,
    so several are tried. A relative segment error e moves the lost work by J w^2 (e[n+1] - e[n]) / W.
    """
    t, e = done.truth, done.engine
    wheel = e.wheel
    assert wheel is not None
    nominal = (wheel.first_tooth_after_tdc1_deg or 0.0) + wheel.tooth_angles_deg
    tdc = np.array([e.firing_tdc_deg[c - 1] for c in t.cylinder])
    step = np.diff(tdc) % 720.0
    step = np.concatenate([step[:1], step, step[-1:]])
    inertia = (e.rotating_inertia_kg_m2 or 0.1) + 0.53 * ((e.stroke_mm or 86.0) / 2000.0) ** 2 * (
        e.reciprocating_mass_kg or 0.0
    ) * e.cylinders
    fired = t.state == 0
    w2 = (t.rpm * np.pi / 30.0) ** 2
    out = []
    inner = np.arange(len(nominal)) != 0 if wheel.missing else np.ones(len(nominal), dtype=bool)
    for off in OFFSETS_DEG:
        ends = np.stack([tdc - step[:-1] + off, tdc + off, tdc + step[1:] + off])
        away = np.abs((ends[..., None] - nominal[inner] + 180.0) % 360.0 - 180.0)
        late = t.tooth_error_deg[inner][np.argmin(away, axis=-1)]
        before, after = (late[1] - late[0]) / step[:-1], (late[2] - late[1]) / step[1:]
        bias = inertia * w2 * (after - before) / np.maximum(t.normal_work_j, 1.0)
        hit = fired & (bias + t.lost_work > threshold) & (t.lost_work < 0.3)
        out.append([hit[t.cylinder == c].sum() / max((fired & (t.cylinder == c)).sum(), 1)
                    for c in range(1, e.cylinders + 1)])  # fmt: skip
    return np.array(out)


def due(case: Case, done: Simulated) -> Due:
    """What the contract asks for in this log."""
    out = Due()
    t, n = done.truth, done.engine.cylinders
    everyone = range(1, n + 1)
    must, grey = set(), set()
    mean = {}
    for c in everyone:
        mine = t.cylinder == c
        missed, total = int((mine & (t.state == 1)).sum()), int((mine & (t.state != 2)).sum())
        if missed >= max(8, 0.005 * total):
            must.add(c)
        elif missed:
            grey.add(c)
        fired = mine & (t.state == 0)
        mean[c] = float(t.lost_work[fired].mean()) if fired.sum() >= 60 else np.nan
    if must:
        out.must["misfire"] = must
    out.may["misfire"] = must | grey
    level = np.nanmedian(list(mean.values())) if np.isfinite(list(mean.values())).any() else 0.0
    weak = {c for c in everyone if mean[c] - level > 0.19 and c not in must}
    if weak:
        out.must["weak_cylinder"] = weak
    out.may["weak_cylinder"] = {c for c in everyone if mean[c] - level > 0.11}
    shares = false_shares(done)
    sure = {c for c in everyone if (shares[:, c - 1] >= 0.03).all()}
    loose = false_shares(done, 0.45)
    maybe = {c for c in everyone if (loose[:, c - 1] >= 0.002).any()}
    if (shares.max(axis=1) >= 0.03).all():
        out.must["crank_pattern"] = sure
    out.may["crank_pattern"] = maybe
    if case.counts and done.counts is not None:
        false = {c for c in everyone if done.counts[c] >= 12 and t.misfires[c] < 0.08 * done.counts[c]}
        some = {c for c in everyone if done.counts[c] >= 5 and t.misfires[c] < 0.2 * done.counts[c]}
        if false:
            out.must["crank_pattern"] = out.must.get("crank_pattern", set()) | false
        out.may["crank_pattern"] |= some
    touched = sum(t.faults.values())
    turns = (t.tdc_s.size * 2) / n
    if touched >= 20 and touched > 0.02 * turns:
        out.must["sensor_signal"] = set()
    if touched or "drift" in case.cause:
        out.may["sensor_signal"] = set()
    if "drift" in case.cause:
        # a drift shows where learned turns lie far apart: one speed or one short coast-down may not show it
        grown = case.scenario.teeth.drift_deg_per_min * (t.tdc_s[-1] - t.tdc_s[0]) / 60.0
        if grown > 0.2 and case.programme in ("coast", "revving", "steps"):
            out.must["sensor_signal"] = set()
    cut = any(p.fuel_cut for p in case.scenario.programme)
    enough = t.tdc_s.size * 2 / n >= 300 and not t.stopped
    out.decidable = enough and (cut or np.percentile(t.rpm, 95) / max(np.percentile(t.rpm, 5), 1.0) > 1.5)
    return out


def _mates(done: Simulated, cylinders: set[int]) -> set[int]:
    return cylinders | {m for c in cylinders if (m := done.engine.companions.get(c)) is not None}


def judge_verdict(case: Case, done: Simulated, result: dict[str, Any]) -> dict[str, Any]:
    """Right and wrong firm findings, what is missed, and the classes that the confusion table counts."""
    want = due(case, done)
    verdict = result["verdict"]
    unknown = result["phase"] == "unknown" and bool(done.engine.companions)
    wrong, right = [], []
    by_cause: dict[str, set[int]] = {}
    for f in verdict["findings"]:
        by_cause.setdefault(f["cause"], set()).update(f["cylinders"])
    for cause, cyl in by_cause.items():
        ok = cause in want.may or cause in want.must
        may = want.may.get(cause, set()) | want.must.get(cause, set())
        need = want.must.get(cause, set())
        if unknown:
            may, need = _mates(done, may), _mates(done, need)
        if cause == "sensor_signal":
            good = ok
        elif cause == "crank_pattern":
            good = ok and bool(cyl) and cyl <= may
        else:
            good = ok and bool(cyl) and cyl <= may and need <= cyl
        (right if good else wrong).append((cause, sorted(cyl, key=str), sorted(may)))
    graded = []
    for f in verdict["findings"] + verdict["candidates"]:
        cyl = set(f["cylinders"])
        allowed = want.may.get(f["cause"], set()) | want.must.get(f["cause"], set())
        allowed = _mates(done, allowed) if unknown else allowed
        named = f["cause"] == "sensor_signal" or (bool(cyl) and cyl <= allowed)
        due_at_all = f["cause"] in want.may or f["cause"] in want.must
        where = f["detail"].get("where", "") if "detail" in f else ""
        graded.append((f["cause"], f["confidence"], due_at_all and named, where))
    missed = {}
    for cause, need in want.must.items():
        found = by_cause.get(cause)
        if found is None:
            missed[cause] = sorted(need)
    status = verdict["status"]
    return {
        "must": {k: sorted(v) for k, v in want.must.items()},
        "graded": graded,
        "right": right,
        "wrong": wrong,
        "missed": missed,
        "status": status,
        "decidable": want.decidable,
        "candidates": [(c["cause"], c["cylinders"], c["confidence"]) for c in verdict["candidates"]],
        "findings": [(f["cause"], f["cylinders"], f["confidence"]) for f in verdict["findings"]],
        "false_undetermined": status == "undetermined" and want.decidable and not want.must,
    }


def judge_events(done: Simulated, analysis: Analysis) -> dict[str, float]:
    """Event against event, matched by the time of TDC."""
    t = done.truth
    rows = analysis.events
    time = rows["time_s"].to_numpy(float)
    i = np.clip(np.searchsorted(t.tdc_s, time), 1, len(t.tdc_s) - 1)
    i = i - (time - t.tdc_s[i - 1] < t.tdc_s[i] - time)
    gap = np.abs(t.tdc_s[i] - time) * t.rpm[i] * 6.0
    near = gap < 20.0
    state = rows["state"].to_numpy(str)
    lost = rows["lost_work"].to_numpy(float)
    true, depth = t.state[i], t.lost_work[i]
    name = rows["cylinder"].to_numpy(object)
    numbered = np.array([isinstance(x, (int, np.integer)) for x in name])
    misnamed = near & numbered & np.array([a != b for a, b in zip(name, t.cylinder[i], strict=True)])
    mate = np.array([done.engine.companions.get(int(c), -1) for c in t.cylinder[i]])
    if analysis.result["phase"] == "unknown":
        misnamed &= np.array([a != b for a, b in zip(name, mate, strict=True)])
    counted = (state == "misfire") | (state == "firing")
    full = near & (true == 1) & (depth > 0.9) & counted & np.isfinite(lost)
    part = near & (true == 0) & (np.abs(depth - 0.5) < 0.1) & counted & np.isfinite(lost)
    return {
        "events": float(near.sum()),
        "unmatched": float((~near).sum()),
        "misnamed": float(misnamed.sum()),
        "fired": float((near & (true == 0)).sum()),
        "false": float((near & (true == 0) & (depth < 0.6) & (state == "misfire")).sum()),
        "false_motoring": float((near & (true == 2) & (state == "misfire")).sum()),
        "true": float((near & (true == 1)).sum()),
        "missed": float((near & (true == 1) & (state == "firing")).sum()),
        "unusable": float((near & (true != 2) & (state == "unusable")).sum()),
        "true_unusable": float((near & (true == 1) & (state == "unusable")).sum()),
        "true_motoring": float((near & (true == 1) & (state == "motoring")).sum()),
        "fired_motoring": float((near & (true == 0) & (state == "motoring")).sum()),
        "full_n": float(full.sum()),
        "full_bias": float((lost - depth)[full].mean()) if full.any() else np.nan,
        "part_n": float(part.sum()),
        "part_bias": float((lost - depth)[part].mean()) if part.any() else np.nan,
    }
