"""Evidence -> findings: true misfire, wrong pattern, disturbed signal, weak cylinder, or not decidable."""

from __future__ import annotations

from typing import Any

from misfire.verdict.evidence import Evidence
from misfire.verdict.finding import both_companions, listed, name_of
from misfire.verdict.firing import ambiguous_of, misfires_of, size_open_of, weak_of
from misfire.verdict.sensing import signal_of, stored_of, wheel_of

FIRM = 0.95
LEAST_TURNS = 200
MOST_UNUSABLE = 0.85  # of the firings; beyond, nothing but the signal is a firm finding (our choice)


def judge(ev: Evidence) -> dict[str, Any]:
    """The verdict as the contract's dict: status, headline, findings, candidates, missing."""
    found: list[dict[str, Any]] = []
    weaker: list[dict[str, Any]] = []
    missing: list[str] = []
    for make in (misfires_of, wheel_of, signal_of, weak_of, ambiguous_of, size_open_of, stored_of):
        for f in make(ev, found):
            (found if f["confidence"] >= FIRM else weaker).append(f)
    if any(f["cause"] == "sensor_signal" and f["detail"].get("kind") == "drift" for f in found):
        # a spacing that moves accuses both companions alike; so would a coil, but the wheel is seen to move
        alike = [f for f in found if f["cause"] == "misfire"]
        for f in (
            alike if not ev.engine.companions else [f for f in alike if both_companions(f["cylinders"], ev)]
        ):
            found.remove(f)
            f["confidence"] = 0.6
            weaker.append(f)
            missing.append(
                "the same drive again after the crank signal is put right: the false part of these misfires goes with it"
            )
    if ev.unusable_share > MOST_UNUSABLE:
        # what the few that are left say is no sample of the log, and a wrong engine file reads so
        for f in [f for f in found if f["cause"] != "sensor_signal"]:
            found.remove(f)
            f["confidence"] = 0.8
            weaker.append(f)
            missing.append(
                "the engine file checked (cylinders, firing order, wheel, angles), then a log at steady speeds: "
                f"{100 * ev.unusable_share:.0f} % of the firings of this one cannot be judged"
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
    if any(c["detail"].get("where") in ("undecided", "weak_or_wheel", "size_open") for c in weaker):
        missing += [
            "a coast-down with the fuel cut from about 3000 to 1500 rpm (20 turns or more), or",
            "two steady speeds at least a factor 1.5 apart at like load: a wheel error keeps its share of the time, "
            "a misfire does not",
        ]
    if any(c["detail"].get("where") == "edges" for c in weaker):
        missing.append(
            "the same drive again after the crank signal is put right: whether these misfires are true cannot be told through it"
        )
    for c in weaker:
        if c["detail"].get("where") == "dead_or_weak":
            name = name_of(c["cylinders"][0])
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
        "candidates": _likeliest(
            [{k: f[k] for k in keys} for f in sorted(weaker, key=lambda f: -f["confidence"])]
        ),
        "missing": list(dict.fromkeys(missing)),
        "evidence": measured(ev),
    }


def _likeliest(candidates: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each cause of the same cylinders once, from a list in falling order of confidence."""
    once: dict[tuple[Any, ...], dict[str, Any]] = {}
    for c in candidates:
        once.setdefault((c["cause"], *c["cylinders"]), c)
    return list(once.values())


def measured(ev: Evidence) -> list[dict[str, Any]]:
    """The numbers that the answer rests on, each with its unit, uncertainty and limit where it has one."""
    faults = ev.extra_edges + ev.lost_edges
    rows: list[dict[str, Any]] = [
        _row("usable turns", "enough firings to judge" if ev.usable_turns >= LEAST_TURNS else "too few to be clear",
             ev.usable_turns, "turns", f"at least {LEAST_TURNS}"),
        _row("firings that cannot be judged", "noise, edge faults, changes of load",
             round(100 * ev.unusable_share, 1), "%", "at most 50 for a clear answer"),
        _row("extra and lost edges", "mended and set aside; more is a disturbed signal",
             round(1000 * faults / max(ev.turns, 1), 2), "per 1000 turns", "5"),
        _row("highest over lowest speed", "how well the wheel and the work part without fuel cut",
             round(ev.speed_ratio, 2), "", "1.4"),
    ]  # fmt: skip
    if ev.worst_tooth is not None:
        rows.append(
            _row("largest tooth error", f"of the wheel as sensed, at position {ev.worst_tooth[0]}",
                 round(ev.worst_tooth[1], 3), "deg", None)
        )  # fmt: skip
    steady = [c for c in ev.cylinders if c.steady.firings]
    if steady:
        c = max(steady, key=lambda one: one.steady.lost)
        row = _row(f"mean lost work, {name_of(c.cylinder)}", "the highest of all, misfires left out",
                   round(c.steady.lost, 3), "", "0.15")  # fmt: skip
        row["sd"] = round(c.steady.sd, 3)
        rows.append(row)
    rows += [s.row() for s in (*ev.lines.shown, *ev.lines.disturbance.shown)]
    rows += [f.shown(name_of(c)).row() for c, f in ev.lines.followed.items()]
    return rows


def _row(name: str, says: str, value: float, unit: str, limit: str | None) -> dict[str, Any]:
    return {"name": name, "says": says, "value": value, "unit": unit, "limit": limit}


def _headline(status: str, found: list[dict[str, Any]], weaker: list[dict[str, Any]], ev: Evidence) -> str:
    if status == "clear":
        return "No misfire, no wheel fault and no signal fault: every cylinder fires."
    if status == "undetermined":
        if weaker:
            top = max(weaker, key=lambda f: f["confidence"])
            return (
                f"Not decided: cylinders {listed(top['cylinders'])} deviate, and this log cannot say why."
                if top["cylinders"]
                else "Not decided: a deviation is there that this log cannot assign."
            )
        if ev.nothing_fired:
            return "Not decided: no cylinder fires in this log, so there is nothing to compare with."
        return "Not decided: this log is too short or too noisy to judge."
    parts = []
    for f in found:
        who = listed(f["cylinders"]) if f["cylinders"] else ""
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
