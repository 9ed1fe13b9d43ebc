"""Causes in the cylinders: misfire, weak, or not to be told from the wheel."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from misfire.decide import crank_length
from misfire.verdict.evidence import CylinderEvidence, Evidence
from misfire.verdict.finding import MOST_UNUSABLE, finding, listed, name_of, pair_of, tail

LEAST_JUDGED = 0.5  # of the firings around the misfires: below, most of the stretch is noise
# how often such candidates were right on simulated logs (DEVELOPERS.md); real garages may differ
FEW, SIZE, STEADY_PAIR, STEADY_WHEEL = 0.9, 0.3, 0.2, 0.55
FALSE_ALARM = 2e-5  # per firing, the budget that isolated events are judged against


def misfires_of(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cylinders that miss firings, beyond what noise and single events bring."""
    hit: list[CylinderEvidence] = []
    weak: list[CylinderEvidence] = []
    most = max((c.misfires for c in ev.cylinders), default=0)
    for c in ev.cylinders:
        if c.misfires == 0:
            continue
        if _too_many(c, most):
            hit.append(c)
        elif (c.misfires >= 3 and c.misfires > 0.0005 * c.firings) or (c.misfires == 2 and c.firings < 400):
            weak.append(c)
    out = []
    doubtful = [c for c in hit if _doubt(ev, c)]
    hit = [c for c in hit if c not in doubtful]
    # what the crank follows in another part of the log stands by itself
    part = {c.cylinder: _sound_part(ev, c) for c in doubtful}
    hit += [x for x in part.values() if x is not None and _too_many(x, x.misfires)]
    doubtful = [c for c in doubtful if c.cylinder not in {x.cylinder for x in hit}]
    if doubtful:
        out.append(
            finding(
                "misfire",
                [x for c in doubtful for x in pair_of(ev, c.cylinder)],
                0.4,
                {"kind": "several" if len(doubtful) > 1 else "one", "steady": False, "where": "edges"},
                [_doubt(ev, c) for c in doubtful],
                [],
            )
        )
    if hit:
        labels = [x for c in hit for x in pair_of(ev, c.cylinder)]
        n = len(ev.cylinders)
        total, fired = sum(c.misfires for c in hit), sum(c.firings for c in hit)
        steady = all(c.misfires > 0.95 * c.firings for c in hit)
        kind = "one"
        if len(hit) == n and n > 1:
            kind = "whole_engine"
        elif (
            len(hit) == 2
            and ev.engine.companions.get(hit[0].cylinder if isinstance(hit[0].cylinder, int) else -1)
            == hit[1].cylinder
        ):
            kind = "companions"
        elif len(hit) > 1:
            kind = "several"
        lines = [
            f"{name_of(c.cylinder)}: {c.misfires} of {c.firings} firings without combustion "
            f"({100 * c.misfires / max(c.firings, 1):.2f} %)"
            for c in hit
        ]
        lines.append(
            f"chance of so many by noise alone below {max(tail(min(c.misfires for c in hit), FALSE_ALARM * fired + 0.02), 1e-12):.0e}"
        )
        if ev.pattern_from != "none":
            lines.append("the learned tooth pattern was taken out before counting")
        confidence = (
            1 - min(0.5, 5 * max(tail(c.misfires, FALSE_ALARM * c.firings + 0.02) for c in hit)) - 0.005
        )
        out.append(
            finding(
                "misfire",
                labels,
                confidence,
                {"kind": kind, "steady": steady, "misfires": total, "firings": fired},
                lines,
                _misfire_steps(kind),
            )
        )
    if weak and not hit and not doubtful:
        labels = [x for c in weak for x in pair_of(ev, c.cylinder)]
        out.append(
            finding(
                "misfire",
                labels,
                FEW,
                {"kind": "several" if len(weak) > 1 else "one", "steady": False},
                ["a few firings without combustion"],
                _misfire_steps("one"),
            )
        )
    return out


