"""Counts over blocks of turns: clustering, the windows of the regulation, the controller's own averages.

`level` is the confidence, 0..1; arrays of counts have shape (cycles,) where nothing else is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from misfire.counts.rates import FloatArray, check_counts


def dispersion(misfires: npt.ArrayLike, firings: npt.ArrayLike) -> tuple[float, float]:
    """Dispersion index and its one-sided p-value over blocks; both arguments have shape (blocks,).

    Pearson's chi-square against one common binomial rate, divided by its degrees of freedom: 1 when misfires
    come independently, above 1 when they cluster. (NaN, 1) when it cannot be told.
    """
    from scipy.special import chdtrc

    k, n = check_counts(misfires, firings)
    use = n > 0
    k, n = k[use], n[use]
    if k.size < 2 or k.sum() == 0 or k.sum() == n.sum():
        return math.nan, 1.0
    rate = k.sum() / n.sum()
    chi2 = float(np.sum((k - n * rate) ** 2 / (n * rate * (1.0 - rate))))
    return chi2 / (k.size - 1), float(chdtrc(k.size - 1, chi2))


def bootstrap_rate_pct(
    misfires: npt.ArrayLike, firings: npt.ArrayLike, *, level: float = 0.95, draws: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """Block bootstrap interval [%] of a rate from counts in consecutive blocks; shape (blocks,) each.

    For clustered misfires, where the exact interval is too narrow. Blocks must be longer than the clusters.
    """
    k, n = check_counts(misfires, firings)
    rng = np.random.default_rng(seed)
    weight = rng.multinomial(k.size, np.full(k.size, 1.0 / k.size), size=draws).astype(float)
    rates = (weight @ k) / np.maximum(weight @ n, 1.0)
    tail = (1.0 - level) / 2.0
    lo, hi = np.quantile(rates, [tail, 1.0 - tail])
    return 100.0 * float(lo), 100.0 * float(hi)


# Windows and floors: California 13 CCR 1968.2 (e)(3), restated; the floors from memory. Real limits depend on
# speed and load, so only the floors can be compared with.
FLOOR_PCT = {200: 5.0, 1000: 1.0}


def windows(
    turn_of_event: npt.ArrayLike,
    cylinder_index: npt.ArrayLike,
    misfire_flags: npt.ArrayLike,
    turns_per_window: int,
    cylinders: int,
    usable: npt.ArrayLike | None = None,
) -> list[dict[str, Any]]:
    """Misfires in consecutive windows of `turns_per_window` turns.

    Parameters
    ----------
    turn_of_event : int array, shape (events,)
        Turn number of each firing event, from 0.
    cylinder_index : int array, shape (events,)
        0-based cylinder of each event.
    misfire_flags, usable : bool array, shape (events,)
        Whether the event misfired, and whether it could be judged (default: all).

    Returns
    -------
    list of dict
        first_turn, turns, complete, firings (nominal: turns * cylinders / 2), judged, misfires, rate_pct,
        cylinder_misfires and cylinder_rate_pct by index, floor_pct and `exceeds`: strictly more misfires
        than the floor allows in a whole window (an incomplete one can exceed it too).
        floor_pct and exceeds are None for other window lengths than 200 and 1000.
    """
    turn = np.asarray(turn_of_event, dtype=np.int64)
    cyl = np.asarray(cylinder_index, dtype=np.int64)
    flag = np.asarray(misfire_flags, dtype=bool)
    if turn.size == 0:
        return []
    good = np.ones(turn.size, dtype=bool) if usable is None else np.asarray(usable, dtype=bool)
    count = int(turn.max()) // turns_per_window + 1
    cell = turn // turns_per_window * cylinders + cyl
    hit = np.bincount(cell[flag & good], minlength=count * cylinders).reshape(count, cylinders)
    seen = np.bincount(cell[good], minlength=count * cylinders).reshape(count, cylinders)
    floor = FLOOR_PCT.get(turns_per_window)
    whole_events = turns_per_window * cylinders / 2
    out: list[dict[str, Any]] = []
    for w in range(count):
        turns = min(turns_per_window, int(turn.max()) + 1 - w * turns_per_window)
        total = int(hit[w].sum())
        events = turns * cylinders / 2
        out.append(
            {
                "first_turn": w * turns_per_window,
                "turns": turns,
                "complete": turns == turns_per_window,
                "firings": int(events),
                "judged": int(seen[w].sum()),
                "misfires": total,
                "rate_pct": 100.0 * total / events,
                "cylinder_misfires": [int(v) for v in hit[w]],
                "cylinder_rate_pct": [200.0 * float(v) / turns for v in hit[w]],
                "floor_pct": floor,
                "exceeds": None if floor is None else bool(100.0 * total > floor * whole_events),
            }
        )
    return out


def ewma(counts: npt.ArrayLike) -> FloatArray:
    """SAE J1979 test id $0B: average = 0.1 * current + 0.9 * previous, from 0, after each driving cycle."""
    out, state = [], 0.0
    for value in np.asarray(counts, dtype=float).ravel():
        state = 0.1 * float(value) + 0.9 * state
        out.append(state)
    return np.array(out)


def code_rule(misfires: Sequence[int]) -> Literal["none", "single", "multiple"]:
    """Which kind of code the counts ask for (13 CCR 1968.2 (e)(3.1.3), text approved 2007).

    More than 90 % of the misfires in one cylinder: a single-cylinder code is allowed; everything else,
    also the band between, is the multiple-cylinder code by the base rule.
    """
    total = sum(misfires)
    if total == 0:
        return "none"
    return "single" if 10 * max(misfires) > 9 * total else "multiple"
