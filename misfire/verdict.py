"""Evidence -> findings: true misfire, wrong pattern, disturbed signal, weak cylinder, or not decidable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from misfire.engine import Engine

FIRM = 0.95
LEAST_TURNS = 200
FALSE_ALARM = 2e-5  # per firing, the budget that isolated events are judged against
Label = int | str


@dataclass(frozen=True)
class CylinderEvidence:
    """What was counted for one cylinder (or place, or pair when the phase is unknown)."""

    cylinder: Label
    firings: int
    misfires: int
    partial: int
    uncorrected: int
    false_uncorrected: int  # counted by the uncorrected monitor although the cylinder fired
    false_from_rpm: float | None
    mean_lost_work: float
    mean_lost_firing: float
    sd_mean: float
    unusable: int
    reported: int | None


@dataclass(frozen=True)
class Evidence:
    """Everything that the judgement rests on."""

    engine: Engine
    cylinders: Sequence[CylinderEvidence]
    phase: str
    named: bool
    usable_turns: int
    turns: int
    extra_edges: int
    lost_edges: int
    resyncs: int
    turns_set_aside: int
    pattern_from: str
    pattern_stable: bool | None
    pattern_drift_deg: float
    worst_tooth: tuple[int, float] | None
    ambiguous: Sequence[Label]  # companions down together, wheel or work
    ambiguous_lost: float
    unusable_share: float
    motoring_share: float
    speed_ratio: float
    codes: tuple[str, ...] = ()
    counts_given: bool = False
    nothing_fired: bool = False
    notes: list[str] = field(default_factory=list)


def judge(ev: Evidence) -> dict[str, Any]:
    """The verdict as the contract's dict: status, headline, findings, candidates, missing."""
    found: list[dict[str, Any]] = []
    weaker: list[dict[str, Any]] = []
    missing: list[str] = []
    for make in (_misfires, _wheel, _signal, _weak, _ambiguous, _stored):
        for f in make(ev, found):
            (found if f["confidence"] >= FIRM else weaker).append(f)
    if any(f["cause"] == "sensor_signal" and f["detail"].get("kind") == "drift" for f in found):
        # a spacing that moves accuses both companions alike; so would a coil, but the wheel is seen to move
        alike = [f for f in found if f["cause"] == "misfire"]
        for f in (
            alike if not ev.engine.companions else [f for f in alike if _both_companions(f["cylinders"], ev)]
        ):
            found.remove(f)
            f["confidence"] = 0.6
            weaker.append(f)
            missing.append(
                "the same drive again after the crank signal is put right: the false part of these misfires goes with it"
            )
    shut_off = "P0363" in ev.codes
    if shut_off:
        dead = [f for f in found if f["cause"] == "misfire" and f["detail"].get("steady")]
        for f in dead:
            found.remove(f)
            f["confidence"] = 0.5
            weaker.append(f)
            missing.append(
                "P0363 says that the controller has shut injectors off: clear that state (or restore the injector) and record "
                "again, because the dead cylinder may be its consequence"
            )
    if any(c["cause"] == "crank_pattern" and c["detail"].get("where") == "stored" for c in weaker):
        missing.append(
            "the controller's misfire counts of each cylinder, read before and after a drive of some minutes (--counts), with "
            "the log of that drive: counts on cylinders that fire prove a false detection"
        )
    if any(c["cause"] == "crank_pattern" and c["detail"].get("where") == "undecided" for c in weaker):
        missing += [
            "a coast-down with the fuel cut from about 3000 to 1500 rpm (20 turns or more), or",
            "two steady speeds at least a factor 1.5 apart at like load: a wheel error keeps its share of the time, "
            "a misfire does not",
        ]
    for c in weaker:
        if c["detail"].get("where") == "dead_or_weak":
            name = _name(c["cylinders"][0])
            missing.append(
                f"{name}: dead, or firing weakly in every cycle: record with its injector commanded off for ten seconds "
                "(--known-cut); if nothing changes then, it was dead before"
            )
    if ev.phase == "unknown" and any(f["cause"] == "misfire" for f in found) and ev.engine.companions:
        missing.append(
            "a cam signal or a cylinder-1 mark: which of the two companions misfires cannot be told without it"
        )
    if not ev.named:
        missing.append(
            "a cylinder-1 mark, a cam signal with known edges or a short commanded cut of a named cylinder (--known-cut)"
        )
    status = "found" if found else "clear"
    if not found:
        reasons = []
        if ev.usable_turns < LEAST_TURNS:
            reasons.append(f"only {ev.usable_turns} usable turns, {LEAST_TURNS} are needed")
            missing.append(f"a longer record: at least {LEAST_TURNS} turns of firing, a minute is better")
        if ev.unusable_share > 0.5:
            reasons.append(f"{100 * ev.unusable_share:.0f} % of the firings cannot be judged")
            missing.append(
                "a finer clock, a cleaner signal or a lower speed: most firings were lost in noise"
            )
        if ev.nothing_fired:
            reasons.append("no cylinder fires in this log")
            missing.append("the engine running under its own power")
        if weaker:
            reasons.append("a deviation is there that this log cannot assign")
        if reasons:
            status = "undetermined"
    headline = _headline(status, found, weaker, ev)
    keys = ("cause", "cylinders", "confidence")
    return {
        "status": status,
        "headline": headline,
        "findings": found,
        "candidates": [{k: f[k] for k in keys} for f in sorted(weaker, key=lambda f: -f["confidence"])],
        "missing": list(dict.fromkeys(missing)),
    }


