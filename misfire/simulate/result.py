"""What a simulation hands back, and how it is written to files."""

from __future__ import annotations

import contextlib
import gzip
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.engine import Engine
from misfire.errors import InputError
from misfire.intake.recording import Channels, Recording
from misfire.simulate.scenario import Scenario
from misfire.simulate.sensor import Edges

FloatArray = npt.NDArray[np.float64]
STATE_NAMES = ("firing", "misfire", "motoring")


@dataclass(frozen=True)
class Truth:
    """What really happened, one row a firing TDC.

    Attributes
    ----------
    tdc_s, cylinder, rpm, load_pct : array, shape (events,)
        Time [s] of the TDC on the log's clock, cylinder number, speed [1/min] at TDC, load [%].
    work_j, normal_work_j, lost_work : array, shape (events,)
        Combustion work [J], what is normal at that charge, and 1 - work/normal (1 where fuel is cut).
    state : array of int, shape (events,)
        0 firing, 1 misfire, 2 motoring (`STATE_NAMES`).
    cause : array of int, shape (events,)
        Number of the misfire rule that acted, -1 = none.
    tooth_error_deg : array, shape (teeth,)
        Sensed tooth error [deg] by tooth, positive = late, mean 0, mid-log.
    positions : array, shape (teeth,)
        Wheel position of each tooth.
    faults : dict
        Edges touched by each signal fault.
    leaks : dict
        By leaking cylinder the share of its charge [-] lost at 1000/min.
    """

    tdc_s: FloatArray
    cylinder: npt.NDArray[np.int64]
    rpm: FloatArray
    load_pct: FloatArray
    work_j: FloatArray
    normal_work_j: FloatArray
    lost_work: FloatArray
    state: npt.NDArray[np.int64]
    cause: npt.NDArray[np.int64]
    tooth_error_deg: FloatArray
    positions: npt.NDArray[np.int64]
    faults: dict[str, int]
    cylinders: int
    scenario: str = ""
    title: str = ""
    seed: int = 0
    stopped: bool = False
    notes: tuple[str, ...] = field(default=())
    leaks: dict[str, float] = field(default_factory=dict)

    @property
    def misfires(self) -> dict[int, int]:
        """Misfires by cylinder."""
        hit = self.cylinder[self.state == 1]
        return {c: int(np.sum(hit == c)) for c in range(1, self.cylinders + 1)}

    @property
    def firings(self) -> dict[int, int]:
        """Events with fuel by cylinder (misfires included)."""
        fuelled = self.cylinder[self.state != 2]
        return {c: int(np.sum(fuelled == c)) for c in range(1, self.cylinders + 1)}

    @property
    def partial(self) -> dict[int, int]:
        """Firing events with lost work from 0.3 to 0.8, by cylinder."""
        weak = self.cylinder[(self.state == 0) & (self.lost_work >= 0.3) & (self.lost_work <= 0.8)]
        return {c: int(np.sum(weak == c)) for c in range(1, self.cylinders + 1)}

    def to_dict(self) -> dict[str, Any]:
        """The truth as plain lists and numbers, for JSON."""
        return {
            "format": "misfire-truth",
            "version": 1,
            "scenario": self.scenario,
            "title": self.title,
            "seed": self.seed,
            "stopped": self.stopped,
            "misfires": {str(c): n for c, n in self.misfires.items()},
            "partial": {str(c): n for c, n in self.partial.items()},
            "firings": {str(c): n for c, n in self.firings.items()},
            "tooth_positions": self.positions.tolist(),
            "tooth_error_deg": [round(x, 6) for x in self.tooth_error_deg.tolist()],
            "faults": dict(self.faults),
            "notes": list(self.notes),
            **({"leaks": dict(self.leaks)} if self.leaks else {}),
            "events": {
                "time_s": [round(x, 7) for x in self.tdc_s.tolist()],
                "cylinder": self.cylinder.tolist(),
                "rpm": [round(x, 2) for x in self.rpm.tolist()],
                "load_pct": [round(x, 2) for x in self.load_pct.tolist()],
                "work_j": [round(x, 3) for x in self.work_j.tolist()],
                "normal_work_j": [round(x, 3) for x in self.normal_work_j.tolist()],
                "lost_work": [round(x, 4) for x in self.lost_work.tolist()],
                "state": [STATE_NAMES[k] for k in self.state.tolist()],
            },
        }


@dataclass(frozen=True)
class Simulated:
    """A simulated log with its truth."""

    scenario: Scenario
    engine: Engine
    recording: Recording
    channels: Channels
    truth: Truth
    edges: Edges
    counts: dict[int, int] | None = None

    def write(self, folder: str | Path, *, compress: bool = False) -> list[Path]:
        """Write log.csv (or log.csv.gz), engine.toml, channels.csv, truth.json; with a controller counts.csv.

        Returns the files written. Raises InputError when the folder cannot be written.
        """
        out = Path(folder)
        files: dict[str, str] = {
            "engine.toml": engine_toml(self.engine, self.scenario),
            "channels.csv": _channels_csv(self.channels),
            "truth.json": json.dumps(self.truth.to_dict(), separators=(",", ":")) + "\n",
        }
        if self.counts is not None:
            files["counts.csv"] = _counts_csv(self.counts, self.scenario.controller.monitor)
        raw = log_csv(self.edges, self.scenario).encode()
        name = "log.csv.gz" if compress else "log.csv"
        # a zero time stamp keeps the bytes the same from run to run
        whole = {name: gzip.compress(raw, 6, mtime=0) if compress else raw}
        whole |= {n: text.encode() for n, text in files.items()}
        _write_all(out, whole)
        path = out / name
        return [path, *(out / name for name in files)]


