"""Misfires counted on a cylinder: true ones, isolated ones, echoes, edges that moved alone, or the tail of the noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from misfire.evidence import Stopped
from misfire.evidence.followed import QUARTERS, Followed
from misfire.verdict.evidence import CylinderEvidence, Evidence, Label
from misfire.verdict.finding import finding, misfire_steps, name_of, pair_of
from misfire.verdict.odds import (
    FIRM,
    UNTHOUGHT,
    WORTH_SAYING,
    Account,
    echoed,
    faulty,
    isolated,
    said,
    student,
    weigh,
)

FOLLOWS, FOLLOWS_SD = 0.99, 0.04  # share of the teeth's answer that a lost combustion explains (computed)
OF_ANY_SIZE = -0.4  # log-density of that share where edges moved alone: even from -0.5 to 1
# of the prior of moved edges where the crank was not asked: too few events, or a cylinder dead throughout, which only noise
# of that one cylinder's spark could imitate cycle by cycle
NOT_ASKED = 0.1
UNUSABLE_MOST = 19  # power of the unusable share under pure noise: half of the weight lies above 0.96
BESIDE = 3.0  # on the prior of a misfire beside another cylinder that misfires for sure
ALONE = 0.25  # share of burns in part on all other cylinders, against those on one
LEAST_OPEN, OPEN_FROM = 8, 0.005  # firings of open size, and their share, that are worth a candidate

DEAD = 0.95  # share of missed firings from which on a cylinder is dead, not misfiring at random (our choice)
# what the controller's limp mode does to an accused cylinder: SAE J2012 P0363 (restated); the steps: common practice
STOPS = (
    "Dead for good from {:.1f} s on: perhaps shut off by the controller (limp mode). Reset it and record from the start, "
    "with the counts."
)
DEAD_ALL_ALONG = "Dead in every firing: first see whether its injector is driven; a controller in limp mode shuts off what it accuses."

RIVALS = {
    "healthy": "single misfires of a healthy cylinder",
    "echo": "answers of the crank to another cylinder",
    "edges": "edges that moved alone",
    "noise": "the tail of the noise",
}


def why_missing(ev: Evidence) -> dict[Label, dict[str, float]]:
    """Share of each explanation of the misfires counted on each cylinder that has some."""
    most = max((c.misfires for c in ev.cylinders), default=0)
    some = [c for c in ev.cylinders if c.misfires]
    alone = {c.cylinder: weigh(_accounts(ev, c, most)) for c in some}
    # what makes one cylinder misfire for sure (fuel, air, ignition supply) often reaches the others
    sure = {k for k, p in alone.items() if p["misfire"] >= FIRM}
    return {c.cylinder: weigh(_accounts(ev, c, most, BESIDE if sure - {c.cylinder} else 1.0)) for c in some}


def _accounts(ev: Evidence, c: CylinderEvidence, most: int, factor: float = 1.0) -> list[Account]:
    count, alone = faulty(c.misfires, c.firings), isolated(c.misfires, c.firings)
    crank, edges = _crank(ev, c)
    calm, tail = _around(c)
    out = [
        Account("misfire", count + crank + calm, factor),
        Account("healthy", alone + crank + calm),
        Account("edges", count + edges + calm, 1.0 if c.cylinder in ev.lines.followed else NOT_ASKED),
        Account("noise", count + crank + tail),
    ]
    if c.misfires < most:
        out.append(Account("echo", echoed(c.misfires, most) + crank + calm))
    return out


def _crank(ev: Evidence, c: CylinderEvidence) -> tuple[float, float]:
    """Log-likelihoods of how much the crank follows, for work that was lost and for edges that moved alone."""
    follow = ev.lines.followed.get(c.cylinder)
    if follow is None:
        return 0.0, 0.0
    true = _follows(follow)
    if follow.worst is not None:
        # what moves edges may come and go; of several quarters one is the worst by chance too
        true = min(true, _follows(follow.worst) + float(np.log(QUARTERS)))
    return true, OF_ANY_SIZE


def _follows(one: Followed) -> float:
    """Log-density of that share where work was lost; its error is known from few groups of events."""
    sd = float(np.hypot(FOLLOWS_SD, one.sd))
    return student(min(one.share, FOLLOWS), FOLLOWS, sd, one.freedom)


def _around(c: CylinderEvidence) -> tuple[float, float]:
    """Log-likelihoods of how much around the misfires could be judged, for a clear log and for noise."""
    near = min(max(c.judged_around, 1e-3), 1 - 1e-3)
    unusable = c.unusable / max(c.unusable + c.firings, 1)
    noise = 3 * np.log(1 - near) + UNUSABLE_MOST * np.log(max(unusable, 1e-3)) + np.log(1 + UNUSABLE_MOST)
    return float(3 * np.log(near)), float(noise)


def misfires_of(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cylinders that miss firings, beyond what noise and single events bring."""
    shares = why_missing(ev)
    # edges that move alone leave no echo
    believed = [
        c.misfires for c in ev.cylinders if shares.get(c.cylinder, {}).get("misfire", 0.0) >= WORTH_SAYING
    ]
    most = max(believed, default=0)
    hit: list[tuple[CylinderEvidence, dict[str, float]]] = []
    doubtful: list[CylinderEvidence] = []
    few: list[CylinderEvidence] = []
    for c in ev.cylinders:
        if c.cylinder not in shares:
            continue
        p = shares[c.cylinder]
        if p["misfire"] >= FIRM:
            hit.append((c, p))
            continue
        # what the crank follows in another part of the log stands by itself
        part = _sound_part(ev, c)
        q = weigh([a for a in _accounts(ev, part, most) if a.name != "edges"]) if part is not None else {}
        if part is not None and q["misfire"] >= FIRM:
            hit.append((part, q))
        elif p["misfire"] + p["edges"] + p["noise"] >= FIRM:
            doubtful.append(c)
        elif p["misfire"] >= WORTH_SAYING:
            few.append(c)
    out = []
    if doubtful:
        out.append(_candidate(ev, doubtful, shares, "edges", [_doubt(ev, c) for c in doubtful]))
    if hit:
        out.append(_firm(ev, hit))
    elif few and not doubtful:
        out.append(_candidate(ev, few, shares, "few", ["a few firings without combustion"]))
    return out


