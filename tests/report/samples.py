"""Results and events with invented numbers, one for every kind of answer; nothing here is measured."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from misfire.evidence.maps import tally
from misfire.survey.columns import error_row, result_row

KINDS = (
    "misfire",
    "pattern",
    "stored",
    "clear",
    "undetermined",
    "sensor",
    "weak",
    "places",
    "driveline",
    "both",
)
_ORDERS = {4: [1, 3, 4, 2], 6: [1, 5, 3, 6, 2, 4], 8: [1, 8, 4, 3, 6, 5, 7, 2]}


def make_events(
    order: list[Any],
    turns: int = 2400,
    rates: dict[Any, float] | None = None,
    wheel_pct: dict[Any, float] | None = None,
    weak: dict[Any, float] | None = None,
    load: bool = True,
    deviation: bool = True,
    number: int = 7,
) -> pd.DataFrame:
    """A drive with two speed sweeps, a fuel cut at its end and a patch that is not usable."""
    rng = np.random.default_rng(number)
    n = len(order)
    m = turns * n // 2
    k = np.arange(m)
    s = k / m
    rpm = 800 + 2400 * np.abs(np.sin(2.3 * np.pi * s)) ** 1.5 + rng.normal(0, 6, m)
    cylinder = np.array([order[i % n] for i in range(n)], dtype=object)[k % n]
    time = np.cumsum(120.0 / n / rpm)
    lost = rng.normal(0, 0.07, m)
    state = np.full(m, "firing", dtype=object)
    for c, rate in (rates or {}).items():
        hit = (cylinder == c) & (rng.random(m) < rate)
        lost[hit] = rng.normal(1.0, 0.07, int(hit.sum()))
        state[hit] = "misfire"
    for c, level in (weak or {}).items():
        lost[cylinder == c] += level
    state[(s > 0.47) & (s < 0.49)] = "unusable"
    lost[(s > 0.47) & (s < 0.49)] = np.nan
    state[s > 0.96] = "motoring"
    lost[s > 0.96] = np.nan
    part = np.array([(wheel_pct or {}).get(c, 0.0) for c in cylinder])
    work = np.where(np.isfinite(lost), lost, 0.0)
    table = {
        "event": k,
        "turn": k * 2 // n,
        "time_s": time,
        "cylinder": cylinder,
        "rpm": rpm,
        "load_pct": 20 + 45 * np.abs(np.sin(9 * np.pi * s)) if load else np.full(m, np.nan),
        "acceleration_rad_s2": -60 * work,
        "lost_work": lost,
        "state": state,
        "uncorrected": (state == "misfire") | ((part > 0.3) & (rpm > 2600)),
    }
    if deviation:
        raw = part + 1.3 * work * (1000 / rpm) ** 2 + rng.normal(0, 0.03, m)
        table["segment_deviation_pct"] = raw - np.repeat(raw[: m // n * n].reshape(-1, n).mean(1), n)
    return pd.DataFrame(table)


def _counts(events: pd.DataFrame, order: list[Any], reported: dict[Any, int] | None) -> list[dict[str, Any]]:
    out = []
    for c in sorted(order):
        own = events[events["cylinder"] == c]
        used = own[own["state"].isin(["firing", "misfire"])]
        n, k = len(used), int((own["state"] == "misfire").sum())
        rate = 100 * k / n
        half = 100 * 1.96 * float(np.sqrt(max(k, 1))) / n  # invented: shape only
        out.append(
            {
                "cylinder": c,
                "firings": n,
                "misfires": k,
                "partial": int(((used["state"] == "firing") & (used["lost_work"] > 0.3)).sum()),
                "rate_pct": rate,
                "rate_ci95_pct": [max(0.0, rate - half), rate + half],
                "misfires_uncorrected": int(own["uncorrected"].sum()),
                "reported": None if reported is None else reported.get(c, 0),
                "mean_lost_work": float(used["lost_work"].mean()),
                "unusable": int((own["state"] == "unusable").sum()),
            }
        )
    return out


def _map(events: pd.DataFrame, order: list[Any]) -> dict[str, Any]:
    """The map of lost work of invented firings; without a load that of the motion, which is the speed's here."""
    used = events[events["state"].isin(["firing", "misfire"])]
    names = sorted(order)
    by_channel = bool(used["load_pct"].notna().any())
    load = used["load_pct"] if by_channel else 100 * used["rpm"] / used["rpm"].max()
    return tally(
        names,
        used["cylinder"].map({c: k for k, c in enumerate(names)}).to_numpy(dtype=np.int64),
        used["rpm"].to_numpy(dtype=float),
        load.to_numpy(dtype=float),
        used["lost_work"].to_numpy(dtype=float),
        (used["state"] == "misfire").to_numpy(dtype=bool),
        load_from="load_pct" if by_channel else "motion",
    ).to_dict()