def size_open_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Firings that lack much of their work, where nothing tells how much a full misfire would lack."""
    hit = {c for f in found if f["cause"] == "misfire" for c in f["cylinders"]}
    out = []
    for c in ev.cylinders:
        if c.either >= 8 and c.either > 0.01 * (c.firings + c.either) and c.cylinder not in hit:
            every = c.either > 0.5 * (c.firings + c.either)
            line = f"{name_of(c.cylinder)}: {c.either} firings misfire or burn in part; how much a full misfire lacks at "
            line += "this speed is not known well enough (torsion of the crank, the wheel)"
            detail = {"kind": "one", "steady": every, "where": "dead_or_weak" if every else "size_open"}
            out.append(
                finding("misfire", pair_of(ev, c.cylinder), SIZE, detail, [line], _misfire_steps("one"))
            )
    return out


def _too_many(c: CylinderEvidence, most: int) -> bool:
    """More misfires than a healthy engine has; `most` is the highest count of any cylinder."""
    p = tail(c.misfires, FALSE_ALARM * c.firings + 0.02)
    # few events need a rate too: an isolated misfire happens to healthy engines
    # beside a cylinder with many, a handful elsewhere is more likely its echo than a second fault
    echo = c.misfires < 0.1 * most and c.misfires < 0.01 * c.firings
    return c.misfires >= 4 and p < 1e-3 and c.misfires > 0.002 * c.firings and not echo


def _sound_part(ev: Evidence, c: CylinderEvidence) -> CylinderEvidence | None:
    """The cylinder in those parts of the log in which the crank follows its misfires."""
    follow = ev.lines.followed.get(c.cylinder)
    if follow is None or not follow.sound[0]:
        return None
    return replace(c, misfires=follow.sound[0], firings=follow.sound[1])


def _doubt(ev: Evidence, c: CylinderEvidence) -> str:
    """Why what looks like misfires of a cylinder may be its edges alone; empty when nothing speaks for that."""
    follow = ev.lines.followed.get(c.cylinder)
    if follow is not None and follow.refuted:
        return (
            f"{name_of(c.cylinder)}: the edges shift, but only {100 * max(follow.share, 0.0):.0f} % of the shift is one "
            "that a crank with inertia can make"
        )
    unjudged = c.unusable / max(c.unusable + c.firings, 1)
    if unjudged > MOST_UNUSABLE:
        return f"{name_of(c.cylinder)}: {100 * unjudged:.0f} % of its firings cannot be judged, and the rest is no sample of them"
    if c.judged_around < LEAST_JUDGED:
        return (
            f"{name_of(c.cylinder)}: only {100 * c.judged_around:.0f} % of the firings around its {c.misfires} misfires can be "
            "judged: they may be the tail of the noise"
        )
    return ""


def _misfire_steps(kind: str) -> list[str]:
    if kind == "companions":
        return [
            "Companions with one coil: check that coil, its supply and both leads first.",
            "If each cylinder has its own coil: check what the two share (injector supply, driver, head gasket between neighbours).",
            "Follow the vehicle's service manual; save freeze frame, counts and codes before clearing anything.",
        ]
    if kind in ("several", "whole_engine"):
        return [
            "Several cylinders: check what they share first (fuel pressure, air leak, ignition supply, mixture).",
            "Then plugs and coils cylinder by cylinder; follow the service manual.",
        ]
    return [
        "Check the plug and the coil; swap the coil with another cylinder, record again and use `misfire compare --swapped`.",
        "If the misfire stays: injector (swap it the same way), then compression and leak-down.",
        "Save freeze frame, counts and codes before clearing; follow the service manual.",
    ]


def weak_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cylinders that give less work in every firing, without missing any."""
    if len(ev.engine.firing_order) < 3:
        return []
    out = []
    dead = {c for f in found if f["cause"] == "misfire" and f["detail"].get("steady") for c in f["cylinders"]}
    hit = {c for f in found if f["cause"] == "misfire" for c in f["cylinders"]}
    # single misfires elsewhere say how much a full one lacks
    told = any(f["cause"] == "misfire" and not f["detail"].get("steady") for f in found)
    for c in ev.cylinders:
        lacks = c.steady.lost
        low = lacks - 1.96 * c.steady.sd
        if (
            c.steady.firings < 60
            or c.cylinder in dead
            or c.cylinder in ev.ambiguous
            or not lacks >= 0.15
            or not low > 0
        ):
            continue
        if c.misfires > 0.5 * c.firings or (c.cylinder in hit and lacks < 0.25):
            continue
        confidence = 0.97 if low > 0.10 else 0.9
        if ev.ambiguous or (ev.pattern_from == "none" and ev.phase == "unknown"):
            confidence = min(confidence, 0.8)
        if lacks < 0.25 and any(f["detail"].get("steady") for f in found):
            # beside a dead cylinder the engine's answer to it falls on a neighbour
            confidence = min(confidence, 0.8)
        detail: dict[str, Any] = {"mean_lost_work": round(lacks, 3)}
        if _may_be_wheel(ev, c):
            confidence = min(confidence, 0.8)
            detail["where"] = "weak_or_wheel"
        if not told and lacks > crank_length(len(ev.engine.firing_order)).dead_from:
            # the scale of the work is known to a few tenths only: a dead cylinder may read so little
            out.append(
                finding(
                    "misfire",
                    pair_of(ev, c.cylinder),
                    0.6,
                    {"kind": "one", "steady": True, "where": "dead_or_weak"},
                    [
                        f"{name_of(c.cylinder)} lacks {100 * lacks:.0f} % of the work in every firing: dead or very weak"
                    ],
                    _misfire_steps("one"),
                )
            )
            confidence = 0.4
        if ev.pattern_from == "none" and not ev.engine.companions:
            confidence = min(confidence, 0.8)  # without companions an unlearned wheel can imitate it
        out.append(
            finding(
                "weak_cylinder",
                pair_of(ev, c.cylinder),
                confidence,
                detail,
                [
                    f"{name_of(c.cylinder)} gives on average {100 * lacks:.0f} % less combustion work than the others, without misfiring"
                ],
                [
                    "Compression and leak-down test, injector flow and intake leaks of this cylinder; follow the service manual."
                ],
            )
        )
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
    if not ev.ambiguous:
        return []
    labels = list(dict.fromkeys(x for c in ev.ambiguous for x in pair_of(ev, c)))
    who = listed(labels)
    if ev.engine.companions:
        line = f"companions {who} deviate together (lost work {ev.ambiguous_lost:.2f}): a shared coil or "
        line += "the wheel look alike at one speed without a coast-down"
    else:
        line = f"{who} deviate in every firing: a dead or weak cylinder or the wheel look alike at one speed without a coast-down"
    kind = "companions" if ev.engine.companions else "one" if len(labels) == 1 else "several"
    return [
        finding("misfire", labels, STEADY_PAIR, {"kind": kind, "steady": True}, [line], []),
        finding("crank_pattern", labels, STEADY_WHEEL, {"where": "undecided"}, [line], []),
    ]
