"""Order test: what repeats with the cycle and not with the turn, for engines without companions.

With the turns' means of both halves of the cycle, half their difference holds the half orders (0.5, 1.5, ...) and
their mean the whole ones. A single cylinder lives on both, a wheel error on whole orders only (*derived*).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from misfire.decide import FIRING, MISFIRE
from misfire.engine import TURN_DEG, FloatArray
from misfire.evidence.shifts import Sample
from misfire.evidence.shown import Shown
from misfire.onelog import OneLog
from misfire.orders import without_firing_orders
from misfire.work import firing_period_deg

LEAST = 30  # turns of each half
_BLOCKS = 8


def order_test(logs: Sequence[OneLog], samples: Sequence[Sample]) -> list[Shown]:
    """Half and whole orders of the steady wave of fired turns, root mean square [deg]; of the log with most turns."""
    log, some = max(zip(logs, samples, strict=True), key=lambda pair: pair[1].rows.size)
    if log.engine.companions or log.engine.cylinders < 2 or log.phase.status == "unknown":
        return []
    fired = np.zeros(log.crank.turns, dtype=bool)
    fired[log.events.turn[np.isin(log.decision.state, (FIRING, MISFIRE))]] = True
    inner = slice(1, -1)  # beside the gap a pickup shifts with speed
    good = fired[some.rows] & np.isfinite(some.late_deg[:, inner]).all(axis=1)
    halves = [np.flatnonzero(good & (some.second == half)) for half in (False, True)]
    if min(x.size for x in halves) < LEAST:
        return []

    # the wave that all cylinders share stands on half orders too: 1.5, 4.5, ... of a three
    base = TURN_DEG / firing_period_deg(log.engine)
    angle = np.radians(log.crank.wheel.tooth_angles_deg[inner])
    shared = [k * base for k in range(1, int(angle.size / 3 / base) + 1) if (2 * k * base) % 2 > 0.5]
    common = np.column_stack(
        [np.zeros_like(angle), *(f(k * angle) for k in shared for f in (np.cos, np.sin))]
    )

    def orders(keep: list[FloatArray]) -> tuple[float, float, float]:
        mean = np.full((2, some.late_deg.shape[1]), np.nan)
        noise = 0.0
        for i, rows in enumerate(keep):
            mean[i, inner] = rows.mean(axis=0)
            noise += float(np.mean(rows.var(axis=0))) / rows.shape[0] / 4
        whole = without_firing_orders(mean.mean(axis=0), log.crank.wheel, log.engine)[inner]
        half = (mean[0] - mean[1])[inner] / 2
        half = half - common @ (np.linalg.pinv(common) @ half)
        parts = (float(np.mean(np.square(x))) for x in (half, whole))
        half_rms, whole_rms = (float(np.sqrt(max(x - noise, 0.0))) for x in parts)
        return half_rms, whole_rms, float(np.sqrt(noise))

    rows = [some.late_deg[h][:, inner] for h in halves]
    value = orders(rows)
    left = np.array(
        [
            orders([x[np.arange(x.shape[0]) * _BLOCKS // x.shape[0] != b] for x in rows])
            for b in range(_BLOCKS)
        ]
    )
    sd = np.sqrt((_BLOCKS - 1) / _BLOCKS * np.sum((left - left.mean(axis=0)) ** 2, axis=0))
    says = (
        "repeats with the cycle and not with the turn, firing orders left out: work of single cylinders",
        "repeats with every turn, firing orders left out: wheel, or work of single cylinders beside half orders",
    )
    return [
        Shown(f"order test, {name} orders", text, v, "deg", sd=float(s))
        for name, text, v, s in zip(
            ("half", "whole"), says, value[:2], np.maximum(sd, value[2])[:2], strict=True
        )
    ]