def _pattern(size_deg: float, number: int = 3) -> dict[str, Any]:
    rng = np.random.default_rng(number)
    a = np.arange(60) * 6.0
    error = size_deg * np.sin(np.radians(a - 40)) + rng.normal(0, 0.004, 60)
    return {
        "tooth_error_deg": [None if k >= 58 else float(error[k]) for k in range(60)],
        "tooth_error_sd_deg": [None if k >= 58 else 0.004 for k in range(60)],
    }


def sample(kind: str, cylinders: int = 4) -> tuple[dict[str, Any], pd.DataFrame]:
    """Result and events for one of KINDS."""
    order: list[Any] = list(_ORDERS[cylinders])
    if kind == "places":
        order = ["A", "B", "C", "D"]
    wheel = {order[0]: 0.5, order[len(order) // 2]: 0.5} if kind in ("pattern", "both") else {}
    for c in order:
        wheel.setdefault(c, -0.5 if kind == "pattern" and cylinders == 4 else 0.0)
    events = make_events(
        order,
        rates={"misfire": {3: 0.12}, "both": {1: 0.12}, "places": {"B": 0.05}}.get(kind, {}),
        wheel_pct=wheel,
        weak={2: 0.22} if kind == "weak" else {},
        turns=160 if kind == "undetermined" else 2400,
        load=kind not in ("undetermined", "stored"),
        deviation=kind not in ("weak",),
    )
    faults = []
    if kind == "sensor":
        rng = np.random.default_rng(5)
        faults = [
            {"time_s": float(rng.uniform(5, 90)), "angle_deg": float(rng.normal(200, 6)), "kind": "extra"}
            for _ in range(60)
        ] + [
            {"time_s": float(rng.uniform(5, 90)), "angle_deg": float(rng.uniform(0, 348)), "kind": "lost"}
            for _ in range(9)
        ]
    reported = {"pattern": {1: 212, 4: 198}, "stored": {2: 140, 3: 131}}.get(kind)
    result: dict[str, Any] = {
        "format": "misfire-analysis",
        "version": 1,
        "log": {
            "edges": 139200,
            "turns": 2400.0,
            "duration_s": 97.3,
            "speed_rpm": {"min": 795.2, "median": 1890.4, "max": 3204.8},
        },
        "signal": {
            "extra_edges": 60 if kind == "sensor" else 0,
            "lost_edges": 9 if kind == "sensor" else 0,
            "resyncs": 4 if kind == "sensor" else 0,
            "turns_set_aside": 31 if kind == "sensor" else 0,
            "notes": ["The first tooth after the gap moves with speed; it is not used as a boundary."],
            "faults": faults,
        },
        "phase": "unknown" if kind == "places" else "assumed" if kind == "undetermined" else "measured",
        "pattern": {
            "learned_from": "none" if kind == "undetermined" else "fuel_cut",
            **({} if kind == "undetermined" else _pattern(0.45 if kind == "pattern" else 0.015)),
            "segment_error_pct": {} if kind == "undetermined" else {str(c): v for c, v in wheel.items()},
            "segment_error_sd_pct": {} if kind == "undetermined" else {str(c): 0.012 for c in wheel},
            "stable": None if kind == "undetermined" else True,
        },
        "cylinders": _counts(events, order, reported),
        "lost_work_map": _map(events, order),
        "windows": {"turns200": [0.4, 3.2, 2.9], "turns1000": [1.1, 2.6]},
        "verdict": _verdict(kind, order),
        "assumptions": ["Wheel 60-2 found in the log.", "Even firing."],
        "inputs": [
            {"file": "drive-17.csv", "sha256": "ab12" * 16, "bytes": 2381004, "use": "log"},
            {
                "file": "a-rather-long-name-of-an-engine.toml",
                "sha256": "cd34" * 16,
                "bytes": 402,
                "use": "engine",
            },
        ],
        "command": "misfire analyse drive-17.csv --engine a-rather-long-name-of-an-engine.toml --codes P0300,P0302",
        "version_of_tool": "0.1.0",
        "engine": {
            "name": f"inline{cylinders}",
            "cylinders": cylinders,
            "firing_order": order,
            "firing_tdc_deg": [order.index(c) * 720 / len(order) for c in sorted(order)],
            "wheel": {"label": "60-2", "positions": 60, "missing": [58, 59]},
        },
    }
    return result, events


def _verdict(kind: str, order: list[Any]) -> dict[str, Any]:
    def finding(cause: str, who: list[Any], sure: float, steps: list[str], **detail: Any) -> dict[str, Any]:
        return {
            "cause": cause,
            "cylinders": who,
            "confidence": sure,
            "detail": detail,
            "evidence": ["The deviation falls with the square of speed.", "It vanishes in the fuel cut."],
            "next_steps": steps,
        }

    pair = [order[0], order[len(order) // 2]]
    found = {
        "misfire": finding(
            "misfire",
            [3],
            0.9994,
            ["Swap the coil of cylinder 3 with that of cylinder 2 and record again.", "Then the injector."],
            kind="one",
            steady=False,
        ),
        "places": finding("misfire", ["B", "D"], 0.98, ["Record a mark of cylinder 1."], kind="one"),
        "pattern": finding(
            "crank_pattern",
            pair,
            0.997,
            [
                "Do the pattern learn of the vehicle's service manual, then record again.",
                "Look at wheel and sensor gap.",
            ],
            where="wheel",
        ),
        "stored": finding(
            "crank_pattern", [2, 3], 0.991, ["Do the pattern learn, then record again."], where="stored"
        ),
        "sensor": finding("sensor_signal", [], 0.96, ["Check the sensor's connector and the shield."]),
        "weak": finding("weak_cylinder", [2], 0.97, ["Measure the compression of cylinder 2."]),
        "driveline": finding("driveline", [], 0.97, ["Drive the same speed in another gear."], hz=6.0),
        "both": finding("misfire", [1], 0.98, ["Swap the coil of cylinder 1."], kind="one", dead_from_s=41.3),
    }.get(kind)
    more = []
    if kind == "both":
        more = [
            finding("crank_pattern", pair, 0.98, ["Look at the wheel."], where="wheel", counted_falsely=True)
        ]
    headline = {
        "misfire": "Cylinder 3 truly misfires: 12 of 100 firings, at every speed.",
        "places": "One of two companions, B or D, truly misfires; which one the log does not tell.",
        "pattern": "No cylinder misfires. The wheel as sensed makes the counts of the controller false.",
        "stored": "No cylinder misfires; the pattern stored in the controller does not fit.",
        "clear": "Every cylinder fires, and this log could have shown a misfire of 1 in 100.",
        "undetermined": "80 turns at one speed do not separate a wheel error from a pair that misfires.",
        "sensor": "The crank signal carries edges that no tooth made.",
        "weak": "Cylinder 2 works less than the others, but it fires every time.",
        "driveline": "The driveline swings by itself at 6.0 Hz, every cylinder fires.",
        "both": "True misfire in cylinder 1, dead from 41.3 s on; false detection: the wheel is off too.",
    }[kind]
    return {
        "status": "found" if found else kind,
        "headline": headline,
        "findings": [found, *more] if found else [],
        "candidates": [{"cause": "crank_pattern", "cylinders": pair, "confidence": 0.62}]
        if kind == "undetermined"
        else [],
        "missing": [
            "A coast-down in fuel cut from 3000 to 1500 rpm.",
            "At least 200 turns at a second speed.",
        ]
        if kind == "undetermined"
        else [],
        "evidence": [
            {
                "name": "Speed exponent of the deviation",
                "value": -1.93,
                "sd": 0.08,
                "limit": -1.0,
                "unit": "",
                "says": "falls with speed: work is missing, not a tooth",
            },
            {
                "name": "Wheel error of the worst segment",
                "value": 0.0312,
                "sd": 0.012,
                "limit": 0.28,
                "unit": "%",
                "says": "within what a monitor tolerates",
            },
        ],
    }


def comparison(answer: str = "cleared") -> tuple[dict[str, Any], Any, Any, Any, Any]:
    """Comparison, both results, both event tables."""
    before, before_events = sample("pattern")
    after, after_events = sample("misfire" if answer == "misfire_remains" else "clear")
    rows = []
    for b, a in zip(before["cylinders"], after["cylinders"], strict=True):
        rows.append(
            {
                "cylinder": b["cylinder"],
                "before": {k: b[k] for k in ("firings", "misfires", "misfires_uncorrected", "reported")},
                "after": {k: a[k] for k in ("firings", "misfires", "misfires_uncorrected", "reported")},
                "ratio": 0.0137,
                "ratio_ci95": [0.0, 0.0921],
                "p_value": 0.00042,
                "answer": answer,
            }
        )
    return (
        {
            "format": "misfire-comparison",
            "version": 1,
            "cylinders": rows,
            "pattern": {"changed": False, "stable_before": True, "stable_after": True},
            "verdict": {
                "answer": answer,
                "headline": "The counts are gone and stay gone at like speed and load.",
                "reasons": ["The upper bound of the rate after is below a tenth of the rate before."],
                "needed_firings": 11980 if answer == "not_proven" else None,
                "needed_firings_per_cylinder": 2995 if answer == "not_proven" else None,
                "needed_minutes": 5.2 if answer == "not_proven" else None,
                "needed_at": {"speed_rpm": 2350.0, "load_pct": 46.0} if answer == "not_proven" else None,
                "missing": ["Record 12 minutes more at 2000 to 2500 rpm."] if answer == "not_proven" else [],
            },
        },
        before,
        after,
        before_events,
        after_events,
    )


def survey_rows(count: int = 40) -> list[dict[str, Any]]:
    """Rows of a survey: every status, several causes, names of all kinds."""
    rows = []
    kinds = ("misfire", "clear", "pattern", "undetermined", "clear", "sensor", "weak", "clear")
    made = {k: sample(k)[0] for k in set(kinds)}
    for k in range(count):
        name = f"fleet/vehicle {k % 7:02d}/drive-{k:04d}.csv"
        if k == 3:
            name = "</script><script>window.hit=1</script><img src=x onerror='window.hit=1'>.csv"
        if k == 9:
            name = "fleet/" + "W" * 150 + ".csv"
        if k % 11 == 5:
            rows.append(
                error_row(name, "0.1.0", f"{name}: line 812: time does not grow; export it again", "input")
            )
            continue
        result = made[kinds[k % len(kinds)]]
        rows.append(result_row(name, result | {"version_of_tool": "0.1.0"}))
        if rows[-1]["unusable_pct"] is not None:
            rows[-1]["unusable_pct"] += 3.0 * (k % 5)
    return rows


JOB = {
    "number": "R-2071",
    "odometer": "88,412 km",
    "codes": ["P0300", "P0301", "P0304"],
    "freeze_frame": {"speed_rpm": 2350, "load_pct": 46},
    "work_done": "Pattern learn",
    "parts": [],
    "customer_note": "Lamp on since spring.",
}
