"""Work that a cylinder lacks in every firing: weak, dead, the wheel, or a neighbour's doing."""

from __future__ import annotations

from typing import Any

import numpy as np

from misfire.decide import crank_length
from misfire.decide.wheel import SHARED_FROM
from misfire.evidence import Motored
from misfire.verdict.evidence import CylinderEvidence, Evidence
from misfire.verdict.finding import finding, listed, misfire_steps, name_of, pair_of
from misfire.verdict.odds import UNTHOUGHT, Account, normal, said, smeared, weigh

WEAK_FROM = 0.15  # mean lost work of a weak cylinder (contract)
WEAK_TO = 0.65  # beyond, it would misfire as well
DEAD_TO = 1.3  # most that a dead cylinder reads where the scale is off
SPREAD = 0.03  # of the work of healthy cylinders (common practice, no source)
LEFT_OVER = {"fuel_cut": 0.02, "given": 0.02, "speed_sweep": 0.02, "none": 0.03}  # of the wheel, in lost work
WHEEL_TOO = (
    0.15  # of the wheel's prior where it can imitate a weak cylinder: mostly the pattern is learned well
)
BESIDE_DEAD = 0.06  # mean lost work that a dead cylinder leaves on a neighbour
SCALE = 0.2  # relative error of the normal work where no misfire tells how much a full one lacks
DUE_FROM, DUE_SD = 0.6, 0.15  # lost work that a monitor counts, and how far such limits differ
SHARED_TO = (
    100.0  # a wheel's error reads as a loss of any size from `SHARED_FROM` to this, its logarithm even
)
COIL, COIL_SD = (0.75, 1.8), 0.15  # what companions lack that both lost their spark, where the scale is known
NO_SCALE = (
    0.5  # share of such logs in which the unknown wheel leaves no scale, and the loss may read as anything
)
NAMED = 0.7  # how often the wheel, if it is one, would be counted on these very cylinders

WEAK_STEP = "Compression and leak-down test, injector flow and intake leaks of this cylinder; follow the service manual."
LEAK_STEP = (
    "Compression and leak-down test of this cylinder first: it is weak without fuel as well, so plug, coil and injector are "
    "not the likeliest."
)

RIVALS = {
    "healthy": "the spread of healthy cylinders",
    "weak": "a weak cylinder",
    "dead": "a dead one",
    "wheel": "the wheel",
    "echo": "a dead neighbour's doing",
    "coil": "a shared coil",
}