def _candidate(
    ev: Evidence,
    some: Sequence[CylinderEvidence],
    shares: Mapping[Label, dict[str, float]],
    where: str,
    lines: list[str],
) -> dict[str, Any]:
    sure = min(shares[c.cylinder]["misfire"] for c in some)
    detail = {"kind": "several" if len(some) > 1 else "one", "steady": False, "where": where}
    if where == "few":
        del detail["where"]
    lines = [*lines, *(said(shares[c.cylinder], "misfire", RIVALS) for c in some)]
    return finding(
        "misfire", [x for c in some for x in pair_of(ev, c.cylinder)], sure, detail, lines, misfire_steps("one")
    )  # fmt: skip


def _firm(ev: Evidence, hit: Sequence[tuple[CylinderEvidence, dict[str, float]]]) -> dict[str, Any]:
    some = [c for c, _ in hit]
    kind = _kind(ev, some)
    lines = [
        f"{name_of(c.cylinder)}: {c.misfires} of {c.firings} firings without combustion "
        f"({100 * c.misfires / max(c.firings, 1):.2f} %)"
        for c in some
    ]
    worst = min((p for _, p in hit), key=lambda p: p["misfire"])
    lines.append(said(worst, "misfire", RIVALS))
    lines += [_stop(c, c.stopped) for c in some if c.stopped is not None]
    if ev.pattern_from != "none":
        lines.append("the learned tooth pattern was taken out before counting")
    steady = all(c.misfires > DEAD * c.firings for c in some)
    detail = {
        "kind": kind,
        "steady": steady,
        "misfires": sum(c.misfires for c in some),
        "firings": sum(c.firings for c in some),
    }
    labels = [x for c in some for x in pair_of(ev, c.cylinder)]
    stops = [c.stopped.at_s for c in some if c.stopped is not None and _sound_before(c.stopped)]
    steps = misfire_steps(kind)
    if len(stops) == len(some):
        detail["dead_from_s"] = round(min(stops), 1)
        steps.insert(0, STOPS.format(min(stops)))
    elif steady:
        steps.insert(0, DEAD_ALL_ALONG)
    # the least sure of them is firm already
    confidence = max(worst["misfire"] * (1 - UNTHOUGHT), FIRM)
    return finding("misfire", labels, confidence, detail, lines, steps)


def _stop(c: CylinderEvidence, stop: Stopped) -> str:
    return (
        f"{name_of(c.cylinder)} goes dead at {stop.at_s:.1f} s and misses {stop.dead} firings up to the end of its log; "
        f"{stop.misfires_before} of {stop.firings_before} before that"
    )


