"""A part was swapped between two cylinders: did the misfire go with it?

`phi` is the dispersion, variance over mean: a ratio, 1 for independent misfires.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from misfire.comparison.side import Tables
from misfire.counts import binomial_test, fisher_exact
from misfire.engine import Engine
from misfire.errors import InputError


@dataclass(frozen=True)
class Swap:
    """Answer on a swapped part: "moved", "stayed" or "not_proven", with its numbers and reasons."""

    answer: str
    p_value: float
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    needed_per_cylinder: int | None


def check_pair(pair: tuple[int, int], cylinders: int) -> None:
    """Raises InputError when the pair does not name two cylinders of the engine."""
    if len(set(pair)) != 2 or not all(1 <= c <= cylinders for c in pair):
        raise InputError(
            f"--swapped {pair[0]}-{pair[1]}: name two different cylinders from 1 to {cylinders}, "
            "for example --swapped 2-4"
        )


def judge_swap(tables: Tables, pair: tuple[int, int], engine: Engine, phi: float, alpha: float) -> Swap:
    """Compare which of the two cylinders misfires before and after.

    Both run at the same speeds and loads, so their misfires split evenly unless one has the fault: an exact
    binomial test on each side, and Fisher's exact test for the change of the split. Where a log names only
    pairs of companions, the lower number stands for both.
    """
    check_pair(pair, engine.cylinders)
    naming = tables.naming
    a, b = naming.common(pair[0]), naming.common(pair[1])
    if a not in naming.labels or b not in naming.labels:
        return Swap(
            "not_proven",
            1.0,
            ("a log names its cylinders by place only, so cylinders cannot be found in it",),
            ("record again with a cam signal, a cylinder-1 mark or a short commanded cut of one cylinder",),
            None,
        )
    if a == b:
        return Swap(
            "not_proven",
            1.0,
            (f"cylinders {pair[0]} and {pair[1]} share every tooth, and the log does not tell them apart",),
            ("record again with a cam signal, a cylinder-1 mark or a short commanded cut of one cylinder",),
            None,
        )
    at = (naming.labels.index(a), naming.labels.index(b))
    found = np.array([[t.found[i].sum() for i in at] for t in (tables.before, tables.after)])
    firings = np.array([[t.firings[i].sum() for i in at] for t in (tables.before, tables.after)])
    # Clustered misfires carry the information of fewer independent ones.
    eff = np.floor(found / max(1.0, phi)).astype(int)
    split = [_split(eff[i], firings[i]) for i in range(2)]
    _, p_change = fisher_exact([[int(v) for v in eff[0]], [int(v) for v in eff[1]]])
    numbers = tuple(
        f"{when}: cylinder {pair[0]} missed {found[i, 0]} of {firings[i, 0]} firings, "
        f"cylinder {pair[1]} {found[i, 1]} of {firings[i, 1]}"
        for i, when in enumerate(("before", "after"))
    )
    if naming.paired:
        numbers += ("with the phase unknown each number stands for that cylinder or its companion",)
    worst = [int(np.argmax(eff[i] / np.maximum(firings[i], 1))) for i in range(2)]
    p_value = max(split)
    if p_value <= alpha and worst[0] != worst[1] and p_change <= alpha:
        return Swap("moved", p_value, numbers, (), None)
    if p_value <= alpha and worst[0] == worst[1]:
        return Swap("stayed", p_value, numbers, (), None)
    missing: list[str] = []
    need = None
    if split[0] > alpha:
        missing.append(
            "the log before does not show which of the two misfires: swap back and record more, if you can"
        )
    else:
        x = worst[0]
        need = _needed(found[0, x] / firings[0, x], phi, alpha)
        if need is not None and found[1].sum() == 0 and firings[1].min() >= need:
            # a proof needs misfires, and those would have shown: more of the same drive adds nothing
            need = None
            missing.append(
                f"neither {pair[0]} nor {pair[1]} misfires after the swap: the work itself may have put a plug or a "
                "connection right; drive where the fault showed, warm and cold"
            )
        else:
            missing.append("more firings after the swap, at the same speed and load")
    return Swap("not_proven", p_value, numbers, tuple(missing), need)


def _split(events: np.ndarray, firings: np.ndarray) -> float:
    total = int(events.sum())
    if total == 0 or firings.sum() == 0:
        return 1.0
    share = float(firings[0] / firings.sum())
    return binomial_test(int(events[0]), total, share, "two-sided", "central")


def _needed(rate: float, phi: float, alpha: float, power: float = 0.95) -> int | None:
    """Firings of a cylinder at this rate until the split is proven with `power`, all misfires being in it."""
    from scipy.special import bdtrc

    events = math.ceil(math.log(2.0 / alpha) / math.log(2.0))
    if rate <= 0.0:
        return None
    n = float(events)
    while float(bdtrc(events - 1, math.ceil(n), min(rate, 0.999999))) < power:
        n = max(n * 1.02, n + 1)
    return math.ceil(n * max(1.0, phi))
