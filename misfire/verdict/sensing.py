"""Causes in what the controller senses and stores: wheel, signal, stored pattern."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from misfire.verdict.evidence import CylinderEvidence, Evidence, Label
from misfire.verdict.finding import finding, listed, name_of, pair_of
from misfire.verdict.misses import why_missing
from misfire.verdict.odds import FIRM, UNTHOUGHT, WORTH_SAYING, Account, beyond, faulty, isolated, said, weigh

FALSELY_FROM = 0.01  # of a cylinder's firings counted falsely make a wheel a fault (contract)
LEAST_FAULTY = 3  # turns with extra or lost edges: one that was misread is no disturbance
FOLLOW_SURE, FEW = (
    12,
    0.8,
)  # misfires by which the crank is said for sure not to follow, and the share of it with fewer
SEEN = (
    0.97  # that a spacing seen to move, or a hum that harms, is one: both are tests with a limit of their own
)
RESONANCE_FROM = (
    0.25  # of a combustion in each firing (our choice; healthy and rough drives simulated: 0.09 at most)
)
AWAY_TODAY = 0.1  # how often a misfire with a code stays away for a whole log (our choice)
# Least rate that stores a code: 1 % of all firings in 1000 turns (13 CCR 1968.2 (e)(3), the floor from memory), so
# more than that of those of the coded cylinders
CODED_FROM = 0.01
LEARNED_BELOW = (
    0.1  # of what an uncorrected monitor would count: the controller allows for the wheel (our choice)
)
WHEEL_UNSEEN = 0.1  # of the wheel's prior where no pattern was learned
BOTH_CODED = {
    "stored": 0.9,
    "misfire": 0.15,
}  # codes on both companions and no others: by a pattern, by a misfire
HARM = 0.15  # false lost work from which on a hum is a fault: as much as makes a cylinder weak (contract)

RIVALS = {
    "misfire": "a misfire that stayed away from this log",
    "wheel": "the wheel, which this log does not show",
}


def wheel_of(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A wheel that an uncorrected monitor would count falsely on."""
    # more than 1 % of the firings for sure, not by a handful of them
    accused = [
        c
        for c in ev.cylinders
        if c.false_uncorrected >= 3 and beyond(c.false_uncorrected, c.firings, FALSELY_FROM) >= FIRM
    ]
    if not accused or ev.pattern_from == "none" or ev.pattern_stable is False or _edges_moved(ev):
        return []  # a spacing that changes inside the log is a disturbed signal, not a wheel
    # companions share the error; the second one is named too when it is close behind
    mates = {ev.engine.companions.get(c.cylinder) for c in accused if isinstance(c.cylinder, int)}
    accused = [
        c
        for c in ev.cylinders
        if c in accused
        or (
            c.cylinder in mates
            and c.firings
            and (c.false_uncorrected >= 0.004 * c.firings or (c.reported or 0) >= 10)
        )
    ]
    from_rpm = min((c.false_from_rpm for c in accused if c.false_from_rpm is not None), default=None)
    labels = [c.cylinder for c in accused]
    reported = [c for c in accused if (c.reported or 0) > c.misfires + 3]
    coded = {
        int(x[3:]) for x in ev.codes if x.startswith("P03") and x[3:].isdigit() and 1 <= int(x[3:]) <= 12
    }
    was = bool(reported) or any(c.cylinder in coded and c.misfires == 0 for c in accused)
    lines = [
        f"{name_of(c.cylinder)}: a monitor that takes the wheel as perfect would count {c.uncorrected} misfires, "
        f"{c.misfires} are real"
        for c in accused
    ]
    if ev.worst_tooth is not None:
        lines.append(f"largest tooth error {ev.worst_tooth[1]:+.3f} deg at position {ev.worst_tooth[0]}")
    if from_rpm is not None:
        lines.append(f"false counts from about {from_rpm:.0f} rpm on")
    steps = [
        "Look at the crank wheel and the sensor: air gap, run-out, a bent or damaged tooth, metal chips.",
        "If the wheel is sound: do the pattern learn of the service manual, then record again and use `misfire compare`.",
        "Check the conditions first with `misfire ready`; no full-throttle learn while a true misfire is present.",
    ]
    detail = {"where": "wheel", "from_rpm": from_rpm, "counted_falsely": was}
    if not was and _learned(ev, accused):
        detail["learned"] = True
        lines.append(
            "the controller's monitor ran and counted next to nothing on them: it allows for this wheel"
        )
        steps = [
            "Nothing to do for now: the controller has learned this wheel, and that holds while wheel and sensor stay as they are.",
            "Before parts near the wheel are next taken off, look at its run-out and teeth.",
        ]
    if other := _counted_elsewhere(ev, accused, coded):
        steps.insert(0, other)
    sure = max(beyond(c.false_uncorrected, c.firings, FALSELY_FROM) for c in accused)
    return [finding("crank_pattern", labels, max(sure * (1 - UNTHOUGHT), FIRM), detail, lines, steps)]


