"""Synthetic analysed logs: event tables with known truth, in the contract's columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest

from misfire.comparison import Side
from misfire.engine import Engine

Rate = float | Callable[[np.ndarray, np.ndarray], np.ndarray]


def make_log(
    seed: int,
    *,
    turns: int = 4000,
    order: tuple[int, ...] = (1, 3, 4, 2),
    misfire: Mapping[int, Rate] | None = None,
    accused: Mapping[int, float] | None = None,
    reported: Mapping[int, int] | None = None,
    monitor_ran: bool | None = True,
    tooth_error: np.ndarray | None = None,
    stable: bool | None = True,
    findings: list[dict[str, Any]] | None = None,
    rpm: tuple[float, float] = (1000.0, 3000.0),
    load: tuple[float, float] | None = (10.0, 70.0),
    phase: str = "measured",
    burst_turns: int = 0,
    wheel: str = "60-2",
) -> Side:
    """One log. `misfire` is a rate by cylinder or a function of (rpm, load); `accused` the rate at which an
    uncorrected monitor counts firings that burned; `burst_turns` gathers them in bursts of that length."""
    from misfire.engine import Wheel

    rng = np.random.default_rng(seed)
    n = len(order)
    events = turns * n // 2
    event = np.arange(events)
    turn = event * 2 // n
    cylinder = np.array(order)[event % n]
    # Speed and load wander over the whole range several times in the log, as in a drive.
    slow = np.linspace(0, 2 * np.pi * 7, events)
    speed = rpm[0] + (rpm[1] - rpm[0]) * 0.5 * (1 + np.sin(slow + rng.uniform(0, 6)))
    charge = np.full(events, np.nan)
    if load is not None:
        charge = load[0] + (load[1] - load[0]) * 0.5 * (1 + np.sin(1.7 * slow + rng.uniform(0, 6)))
    missed = np.zeros(events, dtype=bool)
    on = np.ones(events)
    if burst_turns:
        bursts = rng.uniform(size=turns // burst_turns + 1) < 0.15
        on = np.where(bursts[turn // burst_turns], 1 / 0.15, 0.0)
    for c, rate in (misfire or {}).items():
        chance = rate(speed, charge) if callable(rate) else np.full(events, rate)
        missed |= (cylinder == c) & (rng.uniform(size=events) < chance * on)
    uncorrected = missed.copy()
    for c, rate in (accused or {}).items():
        uncorrected |= (cylinder == c) & (rng.uniform(size=events) < rate)
    lost = np.where(missed, 1.0, 0.0) + rng.normal(0, 0.05, events)
    frame = pd.DataFrame(
        {
            "event": event,
            "turn": turn,
            "time_s": np.cumsum(120.0 / (n * speed)),
            "cylinder": cylinder,
            "rpm": speed,
            "load_pct": charge,
            "acceleration_rad_s2": np.zeros(events),
            "lost_work": lost,
            "state": np.where(missed, "misfire", "firing"),
            "uncorrected": uncorrected,
        }
    )
    rows = []
    for c in range(1, n + 1):
        mine = cylinder == c
        rows.append(
            {
                "cylinder": c,
                "firings": int(mine.sum()),
                "misfires": int((missed & mine).sum()),
                "misfires_uncorrected": int((uncorrected & mine).sum()),
                "reported": None if reported is None else reported.get(c, 0),
            }
        )
    teeth = np.zeros(60) if tooth_error is None else tooth_error
    error: list[float | None] = [float(v) for v in teeth + rng.normal(0, 0.003, 60)]
    sd: list[float | None] = [0.003] * 60
    error[58:] = sd[58:] = [None, None]
    result: dict[str, Any] = {
        "format": "misfire-analysis",
        "version": 1,
        "phase": phase,
        "cylinders": rows,
        "pattern": {
            "learned_from": "fuel_cut",
            "tooth_error_deg": error,
            "tooth_error_sd_deg": sd,
            "stable": stable,
        },
        "verdict": {"status": "found" if findings else "clear", "findings": findings or []},
    }
    if reported is not None:
        result["reported"] = {"monitor_ran": monitor_ran}
    engine = Engine.from_order(order, wheel=Wheel.from_label(wheel))
    return Side(result, frame, engine)


def finding(cause: str, *cylinders: int, **detail: Any) -> dict[str, Any]:
    return {"cause": cause, "cylinders": list(cylinders), "confidence": 0.99, "detail": detail}


@pytest.fixture
def ripple() -> np.ndarray:
    """A wheel that is off centre by 0.15 deg, and a dented tooth."""
    error = 0.15 * np.sin(2 * np.pi * np.arange(60) / 60)
    error[17] += 0.1
    return error
