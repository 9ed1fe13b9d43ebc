"""Run cases and print what came out."""

from __future__ import annotations

import time
import traceback
from typing import Any

from misfire.intake.counts import Counts
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import simulate
from tests.benchmarks.verdict.judge import judge_events, judge_verdict
from tests.benchmarks.verdict.scenarios import draw


def run_one(seed: int, cause: str | None = None, programme: str | None = None) -> dict[str, Any]:
    """Simulate, analyse and judge the case of a seed."""
    case = draw(seed, cause, programme)
    began = time.perf_counter()
    out: dict[str, Any] = {"seed": seed, "cause": case.cause, "programme": case.programme,
                           "name": case.scenario.name}  # fmt: skip
    try:
        done = simulate(case.scenario)
    except Exception as err:
        return out | {"simulator": f"{type(err).__name__}: {err}"}
    out["simulated_s"] = time.perf_counter() - began
    counts = None
    if case.counts and done.counts is not None:
        counts = Counts(dict(done.counts), dict(done.counts), "during_log", True)
    try:
        analysis = analyse(
            done.recording,
            AnalyseOptions(done.engine),
            channels=[done.channels] if case.channels else [],
            counts=counts,
        )
        out |= judge_verdict(case, done, analysis.result)
        out["events"] = judge_events(done, analysis)
    except Exception as err:
        return out | {"crash": f"{type(err).__name__}: {err}", "trace": traceback.format_exc()}
    clock = case.scenario.clock
    out |= {
        "took_s": time.perf_counter() - began,
        "phase": analysis.result["phase"],
        "pattern": analysis.result["pattern"]["learned_from"],
        "stable": analysis.result["pattern"]["stable"],
        "channels": case.channels,
        "clock_us": 1e6 / clock.hz,
        "rpm": (analysis.result["log"]["speed_rpm"]["min"], analysis.result["log"]["speed_rpm"]["max"]),
    }
    return out


def grade(r: dict[str, Any]) -> str:
    """One word for a run: ok, wrong (a firm finding is wrong), missed, undecided, crash, simulator."""
    if "simulator" in r:
        return "simulator"
    if "crash" in r:
        return "crash"
    if r["wrong"]:
        return "wrong"
    if r["missed"]:
        return "missed" if r["decidable"] else "open"
    return "undecided" if r["false_undetermined"] else "ok"


def line(r: dict[str, Any]) -> str:
    """A run in one line."""
    word = grade(r)
    head = f"{r['seed']} {word:9s} {r['name']}"
    if word in ("crash", "simulator"):
        return f"{head} {r.get('crash') or r.get('simulator')}"
    e = r["events"]
    lo, hi = (x or 0.0 for x in r["rpm"])
    text = (
        f"{head} {r['status']} phase={r['phase']} pattern={r['pattern']} channels={r['channels']} "
        f"clock={r['clock_us']:.1f}us rpm={lo:.0f}-{hi:.0f} must={r['must']} found={r['findings']} "
    )
    if word != "ok":
        text += f"WRONG={r['wrong']} MISSED={r['missed']} candidates={r['candidates']} "
    return text + (
        f"| events {e['events']:.0f} false {e['false']:.0f}+{e['false_motoring']:.0f} "
        f"missed {e['missed']:.0f}/{e['true']:.0f} (unusable {e['true_unusable']:.0f}, motoring "
        f"{e['true_motoring']:.0f}) unusable {100 * e['unusable'] / max(e['events'], 1):.1f} % misnamed "
        f"{e['misnamed']:.0f} bias full {e['full_bias']:+.2f} half {e['part_bias']:+.2f} {r['took_s']:.1f} s"
    )
