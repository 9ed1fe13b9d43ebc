"""The plain segment method twice: event by event in plain Python, and as the tool computes it.

alpha = (w2^2 - w1^2) / (2 dth), w1 and w2 the mean speeds in half segments before and after TDC; times at angles
between teeth by straight lines. It is the `acceleration_rad_s2` of the event rows.
"""

from __future__ import annotations

import math

import numpy as np

from misfire.crank import Crank
from misfire.engine import Engine, FloatArray
from misfire.grid import Grid, time_at
from misfire.work import BEFORE_DEG, places


def slow(grid: Grid, crank: Crank, engine: Engine, first_deg: float, second_turn: list[bool]) -> list[float]:
    """One acceleration [rad/s^2] per event in plain Python, turn by turn, NaN at the ends of the log."""
    angle = grid.angle_deg.tolist()
    time = grid.time_s.tolist()
    n = len(angle)
    half = min(engine.interval_deg, BEFORE_DEG)
    width = math.radians(half)
    nan = float("nan")

    def when(turn: int, at_deg: float) -> float:
        while at_deg < 0.0:
            turn, at_deg = turn - 1, at_deg + 360.0
        while at_deg >= 360.0:
            turn, at_deg = turn + 1, at_deg - 360.0
        j = -1
        for a in angle:
            if a > at_deg:
                break
            j += 1
        left = angle[j] if j >= 0 else angle[-1] - 360.0
        right = angle[j + 1] if j + 1 < n else angle[0] + 360.0
        k = turn * n + j
        if k < 0 or k + 1 >= len(time):
            return nan
        share = (at_deg - left) / (right - left)
        return time[k] * (1 - share) + time[k + 1] * share

    out = []
    at = places(engine, first_deg)
    for turn in range(crank.turns):
        for place in at:
            if second_turn[turn] != bool(place.turn_offset):
                continue
            t0, t1, t2 = (when(turn, place.angle_deg + d) for d in (-half, 0.0, half))
            w1, w2 = width / (t1 - t0), width / (t2 - t1)
            out.append((w2 * w2 - w1 * w1) / (2 * width))
    return out


def fast(grid: Grid, crank: Crank, engine: Engine, first_deg: float, second_turn: np.ndarray) -> FloatArray:
    """The same for all events of a place at once."""
    n = grid.per_turn
    half = min(engine.interval_deg, BEFORE_DEG)
    width = np.radians(half)
    turns, values, index = [], [], []
    for p in places(engine, first_deg):
        turn = np.flatnonzero(second_turn == bool(p.turn_offset))
        t = [time_at(grid, turn * n, p.angle_deg + d) for d in (-half, 0.0, half)]
        values.append(((width / (t[2] - t[1])) ** 2 - (width / (t[1] - t[0])) ** 2) / 2 / width)
        turns.append(turn)
        index.append(np.full(turn.size, p.index))
    # a few sorted runs, which a stable sort only has to merge
    order = np.argsort(np.concatenate(turns) * engine.cylinders + np.concatenate(index), kind="stable")
    return np.concatenate(values)[order]