def weak_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cylinders that give less work in every firing, without missing any."""
    if len(ev.engine.firing_order) < 3:
        return []
    out = []
    misses = [f for f in found if f["cause"] == "misfire"]
    dead = {c for f in misses if f["detail"].get("steady") for c in f["cylinders"]}
    hit = {c for f in misses for c in f["cylinders"]}
    # single misfires elsewhere say how much a full one lacks
    told = any(not f["detail"].get("steady") for f in misses)
    for c in ev.cylinders:
        lacks, low = c.steady.lost, c.steady.lost - 1.96 * c.steady.sd
        if c.steady.firings < 60 or c.cylinder in dead or c.cylinder in ev.ambiguous:
            continue
        if not (lacks >= WEAK_FROM and low > 0) or c.misfires > 0.5 * c.firings:
            continue
        if c.cylinder in hit and lacks < 0.25:
            continue
        wheel = _may_be_wheel(ev, c)
        p = weigh(_accounts(ev, c, wheel, bool(dead), told))
        line = said(p, "weak", RIVALS)
        if p.get("dead", 0.0) > 0.05:
            # the scale of the work is known to a few tenths only: a dead cylinder may read so little
            text = f"{name_of(c.cylinder)} lacks {100 * lacks:.0f} % of the work in every firing: dead or very weak"
            out.append(
                finding("misfire", pair_of(ev, c.cylinder), p["dead"],
                        {"kind": "one", "steady": True, "where": "dead_or_weak"}, [text], misfire_steps("one"))
            )  # fmt: skip
        detail: dict[str, Any] = {"mean_lost_work": round(lacks, 3)}
        steps = [WEAK_STEP]
        if leak := _leak(ev, c):
            detail["leak"] = round(leak.less, 3)
            steps.insert(0, LEAK_STEP)
            line += f"; {leak.how} it gives back {100 * leak.less:.1f} % of a combustion less than {leak.mate}: it leaks"
        if wheel:
            detail["where"] = "weak_or_wheel"
        text = f"{name_of(c.cylinder)} gives on average {100 * lacks:.0f} % less combustion work than the others, without misfiring"
        out.append(
            finding(
                "weak_cylinder",
                pair_of(ev, c.cylinder),
                p["weak"] * (1 - UNTHOUGHT),
                detail,
                [text, line],
                steps,
            )
        )
    return out


def _leak(ev: Evidence, c: CylinderEvidence) -> Motored | None:
    """The line that says that this cylinder loses compression as well: fuel on or off, it gives too little."""
    mine = {name_of(x) for x in pair_of(ev, c.cylinder)}
    return next((m for m in ev.lines.motored if m.leaks and m.name in mine), None)


def _accounts(ev: Evidence, c: CylinderEvidence, wheel: bool, beside_dead: bool, told: bool) -> list[Account]:
    lacks = c.steady.lost
    error = float(np.hypot(c.steady.sd, LEFT_OVER[ev.pattern_from]))
    dead_from = crank_length(len(ev.engine.firing_order)).dead_from
    may_be_dead = not told and lacks > dead_from
    if may_be_dead:
        error = float(np.hypot(error, SCALE * lacks))
    out = [
        Account("weak", smeared(lacks, 0.1, WEAK_TO, error)),
        Account("healthy", normal(lacks, 0.0, float(np.hypot(error, SPREAD)))),
    ]
    open_wheel = ev.pattern_from == "none" and (ev.phase == "unknown" or not ev.engine.companions)
    if wheel or open_wheel or ev.ambiguous:
        out.append(Account("wheel", smeared(lacks, 0.0, DUE_FROM, error), WHEEL_TOO))
    if beside_dead:
        # beside a dead cylinder the engine's answer to it falls on a neighbour
        out.append(Account("echo", -lacks / BESIDE_DEAD - float(np.log(BESIDE_DEAD))))
    if may_be_dead:
        out.append(Account("dead", smeared(lacks, dead_from, DEAD_TO, error)))
    return out


def _may_be_wheel(ev: Evidence, c: CylinderEvidence) -> bool:
    """Companions that lack alike, or a place of its own on the wheel, by an amount that is not there throughout.

    A weak cylinder differs from the companion on the same teeth, or lacks its share at every speed and time.
    """
    if c.steady.least < 0.5 * c.steady.lost and not ev.engine.companions:
        return True
    alike = c.steady.mate > 0.5 * c.steady.lost
    return alike and (ev.pattern_from != "fuel_cut" or c.steady.least < 0.5 * c.steady.lost)


def ambiguous_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Deviations that the log cannot assign: work and wheel as candidates side by side."""
    from scipy.special import ndtr

    if not ev.ambiguous:
        return []
    labels = list(dict.fromkeys(x for c in ev.ambiguous for x in pair_of(ev, c)))
    who = listed(labels)
    shared = ev.ambiguous_lost
    any_size = -float(np.log(max(shared, SHARED_FROM) * np.log(SHARED_TO / SHARED_FROM)))
    lost = "coil" if ev.engine.companions else "dead"
    p = weigh(
        [
            Account(
                lost,
                float(
                    np.logaddexp(
                        np.log(1 - NO_SCALE) + smeared(shared, *COIL, COIL_SD), np.log(NO_SCALE) + any_size
                    )
                ),
            ),
            Account(
                "weak", smeared(shared, WEAK_FROM, WEAK_TO, COIL_SD), 0.1 if ev.engine.companions else 1.0
            ),
            Account("wheel", any_size),
        ]
    )
    # a wheel error below what a monitor counts is no finding
    counted = NAMED * p["wheel"] * float(ndtr((shared - DUE_FROM) / DUE_SD))
    if ev.engine.companions:
        line = f"companions {who} deviate together (lost work {shared:.2f}): a shared coil or "
        line += "the wheel look alike at one speed without a coast-down"
    else:
        line = f"{who} deviate in every firing: a dead or weak cylinder or the wheel look alike at one speed without a coast-down"
    kind = "companions" if ev.engine.companions else "one" if len(labels) == 1 else "several"
    return [
        finding("misfire", labels, p[lost], {"kind": kind, "steady": True}, [line], []),
        finding("crank_pattern", labels, counted, {"where": "undecided"}, [line], []),
    ]
