"""One case: make the files, run the command line, hold the answer against the truth and against the contract."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import pickle
import subprocess
import sys
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from .drive import Drive, Motion, run
from .gas import DEG, LAYOUTS
from .sensor import Edges, Wheel, sense, waveform, write_channels, write_engine, write_teeth

ROOT = Path(__file__).parents[2]
STATES = {"firing", "misfire", "motoring", "unusable"}
TOP = {
    "format",
    "version",
    "log",
    "signal",
    "phase",
    "pattern",
    "cylinders",
    "windows",
    "verdict",
    "assumptions",
}
CYL = {
    "cylinder", "firings", "misfires", "partial", "rate_pct", "rate_ci95_pct", "misfires_uncorrected", "reported",
    "mean_lost_work", "unusable",
}  # fmt: skip
CHANNELS = ("load_pct", "map_kpa", "speed_rpm", "fuel_cut")


@dataclass(frozen=True)
class Expect:
    """What the contract asks of this case. `must`: (cause, cylinders or None, detail kind or where, or None)."""

    status: tuple[str, ...] = ("clear",)
    must: tuple[tuple[str, tuple[int, ...] | None, str | None], ...] = ()
    may: tuple[str, ...] = ()  # causes that may stand beside without being wrong
    recall: float = 0.8  # share of true misfires that come out as `misfire`
    false_share: float = 0.0005  # events that fire (or motor) and are called misfire
    unusable: float = 0.25
    code: int = 0
    phase: str | None = None
    named: bool = True  # cylinder numbers are compared
    partial_cylinder: int | None = None


@dataclass(frozen=True)
class Case:
    """A case by name; `group` for the table."""

    name: str
    group: str
    drive: Drive
    wheel: Wheel
    expect: Expect
    form: str = "time_us"
    clock_hz: float = 1e6
    start: float = 0.0
    channels: tuple[str, ...] | None = CHANNELS
    cut_late_s: float = 0.0
    offset: bool = True
    wheel_given: bool = True
    cam: tuple[float, ...] = (70.0,)
    mark: float | None = None
    waste: bool = False
    counts: tuple[tuple[int, int], ...] | None = None
    monitor: str | None = "yes"
    args: tuple[str, ...] = ()
    engine_arg: str | None = None
    samples: str | None = None  # "csv" or "wav"
    more_drives: tuple[Drive, ...] = ()
    clip_s: tuple[float, float] | None = None


@dataclass
class Outcome:
    """What came out; `faults` empty = passed."""

    name: str
    group: str
    faults: list[str] = field(default_factory=list)
    facts: dict[str, object] = field(default_factory=dict)


def motion_of(drive: Drive, cache: Path | None) -> Motion:
    """The run, from the cache when it was made before."""
    if cache is None:
        return run(drive)
    key = cache / (hashlib.sha1(repr(drive).encode()).hexdigest()[:16] + ".pickle")
    if not key.exists():
        cache.mkdir(parents=True, exist_ok=True)
        key.write_bytes(pickle.dumps(run(drive)))
    return pickle.loads(key.read_bytes())


def _clip(edges: Edges, span: tuple[float, float] | None) -> Edges:
    if span is None:
        return edges

    def cut(x: np.ndarray) -> np.ndarray:
        return x[(x >= span[0]) & (x < span[1])]

    return Edges(cut(edges.crank_s), cut(edges.cam_s), cut(edges.cylinder1_s), edges.lost, edges.extra)


def make(case: Case, folder: Path, cache: Path | None) -> tuple[list[str], Motion, Edges]:
    """Write the files of a case; returns arguments, the run and its edges (of the first log)."""
    folder.mkdir(parents=True, exist_ok=True)
    layout = LAYOUTS[case.drive.layout]
    logs: list[str] = []
    first: tuple[Motion, Edges] | None = None
    for number, drive in enumerate((case.drive, *case.more_drives)):
        motion = motion_of(drive, cache)
        edges = _clip(sense(motion, case.wheel, case.cam, case.mark, case.waste), case.clip_s)
        first = first or (motion, edges)
        path = folder / f"log{number}.csv"
        if case.samples:
            t, volts = waveform(motion, case.wheel, 100e3, 25.0)
            if case.samples == "wav":
                from scipy.io import wavfile

                path = path.with_suffix(".wav")
                wavfile.write(path, 100_000, (volts / np.abs(volts).max() * 30000).astype(np.int16))
            else:
                rows = np.column_stack([t, volts])
                np.savetxt(
                    path, rows, fmt=["%.6f", "%.3f"], delimiter=",", header="time_s,crank_v", comments=""
                )
        else:
            write_teeth(path, edges, form=case.form, clock_hz=case.clock_hz, start=case.start)
        logs.append(path.name)
    assert first is not None
    args = [*logs]
    if case.engine_arg:
        args += ["--engine", case.engine_arg]
    else:
        wheel = case.wheel if case.wheel_given else None
        write_engine(
            folder / "engine.toml",
            layout,
            wheel,
            offset=case.offset,
            cam=case.cam,
            mark=case.mark,
            waste=case.waste,
        )
        args += ["--engine", "engine.toml"]
    if case.channels:
        slow = {k: (v + case.start if k == "time_s" else v) for k, v in first[0].channels.items()}
        write_channels(folder / "channels.csv", slow, case.channels, case.cut_late_s)
        args += ["--channels", "channels.csv"]
    if case.counts is not None:
        top = f"# monitor_ran = {case.monitor}\n" if case.monitor else ""
        rows = "".join(f"{c},{k}\n" for c, k in case.counts)
        (folder / "counts.csv").write_text(top + "cylinder,misfires\n" + rows)
        args += ["--counts", "counts.csv"]
    return [*args, *case.args], *first


def command(args: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run `misfire analyse` as a user would."""
    env = {
        **os.environ,
        "PYTHONPATH": os.environ.get("SECOND_ENGINE_SOURCE", str(ROOT)),
        "OPENBLAS_NUM_THREADS": "1",
        "COLUMNS": "200",
    }
    line = [sys.executable, "-m", "misfire", "analyse", *args]
    return subprocess.run(line, cwd=folder, env=env, capture_output=True, text=True, timeout=600, check=False)