def _both_companions(cylinders: Sequence[Label], ev: Evidence) -> bool:
    """True when every cylinder of the list stands there with its companion."""
    mates = [ev.engine.companions.get(c) for c in cylinders if isinstance(c, int)]
    return bool(mates) and len(mates) == len(cylinders) and all(m in cylinders for m in mates)


def _finding(
    cause: str,
    cylinders: Sequence[Label],
    confidence: float,
    detail: dict[str, Any],
    evidence: list[str],
    steps: list[str],
) -> dict[str, Any]:
    return {
        "cause": cause,
        "cylinders": list(cylinders),
        "confidence": round(float(min(max(confidence, 0.0), 0.999)), 3),
        "detail": detail,
        "evidence": evidence,
        "next_steps": steps,
    }


def _tail(k: int, mean: float) -> float:
    """P(at least k) of a Poisson count."""
    from scipy.special import gammainc

    return float(gammainc(k, mean)) if k > 0 else 1.0


def _pair(ev: Evidence, label: Label) -> list[Label]:
    """The label itself, or both companions when the phase is unknown."""
    if ev.phase != "unknown" or not ev.engine.companions:
        return [label]
    if isinstance(label, int):
        mate = ev.engine.companions.get(label)
        return [label] if mate is None else sorted([label, mate])
    i = ord(label) - ord("A")
    return [label, chr(ord("A") + (i + ev.engine.cylinders // 2) % ev.engine.cylinders)]


def deep_from(cylinders: int) -> float:
    """Steady lost work beyond which a cylinder may be dead and not weak.

    The scale comes from the ripple at the firing frequency, which a long crank's torsion swells: the more
    cylinders, the more (300 Hz on a V8: by 1.7 at 2900 rpm [derived], 1 / (1 - (f / f0)^2)).
    """
    return 0.6 if cylinders <= 5 else 0.5 if cylinders <= 6 else 0.42


def _misfires(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    hit: list[CylinderEvidence] = []
    weak: list[CylinderEvidence] = []
    most = max((c.misfires for c in ev.cylinders), default=0)
    for c in ev.cylinders:
        if c.misfires == 0 or c.cylinder in ev.ambiguous:
            continue
        p = _tail(c.misfires, FALSE_ALARM * c.firings + 0.02)
        # few events need a rate too: an isolated misfire happens to healthy engines
        # beside a cylinder with many, a handful elsewhere is more likely its echo than a second fault
        echo = c.misfires < 0.1 * most and c.misfires < 0.01 * c.firings
        if c.misfires >= 4 and p < 1e-3 and c.misfires > 0.002 * c.firings and not echo:
            hit.append(c)
        elif (c.misfires >= 3 and c.misfires > 0.0005 * c.firings) or (c.misfires == 2 and c.firings < 400):
            weak.append(c)
    out = []
    if hit:
        labels = [x for c in hit for x in _pair(ev, c.cylinder)]
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
            f"{_name(c.cylinder)}: {c.misfires} of {c.firings} firings without combustion "
            f"({100 * c.misfires / max(c.firings, 1):.2f} %)"
            for c in hit
        ]
        lines.append(
            f"chance of so many by noise alone below {max(_tail(min(c.misfires for c in hit), FALSE_ALARM * fired + 0.02), 1e-12):.0e}"
        )
        if ev.pattern_from != "none":
            lines.append("the learned tooth pattern was taken out before counting")
        confidence = (
            1 - min(0.5, 5 * max(_tail(c.misfires, FALSE_ALARM * c.firings + 0.02) for c in hit)) - 0.005
        )
        out.append(
            _finding(
                "misfire",
                labels,
                confidence,
                {"kind": kind, "steady": steady, "misfires": total, "firings": fired},
                lines,
                _misfire_steps(kind),
            )
        )
    if weak and not hit:
        labels = [x for c in weak for x in _pair(ev, c.cylinder)]
        out.append(
            _finding(
                "misfire",
                labels,
                0.7,
                {"kind": "several" if len(weak) > 1 else "one", "steady": False},
                ["a few firings without combustion"],
                _misfire_steps("one"),
            )
        )
    return out


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


def _name(label: Label) -> str:
    return f"cylinder {label}" if isinstance(label, int) else f"place {label}"


def _wheel(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    accused = [c for c in ev.cylinders if c.firings and c.false_uncorrected >= max(3, 0.01 * c.firings)]
    if not accused or ev.pattern_from == "none" or ev.pattern_stable is False:
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
        f"{_name(c.cylinder)}: a monitor that takes the wheel as perfect would count {c.uncorrected} misfires, "
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
    return [_finding("crank_pattern", labels, 0.98, detail, lines, steps)]


def _signal(ev: Evidence, _: list[dict[str, Any]]) -> list[dict[str, Any]]:
    bad = ev.extra_edges + ev.lost_edges
    lines = []
    detail: dict[str, Any] = {}
    if (bad >= 10 and bad > 0.005 * ev.turns) or (ev.resyncs >= 3 and ev.resyncs > 0.002 * ev.turns):
        lines.append(
            f"{ev.extra_edges} extra and {ev.lost_edges} lost edges, numbering lost {ev.resyncs} times, {ev.turns_set_aside} of {ev.turns} turns set aside"
        )
        detail["kind"] = "edges"
    if ev.pattern_stable is False:
        lines.append(
            f"the tooth pattern changes inside the log, by {ev.pattern_drift_deg:.3f} deg at the worst tooth"
        )
        detail["kind"] = "drift"
    if not lines:
        return []
    steps = [
        "Check the crank sensor's connector, shield, ground and routing (away from coils, starter and alternator cables).",
        "Check air gap and mounting of the sensor, and the wheel for chips or magnetised spots.",
        "Record again after each step; do not learn the pattern while the disturbance is there.",
    ]
    return [_finding("sensor_signal", [], 0.97, detail, lines, steps)]


def _weak(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    if len(ev.engine.firing_order) < 3:
        return []
    out = []
    dead = {c for f in found if f["cause"] == "misfire" and f["detail"].get("steady") for c in f["cylinders"]}
    hit = {c for f in found if f["cause"] == "misfire" for c in f["cylinders"]}
    # with the phase unknown two companions stand under one name, and what one lacks shows as half
    share = 2.0 if ev.phase == "unknown" and ev.engine.companions else 1.0
    for c in ev.cylinders:
        lacks = share * c.mean_lost_firing
        low = lacks - 1.96 * share * c.sd_mean
        if (
            c.firings - c.misfires < 60
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
        if lacks > deep_from(len(ev.engine.firing_order)):
            # the scale of the work is known to a few tenths only: a dead cylinder may read so little
            out.append(
                _finding(
                    "misfire",
                    _pair(ev, c.cylinder),
                    0.6,
                    {"kind": "one", "steady": True, "where": "dead_or_weak"},
                    [
                        f"{_name(c.cylinder)} lacks {100 * lacks:.0f} % of the work in every firing: dead or very weak"
                    ],
                    _misfire_steps("one"),
                )
            )
            confidence = 0.4
        if ev.pattern_from == "none" and not ev.engine.companions:
            confidence = min(confidence, 0.8)  # without companions an unlearned wheel can imitate it
        out.append(
            _finding(
                "weak_cylinder",
                _pair(ev, c.cylinder),
                confidence,
                {"mean_lost_work": round(lacks, 3)},
                [
                    f"{_name(c.cylinder)} gives on average {100 * lacks:.0f} % less combustion work than the others, without misfiring"
                ],
                [
                    "Compression and leak-down test, injector flow and intake leaks of this cylinder; follow the service manual."
                ],
            )
        )
    return out


def _ambiguous(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    if not ev.ambiguous:
        return []
    labels = list(dict.fromkeys(x for c in ev.ambiguous for x in _pair(ev, c)))
    line = [
        f"companions {' and '.join(map(str, labels))} deviate together (lost work {ev.ambiguous_lost:.2f}): a shared coil or "
        "the wheel look alike at one speed without a coast-down"
    ]
    return [
        _finding("misfire", labels, 0.5, {"kind": "companions", "steady": True}, line, []),
        _finding("crank_pattern", labels, 0.45, {"where": "undecided"}, line, []),
    ]


def _stored(ev: Evidence, found: list[dict[str, Any]]) -> list[dict[str, Any]]:
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
        pair = set(_pair(ev, c.cylinder))
        if c.reported is not None:
            if c.reported >= 10 and c.misfires < 0.1 * c.reported:
                accused.append(c)
        elif not ev.counts_given and pair & coded and c.misfires <= 0.001 * c.firings:
            accused.append(c)
    if not accused or any(f["cause"] == "sensor_signal" for f in found):
        return []
    labels = [x for c in accused for x in _pair(ev, c.cylinder)]
    by_counts = all(c.reported is not None for c in accused)
    mates = [ev.engine.companions.get(c.cylinder) for c in accused if isinstance(c.cylinder, int)]
    paired = (len(accused) >= 2 and all(m in labels for m in mates)) or ev.phase == "unknown"
    enough = sum(c.firings for c in accused) >= 400  # at 1 % misfires, 98 chances in 100 to have seen one
    wheel_seen = ev.pattern_from != "none"
    confidence = 0.98 if by_counts else 0.6
    if not by_counts and paired and enough:
        confidence = 0.96 if wheel_seen else 0.85
    lines = [
        f"{_name(c.cylinder)}: the controller reports {c.reported}, {c.misfires} of {c.firings} firings really failed"
        if c.reported is not None
        else f"{_name(c.cylinder)} has a code, but {c.misfires} of {c.firings} firings failed in this log"
        for c in accused
    ]
    if wheel_seen:
        lines.append("the wheel as sensed is within what an uncorrected monitor would bear")
    steps = [
        "The controller's stored pattern does not fit: do the pattern learn of the service manual, conditions first (`misfire ready`).",
        "Save counts and freeze frame, then record again and prove it with `misfire compare`.",
        "Ask what was changed before: engine, wheel, sensor, controller or a cleared memory.",
    ]
    return [
        _finding(
            "crank_pattern", labels, confidence, {"where": "stored", "counted_falsely": True}, lines, steps
        )
    ]


def _list(labels: Sequence[Label]) -> str:
    words = [str(x) for x in labels]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _headline(status: str, found: list[dict[str, Any]], weaker: list[dict[str, Any]], ev: Evidence) -> str:
    if status == "clear":
        return "No misfire, no wheel fault and no signal fault: every cylinder fires."
    if status == "undetermined":
        if weaker:
            top = max(weaker, key=lambda f: f["confidence"])
            return (
                f"Not decided: cylinders {_list(top['cylinders'])} deviate, and this log cannot say why."
                if top["cylinders"]
                else "Not decided: a deviation is there that this log cannot assign."
            )
        if ev.nothing_fired:
            return "Not decided: no cylinder fires in this log, so there is nothing to compare with."
        return "Not decided: this log is too short or too noisy to judge."
    parts = []
    for f in found:
        who = _list(f["cylinders"]) if f["cylinders"] else ""
        plural = "cylinders" if len(f["cylinders"]) > 1 else "cylinder"
        if f["cylinders"] and isinstance(f["cylinders"][0], str):
            plural = plural.replace("cylinder", "place")
        if f["cause"] == "misfire":
            either = ev.phase == "unknown" and f["detail"]["kind"] == "one" and len(f["cylinders"]) == 2
            who = f"{f['cylinders'][0]} or {f['cylinders'][1]}" if either else who
            parts.append(f"True misfire in {plural} {who}")
        elif f["cause"] == "crank_pattern":
            many = len(f["cylinders"]) > 1
            was = ("were" if many else "was") if f["detail"].get("counted_falsely") else "would be"
            fire = "fire" if many else "fires"
            what = (
                "the crank wheel's pattern is off"
                if f["detail"]["where"] == "wheel"
                else "the controller's stored pattern does not fit"
            )
            parts.append(f"False detection: {what}, {plural} {who} {fire} and {was} counted falsely")
        elif f["cause"] == "sensor_signal":
            parts.append("The crank signal is disturbed")
        elif f["cause"] == "weak_cylinder":
            parts.append(f"Weak {plural} {who}: fires, but gives too little work")
        else:
            parts.append("Driveline resonance")
    return "; ".join([parts[0], *(p[0].lower() + p[1:] for p in parts[1:])]) + "."
