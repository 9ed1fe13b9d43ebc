"""Tell a story: simulate both sides, analyse, compare, and hold the answer against the truth."""

from __future__ import annotations

import time
import traceback
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from misfire.comparison import CompareOptions, Side, compare
from misfire.intake.counts import Counts
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Phase, Scenario, Simulated, simulate
from tests.benchmarks.stories.tell import Story, draw

# Fewer counts of the controller before than these leave a story untold: there is nothing to clear.
_ENOUGH = 25


def side_of(done: Simulated, story: Story, monitor_ran: bool | None) -> Side:
    """A simulated log as the command line would hand it over."""
    counts = None
    if story.counts and done.counts is not None:
        counts = Counts(dict(done.counts), dict(done.counts), "during_log", monitor_ran)
    got = analyse(
        done.recording,
        AnalyseOptions(done.engine),
        channels=[done.channels] if story.channels else [],
        counts=counts,
    )
    return Side(got.to_dict(), got.events, got.engine)


def run_one(name: str, seed: int) -> dict[str, Any]:
    """The answer of a story's seed and whether it is right; `skipped` when its truth came out differently."""
    out: dict[str, Any] = {"story": name, "seed": seed, "skipped": "", "right": False, "again": None}
    began = time.process_time()
    try:
        story = draw(name, seed)
        before = [simulate(s) for s in story.before]
        after = [simulate(s) for s in story.after]
        out["engine"] = story.before[0].engine.name
        if story.counts and _false_counts(before) < _ENOUGH:
            return out | {"skipped": "the stale pattern made hardly a count"}
        if story.want[0].startswith("cleared") and _too_few(before):
            return out | {"skipped": "too few counts on a cylinder: nothing could prove them gone"}
        if "cleared_cause_present" in story.want and _false_counts(after) > 0.02 * _false_counts(before):
            return out | {"skipped": "the counts are not gone"}
        sides = (
            [side_of(d, story, True) for d in before],
            [side_of(d, story, story.monitor_ran) for d in after],
        )
        got = compare(*sides, CompareOptions(swapped=story.swapped))
        out |= told(story, got, sides, before, after)
        if story.drive_again and out["right"]:
            out["again"] = _drive_again(story, sides, got)
    except Exception as err:
        out |= {"crash": f"{type(err).__name__}: {err}", "trace": traceback.format_exc()}
    out["cpu_s"] = time.process_time() - began
    return out


def _false_counts(before: Sequence[Simulated]) -> int:
    """The most counts on firings that burned, of any cylinder."""
    return max(
        sum((d.counts or {}).get(c, 0) - d.truth.misfires[c] for d in before)
        for c in range(1, before[0].engine.cylinders + 1)
    )


def _too_few(before: Sequence[Simulated]) -> bool:
    """Whether a cylinder has counts that a drive of equal length cannot prove gone (3/n is the bound of none)."""
    counts = [
        sum((d.counts or {}).get(c, 0) for d in before) for c in range(1, before[0].engine.cylinders + 1)
    ]
    # one count in a thousand is isolated, a twentieth of all does not hold up the answer
    least = max(1.0, 0.05 * sum(counts))
    return any(least < k < 45 for k in counts)


def told(
    story: Story,
    got: dict[str, Any],
    sides: tuple[Sequence[Side], Sequence[Side]],
    before: Sequence[Simulated],
    after: Sequence[Simulated],
) -> dict[str, Any]:
    """What the comparison said, and whether that is right."""
    verdict = got["verdict"]
    mates = story.before[0].engine.companions
    unknown = any(s.result["phase"] == "unknown" for side in sides for s in side)
    named = True
    for c in story.name:
        options = {c, mates.get(c, c)} if unknown else {c}
        named &= any(str(x) in verdict["headline"] for x in options)
    return {
        "answer": verdict["answer"],
        "right": verdict["answer"] in story.want and named,
        "headline": verdict["headline"],
        "reasons": verdict["reasons"],
        "missing": verdict["missing"],
        "needed_firings": verdict["needed_firings"],
        "needed_drive": verdict["needed_drive"],
        "rows": [
            (c["cylinder"], c["before"]["misfires"], c["before"]["firings"], c["after"]["misfires"],
             c["after"]["firings"], c["before"]["reported"], c["after"]["reported"], c["answer"])
            for c in got["cylinders"]
        ],
        "truth": [[d.truth.misfires for d in part] for part in (before, after)],
        "counts": [[d.counts for d in part] for part in (before, after)],
        "verdicts": [[s.result["verdict"]["headline"] for s in side] for side in sides],
        "phase": sides[0][0].result["phase"],
        "rpm": story.before[0].programme[0].rpm,
    }  # fmt: skip


def _drive_again(story: Story, sides: tuple[Sequence[Side], Sequence[Side]], got: dict[str, Any]) -> bool:
    """Drive the minutes named, at the speed and load named, and ask again."""
    assert story.repaired is not None
    own = story.repaired.programme[0].load_pct
    phases = tuple(
        Phase(
            duration_s=60.0 * leg["minutes"],
            rpm=leg["speed_rpm"],
            load_pct=own if leg["load_pct"] is None else leg["load_pct"],
        )
        for leg in got["verdict"]["needed_drive"]
    )
    more: Scenario = replace(story.repaired, programme=phases, seed=story.repaired.seed + 1)
    logs = [*sides[1], side_of(simulate(more), story, True)]
    return bool(compare(sides[0], logs)["verdict"]["answer"] == "cleared")


def line(r: dict[str, Any]) -> str:
    """A run in one line."""
    head = f"{r['story']} {r['seed']} {r.get('engine', '')}"
    if "crash" in r:
        return f"{head} CRASH {r['crash']}"
    if r["skipped"]:
        return f"{head} not told: {r['skipped']}"
    word = "ok" if r["right"] and r["again"] is not False else "WRONG"
    text = f"{head} {word} {r['answer']} {r.get('phase')} {r['headline']}"
    if word != "ok":
        text += (
            f"\n    rows {r['rows']}\n    truth {r['truth']} counts {r['counts']} again {r['again']} drive {r['needed_drive']}"
            f"\n    verdicts {r['verdicts']}\n    reasons {r['reasons']}\n    missing {r['missing']}"
        )
    return text