def _write_all(out: Path, files: dict[str, bytes]) -> None:
    """Write all files of a folder, or none: each under another name first, then all are moved in place."""
    temporary = {out / name: out / f".{name}.{os.getpid()}" for name in files}
    try:
        out.mkdir(parents=True, exist_ok=True)
        for path, beside in temporary.items():
            beside.write_bytes(files[path.name])
        for path, beside in temporary.items():
            os.replace(beside, path)
    except OSError as err:
        raise InputError(f"{out}: cannot be written ({err.strerror}); give another --out folder") from err
    finally:
        for beside in temporary.values():
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)


def check_folder(out: Path) -> None:
    """Raises InputError when the folder holds files under our names that no simulation wrote: they would be lost."""
    own = [
        n
        for n in ("engine.toml", "channels.csv", "counts.csv", "log.csv", "log.csv.gz")
        if (out / n).exists()
    ]
    if own and not (out / "truth.json").exists():
        raise InputError(
            f"{out}: holds {own[0]} of your own, which would be overwritten; give another --out folder"
        )


def log_csv(edges: Edges, s: Scenario) -> str:
    """The tooth-timing log as CSV text: one time column and, with marks, a `signal` column."""
    c = s.clock
    tick = np.concatenate([edges.crank_tick, edges.cam_tick, edges.cylinder1_tick])
    name = np.repeat([0, 1, 2], [len(edges.crank_tick), len(edges.cam_tick), len(edges.cylinder1_tick)])
    order = np.lexsort((name, tick))
    tick, name = tick[order], name[order]
    marked = bool(np.any(name))
    head = [f"# simulated = {s.name}"]
    if c.period:
        if marked:
            raise InputError(
                f"scenario {s.name}: a log of periods holds crank edges only; set cam and cylinder1 to false"
            )
        tick = np.diff(tick)
        name = name[1:]
    if c.tick:
        head.append(f"# clock_hz = {c.hz:.0f}")
        column = "period_tick" if c.period else "tick"
        if c.counter_bits and not c.period:
            tick = tick % (1 << c.counter_bits)
        text = [str(x) for x in tick.tolist()]
    else:
        column = "period_us" if c.period else "time_us"
        places = 0 if c.hz <= 1.000001e6 else 3
        scale = 1e6 / c.hz
        text = [f"{x * scale:.{places}f}" for x in tick.tolist()]
    if not marked:
        return "\n".join([*head, column, *text]) + "\n"
    names = ("crank", "cam", "cylinder1")
    rows = [f"{a},{names[b]}" for a, b in zip(text, name.tolist(), strict=True)]
    return "\n".join([*head, f"{column},signal", *rows]) + "\n"


def engine_toml(e: Engine, s: Scenario) -> str:
    """The engine file of the contract."""
    w = e.wheel
    assert w is not None
    lines = ["[engine]", f"cylinders = {e.cylinders}", f"firing_order = {list(e.firing_order)}"]
    if e.name:
        lines.insert(1, f"name = {json.dumps(e.name)}")
    if not e.even_firing:
        lines.append(f"firing_tdc_deg = {list(e.firing_tdc_deg)}")
    for key in ("bore_mm", "stroke_mm", "rod_mm", "compression_ratio", "reciprocating_mass_kg",
                "rotating_inertia_kg_m2"):  # fmt: skip
        if getattr(e, key) is not None:
            lines.append(f"{key} = {getattr(e, key)!r}")
    lines += ["", "[wheel]"]
    if w.angles_deg is not None:
        lines.append(f"tooth_angles_deg = {list(w.angles_deg)}")
    else:
        lines += [f"positions = {w.positions}", f"missing_positions = {list(w.missing)}"]
    lines.append(f"first_tooth_after_tdc1_deg = {w.first_tooth_after_tdc1_deg!r}")
    if s.clock.cam and e.cam_edges_deg:
        lines += ["", "[cam]", f"edges_after_tdc1_deg = {list(e.cam_edges_deg)}"]
    if s.clock.cylinder1 and e.mark_after_tdc1_deg is not None:
        lines += ["", "[cylinder1]", f"mark_after_tdc1_deg = {e.mark_after_tdc1_deg!r}",
                  f"marks_per_cycle = {e.marks_per_cycle}"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _channels_csv(c: Channels) -> str:
    names = list(c.values)
    digits = {"fuel_cut": 0, "starter": 0}
    rows = [",".join(["time_s", *names])]
    columns = [c.values[n].tolist() for n in names]
    for i, t in enumerate(c.time_s.tolist()):
        rows.append(
            ",".join(
                [
                    f"{t:.3f}",
                    *(f"{col[i]:.{digits.get(n, 2)}f}" for n, col in zip(names, columns, strict=True)),
                ]
            )
        )
    return "\n".join(rows) + "\n"


def _counts_csv(counts: dict[int, int], ran: bool) -> str:
    rows = [f"# monitor_ran = {'yes' if ran else 'no'}", "cylinder,misfires"]
    return "\n".join([*rows, *(f"{c},{n}" for c, n in sorted(counts.items()))]) + "\n"