def judge(case: Case, folder: Path, cache: Path | None) -> Outcome:
    """The whole case."""
    args, motion, edges = make(case, folder, cache)
    args += ["--json", "result.json", "--events", "events.csv"]
    for old in ("result.json", "events.csv"):
        (folder / old).unlink(missing_ok=True)
    (folder / "command.txt").write_text("misfire analyse " + " ".join(args) + "\n")
    done = command(args, folder)
    out = Outcome(case.name, case.group)
    (folder / "stdout.txt").write_text(done.stdout + "\n--- stderr\n" + done.stderr)
    want = case.expect
    if "Traceback" in done.stderr:
        out.faults.append("TRACEBACK " + done.stderr.strip().splitlines()[-1])
    if done.returncode != want.code:
        out.faults.append(f"exit {done.returncode}, expected {want.code}: {done.stderr.strip()[-200:]}")
    if want.code or done.returncode:
        out.facts["stderr"] = done.stderr.strip()[-300:]
        if len(done.stderr.strip().splitlines()) != 1:
            out.faults.append(f"message on stderr has {len(done.stderr.strip().splitlines())} lines")
        return out
    result = json.loads((folder / "result.json").read_text())
    with (folder / "events.csv").open() as text:
        rows = list(csv.DictReader(text))
    _form(result, rows, out)
    if not case.more_drives:
        _events(case, motion, edges, result, rows, out)
    _verdict(case, result, out)
    return out


def _form(result: dict, rows: list[dict], out: Outcome) -> None:
    """Keys and sums that the contract names."""
    if TOP - set(result):
        out.faults.append(f"FORM keys missing: {sorted(TOP - set(result))}")
    for one in result["cylinders"]:
        if CYL - set(one):
            out.faults.append(f"FORM cylinder keys missing: {sorted(CYL - set(one))}")
            break
    states = {r["state"] for r in rows}
    if states - STATES:
        out.faults.append(f"FORM states {states - STATES}")
    events = [int(r["event"]) for r in rows]
    turns = [int(r["turn"]) for r in rows]
    if events and (events[0] != 0 or any(b - a != 1 for a, b in pairwise(events))):
        out.faults.append(f"FORM event does not count from 0 by one: {events[:3]}")
    if turns and (min(turns) > 2 or any(b < a for a, b in pairwise(turns))):
        out.faults.append(f"FORM turn from {min(turns)}")
    for one in result["cylinders"]:
        mine = [r for r in rows if r["cylinder"] == str(one["cylinder"])]
        n = sum(r["state"] == "misfire" for r in mine)
        if mine and n != one["misfires"]:
            out.faults.append(f"FORM cylinder {one['cylinder']}: {one['misfires']} misfires, {n} rows")