def _learned(ev: Evidence, accused: Sequence[CylinderEvidence]) -> bool:
    """The controller's counts show that it allows for the wheel: its monitor ran, and counted hardly any falsely."""
    return ev.monitor_ran is True and all(
        c.reported is not None and c.reported - c.misfires <= LEARNED_BELOW * c.false_uncorrected
        for c in accused
    )


def _counted_elsewhere(ev: Evidence, accused: Sequence[CylinderEvidence], coded: set[int]) -> str:
    """What to check first where the controller counted, or stored codes, on other cylinders that fire than the wheel accuses."""
    mine = {x for c in accused for x in pair_of(ev, c.cylinder)}
    rest = [c for c in ev.cylinders if c.cylinder not in mine]
    counted = [c.cylinder for c in rest if (c.reported or 0) >= 10 and c.misfires < 0.1 * (c.reported or 0)]
    if not counted and not any(c.cylinder in coded or (c.reported or 0) >= 10 for c in accused):
        counted = [c.cylinder for c in rest if c.cylinder in coded and not c.misfires]
    if not counted or not ev.named:
        return ""
    said = "misfires are counted on" if ev.counts_given else "codes are stored for"
    return (
        f"Check the firing order, the mark and the first tooth's angle first: {said} {listed(counted)}, and the wheel accuses "
        f"{listed(sorted(mine, key=str))}."
    )


def _edges_moved(ev: Evidence) -> dict[Label, float]:
    """Cylinders whose misfires are more likely edges that moved alone, the crank not with them; how likely."""
    return {c: p["edges"] for c, p in why_missing(ev).items() if p["edges"] > 0.5 and c in ev.lines.followed}


