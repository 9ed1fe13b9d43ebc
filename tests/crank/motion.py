"""Crank motion in time, teeth that pass a pickup in both directions, and the check against that truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import Crank
from misfire.engine import Wheel

STEP_S = 4e-5
TOOTH = 0.5  # width of a tooth over its pitch


@dataclass(frozen=True)
class Passes:
    """Edges of a pickup in time order.

    `number` is turn * positions + position of the tooth that passed, `forward` False where the crank ran back.
    """

    time_s: np.ndarray
    number: np.ndarray
    forward: np.ndarray


def motion(*phases: tuple[float, object]) -> tuple[np.ndarray, np.ndarray]:
    """Time [s] and crank angle [turns] from phases (duration_s, speed [turns/s] as a function of the phase's time)."""
    speed = [
        np.asarray(f(np.arange(0.0, d, STEP_S))) * np.ones(len(np.arange(0.0, d, STEP_S))) for d, f in phases
    ]
    v = np.concatenate(speed)
    return np.arange(v.size) * STEP_S, np.concatenate(([0.0], np.cumsum((v[1:] + v[:-1]) / 2 * STEP_S)))


def running(rpm: float, ripple: float = 0.02):
    """Steady running with a firing ripple twice a turn (by time: close enough at steady speed)."""
    w = rpm / 60.0
    return lambda t: w * (1 + ripple * np.sin(2 * np.pi * 2 * w * t))


def stall(rpm: float, back_turns: float, swings: int = 3) -> list[tuple[float, object]]:
    """From `rpm` to a standstill that is reached in damped swings, the first one backward by `back_turns`.

    A crank that comes to rest against compression swings as a damped spring does; half a swing backward takes
    about 0.1 s (common practice, no source).
    """
    w = rpm / 60.0
    half = 0.1
    out: list[tuple[float, object]] = [(0.35, lambda t: w * (1 - t / 0.35) + 0.0)]
    size = -back_turns
    for _ in range(swings):
        out.append((half, lambda t, s=size: s * np.pi / (2 * half) * np.sin(np.pi * t / half)))
        size *= -0.45
    return out


def restart(rpm: float) -> list[tuple[float, object]]:
    """The starter brings the crank to 220 rpm with compression ripple, then the engine runs up to `rpm`."""
    w, s = rpm / 60.0, 220 / 60.0
    return [
        (0.15, lambda t: s * np.sin(np.pi / 2 * t / 0.15)),
        (0.8, lambda t: s * (1 - 0.25 * np.sin(2 * np.pi * 2 * s * t))),
        (0.4, lambda t: s + (w - s) * t / 0.4),
    ]


def passes(wheel: Wheel, time_s: np.ndarray, turns: np.ndarray, centre: bool = False) -> Passes:
    """One edge for every tooth that passes, either way.

    A pickup that answers to one flank fires at the tooth's front running forward and at its back running
    backward (the flank that then comes first); with `centre` at the middle of the tooth both ways.
    """
    n, flank = wheel.positions, TOOTH / wheel.positions
    first, last = int(np.floor(turns.min() * n)) - 1, int(np.ceil(turns.max() * n)) + 1
    numbers = np.arange(first, last)
    numbers = numbers[np.isin(numbers % n, wheel.tooth_positions)]
    t_out, n_out, way = [], [], []
    for up in (True, False):
        at = numbers / n + (flank / 2 if centre else 0.0 if up else flank)
        # which marks lie between two samples of the angle
        lo, hi = (turns[:-1], turns[1:]) if up else (turns[1:], turns[:-1])
        moved = np.flatnonzero(hi > lo)
        a, b = np.searchsorted(at, lo[moved], "left"), np.searchsorted(at, hi[moved], "left")
        hit = np.flatnonzero(b > a)
        for i in hit:
            k = int(moved[i])
            for m in range(int(a[i]), int(b[i])):
                share = (at[m] - turns[k]) / (turns[k + 1] - turns[k])
                t_out.append(time_s[k] + share * STEP_S)
                n_out.append(int(numbers[m]))
                way.append(up)
    order = np.argsort(t_out, kind="stable")
    return Passes(np.array(t_out)[order], np.array(n_out)[order], np.array(way)[order])


def check(crank: Crank, log: Passes) -> int:
    """Everything that a decision may use is right: tooth, turn inside its block, and made by a tooth running forward.

    Returns how many edges stand in sound turns.
    """
    wheel = crank.wheel
    true = {
        t: (n, f)
        for t, n, f in zip(log.time_s.tolist(), log.number.tolist(), log.forward.tolist(), strict=True)
    }
    assert (np.diff(crank.time_s[np.isfinite(crank.time_s)]) > 0).all(), "times run backward"
    shift: dict[int, int] = {}
    kept = 0
    for row in np.flatnonzero(~crank.faulty):
        for j in np.flatnonzero(np.isfinite(crank.time_s[row])):
            time = float(crank.time_s[row, j])
            assert time in true, f"an edge at {time:.4f} s that no tooth made stands in sound turn {row}"
            number, forward = true[time]
            turn, position = divmod(number, wheel.positions)
            assert forward, f"a tooth that ran backward at {time:.4f} s stands in sound turn {row}"
            assert position == wheel.tooth_positions[j], (
                f"tooth {position} of turn {turn} numbered {wheel.tooth_positions[j]}"
            )
            block = int(crank.block[row])
            assert turn - row == shift.setdefault(block, turn - row), f"turns slip inside block {block}"
            kept += 1
    return kept