def _pct(flag: np.ndarray) -> float | None:
    """Share of True in per cent, None of nothing."""
    return round(100 * float(flag.mean()), 1) if flag.size else None


def _events(case: Case, motion: Motion, edges: Edges, result: dict, rows: list[dict], out: Outcome) -> None:
    """Rows against the truth."""
    want = case.expect
    truth = motion.tdc_s
    crank = edges.crank_s
    if case.samples:
        crank = crank[(crank > motion.time_s[5]) & (crank < min(motion.time_s[-5], motion.time_s[5] + 25.0))]
    shift = -motion.time_s[5] if case.samples == "wav" else case.start
    if case.form == "tick32":
        shift = (2**32 - 5_000_000) / case.clock_hz
    if case.form.startswith("period"):
        shift = -crank[1] if case.form else 0.0
    front_deg = motion.front_rad / DEG
    low, high = (np.interp(crank[i], motion.time_s, front_deg) for i in (0, -1))
    due = (motion.tdc_deg - 186 >= low) & (motion.tdc_deg + 306 <= high)
    got = np.array([float(r["time_s"]) for r in rows]) - shift
    if got.size == 0:
        out.faults.append("EVENTS none")
        return
    if case.form.startswith("period"):  # the clock starts at an edge that the file does not tell: align
        near = np.abs(truth[:, None] - got[None, :5]).argmin(axis=0)
        got = got + np.median(truth[near] - got[:5])
    i = np.clip(np.searchsorted(got, truth), 1, got.size - 1) if got.size > 1 else np.zeros(truth.size, int)
    i = np.where(np.abs(got[i - 1] - truth) < np.abs(got[i] - truth), i - 1, i)
    w_deg = np.interp(truth, motion.time_s, motion.front_w) / DEG
    off = (got[i] - truth) * w_deg
    interval = 720.0 / len(LAYOUTS[case.drive.layout].order)
    hit = np.abs(off) < min(0.35 * interval, 60)
    out.facts["tdc_off_deg"] = round(float(np.median(off[hit & due])), 2) if (hit & due).any() else None
    lack = int((due & ~hit).sum())
    if lack:
        out.faults.append(f"EVENTS {lack} of {int(due.sum())} firing TDCs without a row")
    if out.facts["tdc_off_deg"] is not None and abs(out.facts["tdc_off_deg"]) > (
        3 if case.offset and case.wheel_given else 12
    ):
        out.faults.append(f"EVENTS time of TDC is {out.facts['tdc_off_deg']} deg off")
    state = np.array([r["state"] for r in rows])[i]
    name = np.array([r["cylinder"] for r in rows])[i]
    ok = due & hit
    if want.named and result["phase"] == "measured" and all(x.isdigit() for x in set(name)):
        wrong = int((name[ok] != motion.cylinder[ok].astype(str)).sum())
        if wrong > 0:
            out.faults.append(f"EVENTS {wrong} of {int(ok.sum())} rows carry another cylinder's number")
    true = ok & (motion.lost >= 0.9) & ~motion.cut
    false = ok & (motion.lost < 0.9) & (state == "misfire")
    decided = ok & (state != "unusable")
    found = int((state[true] == "misfire").sum())
    out.facts |= {
        "events": int(ok.sum()),
        "true_misfires": int(true.sum()),
        "seen": found,
        "seen_as": {s: int((state[true] == s).sum()) for s in sorted(STATES)},
        "false": int(false.sum()),
        "false_in_cut": int((false & motion.cut).sum()),
        "unusable_pct": round(100 * float(1 - decided.sum() / max(1, ok.sum())), 1),
        "motoring_ok_pct": _pct(state[ok & motion.cut & (state != "unusable")] == "motoring"),
        "cut_unusable_pct": _pct(state[ok & motion.cut] == "unusable"),
        "motoring_wrong": int((ok & ~motion.cut & (state == "motoring")).sum()),
    }
    if true.sum() >= 3 and found < want.recall * true.sum():
        out.faults.append(
            f"MISSED {int(true.sum()) - found} of {int(true.sum())} true misfires {out.facts['seen_as']}"
        )
    if false.sum() > max(0, want.false_share * ok.sum()):
        out.faults.append(
            f"FALSE {int(false.sum())} of {int(ok.sum())} firing events called misfire ({out.facts['false_in_cut']} in cut)"
        )
    if out.facts["unusable_pct"] > 100 * want.unusable:
        out.faults.append(f"UNUSABLE {out.facts['unusable_pct']} % of the events")
    if out.facts["motoring_ok_pct"] is not None and out.facts["motoring_ok_pct"] < 85:
        out.faults.append(
            f"MOTORING only {out.facts['motoring_ok_pct']} % of the events in fuel cut are motoring"
        )
    if out.facts["cut_unusable_pct"] is not None and out.facts["cut_unusable_pct"] > 45:
        out.faults.append(
            f"MOTORING {out.facts['cut_unusable_pct']} % of the events in fuel cut are unusable"
        )
    if out.facts["motoring_wrong"] > 0.01 * ok.sum() + 3 * len(LAYOUTS[case.drive.layout].order) + 200 * abs(
        case.cut_late_s
    ):
        out.faults.append(f"MOTORING {out.facts['motoring_wrong']} fired events called motoring")