def signal_of(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Extra and lost edges, or a spacing that moves within the log."""
    bad = ev.extra_edges + ev.lost_edges
    lines = []
    detail: dict[str, Any] = {}
    many = bad >= 10 and bad > 0.005 * ev.turns and ev.turns_set_aside >= LEAST_FAULTY
    if many or (ev.resyncs >= 3 and ev.resyncs > 0.002 * ev.turns):
        lines.append(
            f"{ev.extra_edges} extra and {ev.lost_edges} lost edges, numbering lost {ev.resyncs} times, {ev.turns_set_aside} of {ev.turns} turns set aside"
        )
        detail["kind"] = "edges"
    if ev.pattern_stable is False:
        lines.append(
            f"the tooth pattern changes inside the log, by {ev.pattern_drift_deg:.3f} deg at the worst tooth"
        )
        detail["kind"] = "drift"
    source = ev.lines.disturbance.source
    if source is not None and source.false_work >= HARM:
        lines.append(f"{source.words}; up to {source.lateness_deg:.2f} deg at high speed")
        detail.setdefault("kind", "hum")
        detail["source"] = source.kind
    elif source is not None and lines:
        lines.append(source.words)
        detail["source"] = source.kind
    moved = _edges_moved(ev)
    for c in moved:
        f = ev.lines.followed[c]
        lines.append(
            f"{name_of(c)}: edges shift by {f.size_deg:.2f} deg where it seems to misfire, most near position {f.tooth} of the wheel, "
            f"and the crank does not follow: a lost combustion explains {100 * max(f.share, 0.0):.0f} % of it"
        )
        detail.setdefault("kind", "edges_alone")
    if not lines:
        return []
    steps = [
        "Check the crank sensor's connector, shield, ground and routing (away from coils, starter and alternator cables).",
        "Check air gap and mounting of the sensor, and the wheel for chips or magnetised spots.",
        "Record again after each step; do not learn the pattern while the disturbance is there.",
    ]
    confidence = SEEN
    if detail["kind"] == "edges_alone":
        most = max(ev.lines.followed[c].events for c in moved)
        # a few odd answers of the crank can come from the road or the driveline as well
        confidence = max(moved.values()) * (1 - UNTHOUGHT if most >= FOLLOW_SURE else FEW)
    return [finding("sensor_signal", [], confidence, detail, lines, steps)]


def driveline_of(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A driveline that keeps swinging at a frequency of its own while every cylinder fires."""
    swing = ev.lines.swing
    if swing is None or not swing.resonates or swing.work < RESONANCE_FROM:
        return []
    if any(p["misfire"] > WORTH_SAYING for p in why_missing(ev).values()):
        return []  # misfires make the driveline swing: it is the answer, not the cause
    lines = [
        f"the speed swings by {swing.rms_pct:.2f} % (root mean square) in one narrow line at {swing.hz:.1f} Hz, in "
        f"{100 * swing.lasting:.0f} % of the time"
        + (", at every speed the same" if swing.two_speeds else ""),
        f"{100 * swing.work:.0f} % of a combustion goes into the driveline and comes back in each firing; every cylinder fires",
    ]
    steps = [
        "Not the ignition: check the clutch or the converter's lock-up, the flywheel's damper, engine mounts, shafts and joints.",
        "Drive the same speed in another gear and with the clutch open: a swing of the driveline changes or goes.",
        "Follow the vehicle's service manual; one person drives, another records.",
    ]
    detail = {"hz": round(swing.hz, 1), "work": round(swing.work, 2)}
    # at one speed a shaft or a belt out of true makes such a line as well
    return [finding("driveline", [], SEEN if swing.two_speeds else 0.6, detail, lines, steps)]


def exchanged_names(ev: Evidence) -> list[tuple[CylinderEvidence, CylinderEvidence]]:
    """Cylinders that the controller counts and that fire, each with one that misfires about as often and is not counted.

    A wrong firing order or mark does that; a stored pattern that does not fit has no reason to.
    """
    told = [c for c in ev.cylinders if c.reported is not None and ev.phase == "measured"]
    counted = [c for c in told if (c.reported or 0) >= 10 and c.misfires < 0.1 * (c.reported or 0)]
    missed = [c for c in told if (c.reported or 0) < 0.1 * c.misfires]
    return [(c, m) for c in counted for m in missed if 0.5 < m.misfires / (c.reported or 1) < 2]


def stored_of(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The controller accuses cylinders that fire, and the wheel is well: its stored pattern does not fit."""
    if any(f["cause"] == "crank_pattern" for f in found) or ev.ambiguous:
        return []
    coded = {
        int(x[3:]) for x in ev.codes if x.startswith("P03") and x[3:].isdigit() and 1 <= int(x[3:]) <= 12
    }
    accused: list[CylinderEvidence] = []
    for c in ev.cylinders:
        if not isinstance(c.cylinder, int) or c.firings < 100:
            continue
        pair = set(pair_of(ev, c.cylinder))
        if c.reported is not None:
            if c.reported >= 10 and c.misfires < 0.1 * c.reported:
                accused.append(c)
        elif not ev.counts_given and pair & coded and c.misfires <= 0.001 * c.firings:
            accused.append(c)
    if not accused or any(f["cause"] == "sensor_signal" for f in found):
        return []
    labels = [x for c in accused for x in pair_of(ev, c.cylinder)]
    wheel_seen = ev.pattern_from != "none"
    p = _why_accused(ev, accused, labels, wheel_seen)
    exchanged = [c for c, _ in exchanged_names(ev)]
    confidence = p["stored"] * (1 - UNTHOUGHT)
    if all(c in exchanged for c in accused):
        confidence = 0.5  # the same misfires under another name: nothing false about them
    lines = [
        f"{name_of(c.cylinder)}: the controller reports {c.reported}, {c.misfires} of {c.firings} firings really failed"
        if c.reported is not None
        else f"{name_of(c.cylinder)} has a code, but {c.misfires} of {c.firings} firings failed in this log"
        for c in accused
    ]
    lines.append(said(p, "stored", RIVALS))
    if wheel_seen:
        lines.append("the wheel as sensed is within what an uncorrected monitor would bear")
    steps = [
        "The controller's stored pattern does not fit: do the pattern learn of the service manual, conditions first (`misfire ready`).",
        "Save counts and freeze frame, then record again and prove it with `misfire compare`.",
        "Ask what was changed before: engine, wheel, sensor, controller or a cleared memory.",
    ]
    return [
        finding(
            "crank_pattern", labels, confidence, {"where": "stored", "counted_falsely": True}, lines, steps
        )
    ]


def _why_accused(
    ev: Evidence, accused: list[CylinderEvidence], labels: list[Label], wheel_seen: bool
) -> dict[str, float]:
    """Share of each explanation of counts or codes on cylinders that fire in this log."""
    n = sum(c.firings for c in accused)
    found = sum(c.misfires for c in accused)
    if all(c.reported is not None for c in accused):
        reported = sum(c.reported or 0 for c in accused)
        # had the controller counted misfires of this drive, the log would hold about as many (Poisson)
        true = float(found * np.log(reported) - reported - _log_factorial(found))
        return weigh([Account("stored", isolated(found, n)), Account("misfire", true)])
    mates = [ev.engine.companions.get(c.cylinder) for c in accused if isinstance(c.cylinder, int)]
    paired = (len(accused) >= 2 and all(m in labels for m in mates)) or ev.phase == "unknown"
    by = {k: np.log(v if paired else 1 - v) for k, v in BOTH_CODED.items()}
    away = float(np.logaddexp(np.log(AWAY_TODAY), np.log(1 - AWAY_TODAY) + _unseen(found, n)))
    accounts = [Account("stored", float(by["stored"])), Account("misfire", float(by["misfire"]) + away)]
    if not wheel_seen:
        accounts.append(Account("wheel", float(by["stored"]), WHEEL_UNSEEN))
    return weigh(accounts)


def _unseen(found: int, n: int) -> float:
    """Log-chance that a misfire that stored a code shows at most `found` times in `n` firings of its cylinders."""
    return float(np.log(min(sum(np.exp(faulty(k, n, CODED_FROM)) for k in range(found + 1)), 1.0)))


def _log_factorial(k: int) -> float:
    from scipy.special import gammaln

    return float(gammaln(k + 1))
