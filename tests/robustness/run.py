"""Run commands on bad files in this process and hold them to their promise.

python -m tests.robustness --inputs 5000 --first 0
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import resource
import shutil
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from misfire.cli import main
from tests.robustness.good import every_kind
from tests.robustness.mutations import NUMBERS, PLACES, WORDS, mutate

LIMIT_S = 10.0
LIMIT_BYTES = 2 << 30
# share of the inputs by the kind of file
KINDS = {
    "log": 0.52,
    "options": 0.06,
    "engine": 0.1,
    "channels": 0.1,
    "counts": 0.1,
    "pattern": 0.05,
    "job": 0.04,
    "scenario": 0.03,
}

_OPTIONS = (
    "engine firing-order wheel first-tooth channels counts codes known-cut pattern job time-column crank-column "
    "cam-column cylinder1-column signal-column crank-channel cam-channel threshold edge counter-bits clock-hz "
    "sample-rate cam-file cam-offset"
)
OPTIONS = ["--" + name for name in _OPTIONS.split()]


@dataclass(frozen=True)
class Case:
    """A bad file, the command on it, and the files that the command was asked for."""

    what: str
    args: list[str]
    outputs: list[Path]


class Bench:
    """A folder with good files, and bad ones made from them by number."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.kinds = every_kind()
        self.good = folder / "good"
        self.good.mkdir(parents=True, exist_ok=True)
        for names in self.kinds.values():
            for name, content in names.items():
                (self.good / name).write_bytes(content)

    def case(self, number: int) -> Case:
        """The bad input of that number; the same at every call."""
        rng = np.random.default_rng([20261125, number])
        kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
        if kind == "options":
            return self._options(number, rng)
        names = self.kinds[kind]
        name = str(rng.choice(sorted(names)))
        file = self.folder / "bad" / name
        if rng.random() < 0.06:
            place = PLACES[int(rng.integers(0, len(PLACES)))]
            place(file)
            how = place.__name__
        else:
            content, how = mutate(names[name], rng)
            file.write_bytes(content)
        args, outputs = self._command(kind, file, rng)
        return Case(f"{number}: {kind} {name} {how}: {' '.join(args)}", args, outputs)

    def _options(self, number: int, rng: np.random.Generator) -> Case:
        """Good files with one to three options that hold nonsense."""
        result = self.folder / "out" / "result.json"
        log = str(self.good / str(rng.choice(sorted(self.kinds["log"]))))
        args = [str(rng.choice(["inspect", "analyse"])), log, "--json", str(result)]
        args += ["--engine", str(self.good / "engine.toml")] if rng.random() < 0.8 else []
        for name in rng.choice(np.array(OPTIONS), int(rng.integers(1, 4)), replace=False).tolist():
            words = (
                *NUMBERS,
                *WORDS,
                "1-3-4-2",
                "60-2",
                "rising",
                "2@1-0",
                "2@nan-5",
                "P0300",
                "time_s",
                "crank_v",
            )
            args += [name, str(rng.choice(np.array(words, dtype=object)))]
        return Case(f"{number}: options: {args}", args, [result])

    def _command(self, kind: str, file: Path, rng: np.random.Generator) -> tuple[list[str], list[Path]]:
        out = self.folder / "out"
        log, engine = str(self.good / "times.csv"), str(self.good / "engine.toml")
        result, events, report = (out / n for n in ("result.json", "events.csv", "report.html"))
        asked = ["--json", str(result), "--events", str(events)]
        wanted = [result, events]
        if rng.random() < 0.15 or kind == "job":
            asked += ["--report", str(report)]
            wanted.append(report)
        bad = str(file)
        match kind:
            case "log":
                pick = rng.random()
                if pick < 0.35:
                    return ["inspect", bad, "--json", str(result)], [result]
                if pick < 0.45:
                    return ["inspect", bad, "--engine", engine, "--json", str(result)], [result]
                if pick < 0.5:
                    return ["ready", str(self.good / "channels.csv"), bad, "--json", str(result)], [result]
                if pick < 0.55:
                    return ["inspect", log, "--cam-file", bad, "--json", str(result)], [result]
                if pick < 0.6:
                    return ["compare", log, bad, "--engine", engine, "--json", str(result)], [result]
                return ["analyse", bad, "--engine", engine, *asked], wanted
            case "engine":
                return ["analyse", log, "--engine", bad, *asked], wanted
            case "channels":
                if rng.random() < 0.5:
                    return ["ready", bad, "--json", str(result)], [result]
                return ["analyse", log, "--engine", engine, "--channels", bad, *asked], wanted
            case "counts":
                both = f"{bad},{self.good / 'read.txt'}" if rng.random() < 0.2 else bad
                return ["analyse", log, "--engine", engine, "--counts", both, *asked], wanted
            case "pattern":
                if rng.random() < 0.3:
                    return ["pattern", log, "--engine", engine, "--against", bad, "--json", str(result)], [
                        result
                    ]
                return ["analyse", log, "--engine", engine, "--pattern", bad, *asked], wanted
            case "job":
                return ["analyse", log, "--engine", engine, "--job", bad, *asked], wanted
        where = out / "simulated"
        return ["simulate", bad, "--out", str(where), "--json", str(result)], [result, where / "log.csv"]

    def clear(self) -> None:
        """Empty the folders of bad files and of outputs."""
        for name in ("bad", "out"):
            shutil.rmtree(self.folder / name, ignore_errors=True)
            (self.folder / name).mkdir()


