"""Evidence -> findings: true misfire, wrong pattern, disturbed signal, weak cylinder, or not decidable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from misfire.verdict.evidence import Evidence
from misfire.verdict.finding import MOST_UNUSABLE, both_companions, name_of, pair_of
from misfire.verdict.headline import headline, missed_too, unjudged
from misfire.verdict.losses import ambiguous_of, weak_of
from misfire.verdict.misses import DEAD, misfires_of, size_open_of
from misfire.verdict.odds import FIRM
from misfire.verdict.sensing import driveline_of, exchanged_names, signal_of, stored_of, wheel_of

LEAST_TURNS = 200


@dataclass
class _Case:
    """The findings on the way to a verdict: firm ones, weaker ones, and what to record."""

    found: list[dict[str, Any]] = field(default_factory=list)
    weaker: list[dict[str, Any]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def doubt(self, findings: Sequence[dict[str, Any]], confidence: float, record: str) -> None:
        """Findings that become candidates, and what to record for them; nothing when there are none."""
        for f in findings:
            self.found.remove(f)
            f["confidence"] = confidence
            self.weaker.append(f)
        if findings:
            self.missing.append(record)

    def of(self, cause: str) -> list[dict[str, Any]]:
        """Firm findings of a cause."""
        return [f for f in self.found if f["cause"] == cause]


def judge(ev: Evidence) -> dict[str, Any]:
    """The verdict as the contract's dict: status, headline, findings, candidates, missing."""
    case = _Case()
    for make in (
        misfires_of,
        wheel_of,
        signal_of,
        weak_of,
        ambiguous_of,
        size_open_of,
        stored_of,
        driveline_of,
    ):
        for f in make(ev, case.found):
            (case.found if f["confidence"] >= FIRM else case.weaker).append(f)
    _doubt(ev, case)
    _wheel_first(case)
    _say_if_names_are_exchanged(ev, case)
    _ask(ev, case)
    status = "found" if case.found else "undetermined" if _nothing_to_clear(ev, case) else "clear"
    keys = ("cause", "cylinders", "confidence")
    weaker = sorted(case.weaker, key=lambda f: -f["confidence"])
    return {
        "status": status,
        "headline": headline(status, case.found, case.weaker, ev),
        "findings": case.found,
        "candidates": _likeliest([{k: f[k] for k in keys} for f in weaker]),
        "missing": list(dict.fromkeys(case.missing)),
        "evidence": measured(ev),
    }


def _doubt(ev: Evidence, case: _Case) -> None:
    """What the rest of the evidence takes the firmness from."""
    if any(f["detail"].get("kind") == "drift" for f in case.of("sensor_signal")):
        # a spacing that moves accuses both companions alike; so would a coil, but the wheel is seen to move
        alike = [
            f for f in case.of("misfire") if not ev.engine.companions or both_companions(f["cylinders"], ev)
        ]
        case.doubt(
            alike,
            0.6,
            "the same drive again after the crank signal is put right: the false part of these misfires goes with it",
        )
    rest = [f for f in case.found if f["cause"] != "sensor_signal"]
    if ev.engine_doubt:
        what = "pattern" if "pattern given" in ev.engine_doubt else "engine"
        record = f"the {what} given, checked: {ev.engine_doubt}"
        # lost and extra edges are seen without any engine
        case.doubt([f for f in case.found if f["detail"].get("kind") != "edges"], 0.5, record)
        case.missing.append(record)
    elif ev.unusable_share > MOST_UNUSABLE:
        # what the few that are left say is no sample of the log, and a wrong engine file reads so
        case.doubt(
            rest,
            0.8,
            "the engine file checked (cylinders, firing order, wheel, angles), then a log at steady speeds: "
            f"{100 * ev.unusable_share:.0f} % of the firings of this one cannot be judged",
        )
    case.doubt(
        [f for f in case.of("misfire") if _every_second(f, ev)],
        0.9,
        f"the number of cylinders, checked, and whether the engine shuts every second one off by itself: one of "
        f"{ev.engine.cylinders // 2} moves like this. If neither, the controller's counts (--counts) or codes of these cylinders",
    )
    if "P0363" in ev.codes:
        case.doubt(
            [f for f in case.of("misfire") if f["detail"].get("steady") or "dead_from_s" in f["detail"]],
            0.5,
            "P0363 says that the controller has shut injectors off: clear that state (or restore the injector) and record "
            "again, because the dead cylinder may be its consequence",
        )