def _sound_before(stop: Stopped) -> bool:
    """No misfires of its own that stand firm before the stop."""
    k, n = stop.misfires_before, stop.firings_before
    return weigh([Account("misfire", faulty(k, n)), Account("healthy", isolated(k, n))])["misfire"] < FIRM


def _kind(ev: Evidence, hit: Sequence[CylinderEvidence]) -> str:
    if len(hit) == len(ev.cylinders) and len(hit) > 1:
        return "whole_engine"
    first = hit[0].cylinder
    if len(hit) == 2 and ev.engine.companions.get(first if isinstance(first, int) else -1) == hit[1].cylinder:
        return "companions"
    return "several" if len(hit) > 1 else "one"


def _sound_part(ev: Evidence, c: CylinderEvidence) -> CylinderEvidence | None:
    """The cylinder in those parts of the log in which the crank follows its misfires."""
    follow = ev.lines.followed.get(c.cylinder)
    if follow is None or not follow.sound[0]:
        return None
    return replace(c, misfires=follow.sound[0], firings=follow.sound[1])


def _doubt(ev: Evidence, c: CylinderEvidence) -> str:
    """Why what looks like misfires of a cylinder may be its edges or the noise alone."""
    follow = ev.lines.followed.get(c.cylinder)
    crank, edges = _crank(ev, c)
    if follow is not None and edges > crank:
        return (
            f"{name_of(c.cylinder)}: the edges shift, but only {100 * max(follow.share, 0.0):.0f} % of the shift is one "
            "that a crank with inertia can make"
        )
    unjudged = c.unusable / max(c.unusable + c.firings, 1)
    return (
        f"{name_of(c.cylinder)}: {100 * unjudged:.0f} % of its firings cannot be judged, and of those around its {c.misfires} "
        f"misfires only {100 * c.judged_around:.0f} % can: they may be the tail of the noise"
    )


def size_open_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Firings that lack much of their work, where nothing tells how much a full misfire would lack."""
    hit = {c for f in found if f["cause"] == "misfire" for c in f["cylinders"]}
    weak = {c for f in found if f["cause"] == "weak_cylinder" for c in f["cylinders"]}
    out = []
    for c in ev.cylinders:
        some, total = c.either, c.firings + c.either
        if some < c.partial <= 0.5 * c.firings and _half_lost_on(ev, c):
            some, total = c.partial, c.firings
        apart = c.kinds.number > some and ev.pattern_from in ("speed_sweep", "none")
        if apart:
            some, total = c.kinds.number, c.firings
        if some < LEAST_OPEN or some <= OPEN_FROM * total or c.cylinder in hit:
            continue
        every = some > 0.5 * total
        line = f"{name_of(c.cylinder)}: {some} firings misfire or burn in part; how much a full misfire lacks at "
        line += "this speed is not known well enough (torsion of the crank, the wheel)"
        if apart:
            line = (
                f"{name_of(c.cylinder)}: its firings are of two kinds: {some} of {c.kinds.firings} lack {100 * c.kinds.depth:.0f} % "
                "of what is taken as normal work, and hardly any lies between. A wheel that was not learned in a coast-down can make "
                "the normal work look too large: they may be full misfires"
            )
        count = faulty(some, total)
        accounts = [Account("misfire", count), Account("in part", count)]
        if every:
            accounts = [Account("dead", 0.0), Account("weak", 0.0)]
        p = weigh([*accounts, Account("healthy", isolated(some, total))])
        detail = {"kind": "one", "steady": every, "where": "dead_or_weak" if every else "size_open"}
        sure, labels = p["dead" if every else "misfire"], pair_of(ev, c.cylinder)
        out.append(finding("misfire", labels, sure, detail, [line], misfire_steps("one")))
        if every and not weak & set(labels):
            out.append(finding("weak_cylinder", labels, p["weak"], {"where": "dead_or_weak"}, [line], []))
    return out


def _half_lost_on(ev: Evidence, c: CylinderEvidence) -> bool:
    """Burns in part that stand on one cylinder, where the scale is that of a wheel not learned in fuel cut.

    Such a wheel can hold part of the masses' ripple, and the scale was seen to be off by half on fours; a load that steps
    or a road that shakes makes shallow losses on several cylinders.
    """
    others = sum(x.partial for x in ev.cylinders if x is not c)
    return ev.pattern_from in ("speed_sweep", "none") and others <= ALONE * c.partial