class TooSlowError(BaseException):
    """The command ran longer than the limit."""


@contextlib.contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Raise TooSlowError inside after so many seconds of this process's time (and 6 times that on the clock)."""

    def stop(*_: object) -> None:
        raise TooSlowError

    old = [signal.signal(s, stop) for s in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 6 * seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for s, handler in zip((signal.SIGPROF, signal.SIGALRM), old, strict=True):
            signal.signal(s, handler)


def _end_of_trace() -> str:
    """The error and the last places of our own on the way to it."""
    kind, error, tb = sys.exc_info()
    ours = [f for f in traceback.extract_tb(tb) if "misfire" in f.filename][-3:]
    places = " > ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in ours)
    return f"{kind.__name__ if kind else ''}: {str(error)[:300]} at {places}"


def call(args: list[str]) -> tuple[int | None, str, str, str]:
    """Run one command here: exit code (None: no clean end), stdout, stderr, traceback."""
    out, err = io.StringIO(), io.StringIO()
    old = sys.argv
    sys.argv = ["misfire", *args]
    trace = ""
    code: int | None = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), limited(LIMIT_S):
            main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
    except TooSlowError:
        code, trace = None, f"longer than {LIMIT_S:g} s: {_end_of_trace()}"
    except BaseException:
        code, trace = None, _end_of_trace()
    finally:
        sys.argv = old
    return code, out.getvalue(), err.getvalue(), trace


def faults(case: Case, folder: Path, codes: list[int] | None = None) -> list[str]:
    """Run a case and list the promises it breaks; its exit code is added to `codes`."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        code, out, err, trace = call(case.args)
    wrong: list[str] = []
    if code is None:
        return [trace]
    if codes is not None:
        codes.append(code)
    if code not in (0, 2, 3):
        wrong.append(f"exit code {code}")
    hidden = [p for p in folder.rglob("*") if p.name.startswith(".")]
    if hidden:
        wrong.append(f"temporary files left: {hidden}")
    said = out + err
    control = [c for c in said if (ord(c) < 32 and c not in "\n\t") or ord(c) in (127, 0x202E)]
    if control:
        wrong.append(f"control characters reach the terminal: {control[:5]}")
    if code == 0:
        wrong += [f"{p.name} was not written" for p in case.outputs if not p.exists()]
        wrong += [f"{p.name}: {w}" for p in case.outputs if p.exists() for w in content_faults(p)]
    else:
        if err.count("\n") != 1 or not err.startswith("misfire: "):
            wrong.append(f"not one line on stderr: {err[:500]!r}")
        if len(err) > 1500:
            wrong.append(f"a line of {len(err)} characters")
        if out:
            wrong.append(f"stdout is not empty: {out[:200]!r}")
        wrong += [f"{p.name} is there although the command failed" for p in case.outputs if p.exists()]
    return wrong


def content_faults(path: Path) -> list[str]:
    """A result file is whole, and nothing from the input acts in it."""
    text = path.read_text("utf-8")
    if path.suffix == ".json":
        try:
            json.loads(text, parse_constant=lambda c: 1 / 0)
        except (ValueError, ZeroDivisionError) as e:
            return [f"no strict JSON: {e}"]
    if path.suffix == ".csv":
        cells = (c for line in text.splitlines() if line[:1] != "#" for c in line.split(","))
        bad = [
            c
            for c in cells
            if c[:1] in ("=", "@", "+", "\t") or (c[:1] == "-" and not re.match(r"-[\d.]", c))
        ]
        return [f"a cell that a spreadsheet would run: {bad[0]!r}"] if bad else []
    if path.suffix == ".html":
        wrong = [] if text.rstrip().endswith("</html>") else ["the page is not whole"]
        return wrong + (["markup from the input"] if "<script>alert" in text else [])
    return []


def run(bench: Bench, first: int, count: int, *, tell: bool = False) -> dict[str, object]:
    """Inputs first to first + count; the faults by input, how the commands ended, the longest one."""
    found: dict[str, list[str]] = {}
    ends: dict[str, int] = {}
    by_code: dict[str, int] = {}
    longest = (0.0, "")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    peak = before
    for number in range(first, first + count):
        bench.clear()
        case = bench.case(number)
        began = time.process_time()
        codes: list[int] = []
        wrong = faults(case, bench.folder / "out", codes)
        took = time.process_time() - began
        now = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        if now - peak > 200 << 20 and tell:
            print(f"   +{(now - peak) >> 20} MB: {case.what}", flush=True)
        if now - before > LIMIT_BYTES:
            wrong.append(f"{(now - before) >> 20} MB")
        peak = max(peak, now)
        longest = max(longest, (took, case.what))
        end = "broken" if not codes else "refused" if codes[0] else "answered"
        ends[end] = ends.get(end, 0) + 1
        name = f"exit {codes[0]}" if codes else "no end"
        by_code[name] = by_code.get(name, 0) + 1
        if wrong:
            found[case.what] = wrong
            if tell:
                print(f"## {case.what}\n" + "\n".join(wrong), flush=True)
    bench.clear()
    memory_mb = int(peak - before) >> 20
    return {"faults": found, "ends": ends, "codes": by_code, "longest_s": longest, "memory_mb": memory_mb}