def _verdict(case: Case, result: dict, out: Outcome) -> None:
    """Status and findings."""
    want, verdict = case.expect, result["verdict"]
    got = [(f["cause"], tuple(f["cylinders"]), f.get("detail", {})) for f in verdict["findings"]]
    out.facts |= {
        "status": verdict["status"],
        "findings": [
            f"{f['cause']} {f['cylinders']} {round(f['confidence'], 3)} {f.get('detail', {})}"
            for f in verdict["findings"]
        ],
        "candidates": [
            f"{c['cause']} {c['cylinders']} {round(c['confidence'], 2)}" for c in verdict["candidates"]
        ],
        "headline": verdict["headline"],
        "phase": result["phase"],
        "learned": result["pattern"]["learned_from"],
        "lost_work": [
            round(c["mean_lost_work"], 2) if c["mean_lost_work"] is not None else None
            for c in result["cylinders"]
        ],
        "signal": {k: v for k, v in result["signal"].items() if k != "notes"},
    }
    if want.phase and result["phase"] != want.phase:
        out.faults.append(f"PHASE {result['phase']}, expected {want.phase}")
    if verdict["status"] not in want.status:
        out.faults.append(f"STATUS {verdict['status']}, expected {' or '.join(want.status)}")
    wanted = set()
    for cause, cylinders, kind in want.must:
        wanted.add(cause)
        fits = [g for g in got if g[0] == cause]
        if not fits:
            if verdict["status"] not in want.status or want.status == ("found",):
                out.faults.append(f"LACKS {cause} {cylinders} {kind}")
            continue
        if cylinders is not None and not any(set(g[1]) == set(cylinders) for g in fits):
            out.faults.append(f"CYLINDERS {cause} {[g[1] for g in fits]}, expected {cylinders}")
        if kind is not None and not any(kind in (g[2].get("kind"), g[2].get("where")) for g in fits):
            out.faults.append(f"DETAIL {cause} {[g[2] for g in fits]}, expected {kind}")
    for cause, cylinders, detail in got:
        if cause not in wanted and cause not in want.may:
            out.faults.append(
                f"FALSE FINDING {cause} {cylinders} {detail.get('kind', detail.get('where', ''))}"
            )
    for f in verdict["findings"]:
        if f["confidence"] < 0.95:
            out.faults.append("FORM finding below 0.95")
    if want.partial_cylinder:
        one = next(c for c in result["cylinders"] if c["cylinder"] == want.partial_cylinder)
        out.facts["partial"] = one["partial"]
        if one["partial"] < 5:
            out.faults.append(f"PARTIAL cylinder {want.partial_cylinder}: only {one['partial']} counted")