def _every_second(f: dict[str, Any], ev: Evidence) -> bool:
    """Every second cylinder in firing order is dead, on an engine of six or more, and no code or count tells of them."""
    order = list(ev.engine.firing_order)
    rows = [c for c in ev.cylinders if c.firings and c.misfires > DEAD * c.firings]
    dead = {x for c in rows for x in pair_of(ev, c.cylinder)} & set(f["cylinders"])
    place = {order.index(x) if isinstance(x, int) else ord(x) - ord("A") for x in dead}
    every = set(range(len(order)))
    if len(order) < 6 or not any({k for k in every if k % 2 == side} <= place for side in (0, 1)):
        return False
    told = any((c.reported or 0) >= 10 for c in rows)
    return not told and not any(f"P03{c:02d}" in ev.codes for c in dead if isinstance(c, int))


def _say_if_names_are_exchanged(ev: Evidence, case: _Case) -> None:
    for counted, missed in exchanged_names(ev):
        for f in case.of("misfire"):
            if missed.cylinder in f["cylinders"]:
                f["next_steps"].insert(
                    0,
                    f"Check the firing order and the cylinder-1 mark first: {missed.misfires} misfires are found on "
                    f"{name_of(missed.cylinder)}, {counted.reported} counted on {name_of(counted.cylinder)}.",
                )


def _wheel_first(case: _Case) -> None:
    """Cylinders that the controller may have shut off after false counts: no parts before a record without that."""
    for f in case.found:
        for m in missed_too(f, case.found):
            if "dead_from_s" in m["detail"]:
                first, then, *_ = m["next_steps"]
                m["next_steps"] = [
                    first,
                    f"Only if it misses in that record too: {then[0].lower()}{then[1:]}",
                ]


def _ask(ev: Evidence, case: _Case) -> None:
    """What to record, or to read, to decide what is open."""
    missing, where = case.missing, [c["detail"].get("where") for c in case.weaker]
    if "stored" in where and not ev.counts_given:
        missing.append(
            "the controller's misfire counts of each cylinder, read before and after a drive of some minutes (--counts), with "
            "the log of that drive: counts on cylinders that fire prove a false detection"
        )
    if {"undecided", "weak_or_wheel", "size_open"} & set(where):
        missing += [
            "a coast-down with the fuel cut from about 3000 to 1500 rpm (20 turns or more), or",
            "two steady speeds at least a factor 1.5 apart at like load: a wheel error keeps its share of the time, "
            "a misfire does not",
        ]
    if any(c["cause"] == "driveline" for c in case.weaker):
        missing.append(
            "the same load at another speed, a factor 1.2 apart: a resonance keeps its frequency, a shaft or belt does not"
        )
    if "edges" in where:
        missing.append(
            "the same drive again after the crank signal is put right: whether these misfires are true cannot be told through it"
        )
    for c in case.weaker:
        if c["detail"].get("where") == "dead_or_weak":
            name = name_of(c["cylinders"][0])
            missing.append(
                f"{name}: dead, or firing weakly in every cycle: record with its injector commanded off for ten seconds "
                "(--known-cut); if nothing changes then, it was dead before"
            )
    if ev.phase == "unknown" and case.of("misfire") and ev.engine.companions:
        missing.append(
            "a cam signal or a cylinder-1 mark: which of the two companions misfires cannot be told without it"
        )
    if not ev.named:
        missing.append(
            "a cylinder-1 mark, a cam signal with known edges or a short commanded cut of a named cylinder (--known-cut)"
        )


def _nothing_to_clear(ev: Evidence, case: _Case) -> bool:
    """Without a firm finding: the log could not have shown one; what to record is added."""
    if case.found:
        return False
    open_ = bool(case.weaker) or bool(ev.engine_doubt)
    if ev.usable_turns < LEAST_TURNS:
        open_ = True
        case.missing.append(f"a longer record: at least {LEAST_TURNS} turns of firing, a minute is better")
    if idle := unjudged(ev):
        open_ = True
        case.missing.append(
            f"a log in which {' and '.join(name_of(c) for c in idle)} can be judged as often as the others: here it was cut, or unusable"
        )
    if ev.unusable_share > 0.5:
        open_ = True
        case.missing.append(
            "a finer clock, a cleaner signal or a lower speed: most firings were lost in noise"
        )
    if ev.nothing_fired:
        open_ = True
        case.missing.append("the engine running under its own power")
    return open_


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
