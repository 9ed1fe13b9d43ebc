"""Crank wheel, pickup and log files of the second engine.

Position 0 = first tooth after the (longest) gap; its nominal edge lies `first_tooth_deg` after TDC 1. A positive
tooth error means that the edge comes late. All random draws come from the seed of `Wheel`.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .drive import RPM, Motion
from .gas import DEG, LAYOUTS, Layout


@dataclass(frozen=True)
class Wheel:
    """Teeth and the pickup's habits."""

    positions: int = 60
    missing: tuple[int, ...] = (58, 59)
    first_tooth_deg: float = 120.0
    seed: int = 7
    tooth_sd_deg: float = 0.01  # random error of every tooth
    runout_deg: float = 0.0  # once a turn, amplitude
    runout_phase_deg: float = 40.0
    steps_deg: tuple[
        tuple[int, int, float], ...
    ] = ()  # (from position, to position, error): bent part of the wheel
    on_flywheel: bool = True
    jitter_deg: float = 0.004  # hysteresis and surface, in angle
    jitter_s: float = 2e-7  # comparator, in time
    pickup: str = "hall"  # or "vr": delay depends on speed, teeth next to the gap move
    clock_hz: float = 0.0  # 0 = time_s with nine decimals
    lost: float = 0.0  # share of edges
    extra: float = 0.0
    extra_from_s: float = 0.0
    drift_deg: float = 0.0  # once-a-turn error that grows to this at the log's end
    starter_hz: float = 0.0  # a disturbance that shifts edges, amplitude below at 1000 rpm
    starter_deg: float = 0.0
    direction: int = 1

    def errors_deg(self) -> np.ndarray:
        """Error of every position [deg], the missing ones included, mean not removed."""
        rng = np.random.default_rng(self.seed)
        place = np.arange(self.positions) * 360.0 / self.positions
        error = self.tooth_sd_deg * rng.standard_normal(self.positions)
        error += self.runout_deg * np.sin((place - self.runout_phase_deg) * DEG)
        for a, b, size in self.steps_deg:
            error[a : b + 1] += size
        return error


@dataclass
class Edges:
    """What the recorder would see: times [s] of each signal, and how many faults were put in."""

    crank_s: np.ndarray
    cam_s: np.ndarray
    cylinder1_s: np.ndarray
    lost: int
    extra: int


def _times(motion: Motion, angle_rad: np.ndarray, fly: bool) -> tuple[np.ndarray, np.ndarray]:
    """Times at which the shaft passes the angles, and the speed there; cubic inverse interpolation."""
    theta, w = (motion.fly_rad, motion.fly_w) if fly else (motion.front_rad, motion.front_w)
    i = np.clip(np.searchsorted(theta, angle_rad) - 1, 0, theta.size - 2)
    d = theta[i + 1] - theta[i]
    u = (angle_rad - theta[i]) / d
    t0, t1, m0, m1 = motion.time_s[i], motion.time_s[i + 1], d / w[i], d / w[i + 1]
    h = t1 - t0
    t = t0 + u * m0 + u * u * (3 * h - 2 * m0 - m1) + u**3 * (m0 + m1 - 2 * h)
    return t, w[i] + u * (w[i + 1] - w[i])


def sense(
    motion: Motion,
    wheel: Wheel,
    cam_deg: tuple[float, ...] = (),
    mark_deg: float | None = None,
    waste: bool = False,
) -> Edges:
    """Edge times of the run."""
    rng = np.random.default_rng(wheel.seed + 1000)
    pitch = 360.0 / wheel.positions
    low, high = motion.front_rad[2] / DEG + 20, motion.front_rad[-3] / DEG - 20
    turns = np.arange(int(low // 360) - 1, int(high // 360) + 2)
    keep = np.setdiff1d(np.arange(wheel.positions), wheel.missing)
    nominal = (360.0 * turns[:, None] + wheel.first_tooth_deg + keep * pitch).ravel()
    error = np.tile(wheel.errors_deg()[keep], turns.size)
    inside = (nominal > low) & (nominal < high)
    nominal, error = nominal[inside], error[inside]
    place = np.tile(keep, turns.size)[inside]
    angle = nominal + error
    share = (nominal - nominal[0]) / (nominal[-1] - nominal[0])
    angle += wheel.drift_deg * share * np.sin((place * pitch + 100.0) * DEG)
    angle += wheel.jitter_deg * rng.standard_normal(angle.size)
    t, w = _times(motion, angle * DEG, wheel.on_flywheel)
    shift = np.zeros_like(t)
    if wheel.pickup == "vr":
        level = np.clip(0.25 * (800 * RPM) / w, 0, 0.9)
        shift = pitch / (2 * np.pi) * np.arcsin(level)
        if wheel.missing:
            shift[place == 0] -= pitch * (0.10 + 0.05 * w[place == 0] / (3000 * RPM))
            shift[place == wheel.missing[0] - 1] += 0.02 * pitch
        t = t + 6e-6
    if wheel.starter_hz:
        shift += wheel.starter_deg * (1000 * RPM / w) * np.sin(2 * np.pi * wheel.starter_hz * t)
    t = t + shift * DEG / w + wheel.jitter_s * rng.standard_normal(t.size)
    gone = rng.random(t.size) < wheel.lost
    kept = t[~gone]
    more = (rng.random(kept.size - 1) < wheel.extra) & (kept[:-1] > wheel.extra_from_s)
    added = kept[:-1][more] + np.diff(kept)[more] * rng.uniform(0.2, 0.8, int(more.sum()))
    crank = np.sort(np.concatenate([kept, added]))
    cycles = np.arange(int(low // 720) - 1, int(high // 720) + 2)

    def marks(angles: list[float], scatter: float) -> np.ndarray:
        a = np.sort((720.0 * cycles[:, None] + np.array(angles)).ravel())
        a = a[(a > low) & (a < high)]
        return _times(motion, (a + scatter * rng.standard_normal(a.size)) * DEG, wheel.on_flywheel)[0]

    cam = marks(list(cam_deg), 0.5) if cam_deg else np.zeros(0)
    mark = np.zeros(0)
    if mark_deg is not None:
        mark = marks([mark_deg, mark_deg + 360.0] if waste else [mark_deg], 2.0)
    return Edges(crank, cam, mark, int(gone.sum()), int(more.sum()))


def write_teeth(
    path: Path, edges: Edges, *, form: str = "time_s", clock_hz: float = 1e6, start: float = 0.0
) -> None:
    """Write a tooth log. Forms: time_s, time_us, tick, tick32 (wraps), period_us, period_tick (crank only)."""
    sets = [("crank", edges.crank_s), ("cam", edges.cam_s), ("cylinder1", edges.cylinder1_s)]
    several = sum(x.size > 0 for _, x in sets) > 1
    t = np.concatenate([x for _, x in sets]) + start
    names = np.concatenate([np.full(x.size, n) for n, x in sets])
    order = np.argsort(t, kind="stable")
    t, names = t[order], names[order]
    head, column = [], form
    if form == "time_s":
        values = [f"{x:.7f}" for x in t]
    elif form == "time_us":
        values = [f"{x * 1e6:.1f}" for x in t]
    elif form in ("tick", "tick32"):
        head, column = [f"# clock_hz = {clock_hz:.0f}"], "tick"
        ticks = np.floor(t * clock_hz).astype(np.int64)
        if form == "tick32":
            ticks, head = (ticks + 2**32 - 5_000_000) % 2**32, [*head, "# counter_bits = 32"]
        values = [str(x) for x in ticks]
    elif form == "period_us":
        values, several = [f"{x * 1e6:.1f}" for x in np.diff(edges.crank_s)], False
    else:
        head, several = [f"# clock_hz = {clock_hz:.0f}"], False
        values = [str(x) for x in np.diff(np.floor(edges.crank_s * clock_hz).astype(np.int64))]
    lines = [*head, column + (",signal" if several else "")]
    lines += [f"{v},{n}" for v, n in zip(values, names, strict=True)] if several else values
    text = "\n".join(lines) + "\n"
    if path.suffix == ".gz":
        with gzip.open(path, "wt") as out:
            out.write(text)
    else:
        path.write_text(text)


def write_channels(
    path: Path, slow: dict[str, np.ndarray], columns: tuple[str, ...], cut_late_s: float = 0.0
) -> None:
    """Write slow channels; the fuel-cut flag may come late (positive) or early (negative)."""
    data = dict(slow)
    if cut_late_s:
        at = np.clip(np.searchsorted(data["time_s"], data["time_s"] - cut_late_s), 0, data["time_s"].size - 1)
        data["fuel_cut"] = data["fuel_cut"][at]
    with path.open("w", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(["time_s", *columns])
        for i, time in enumerate(data["time_s"]):
            rows.writerow(
                [
                    f"{time:.2f}",
                    *(f"{data[c][i]:.2f}" if c != "fuel_cut" else int(data[c][i]) for c in columns),
                ]
            )


def write_engine(
    path: Path, layout: Layout, wheel: Wheel | None, *, offset: bool = True, cam: tuple[float, ...] = (),
    mark: float | None = None, waste: bool = False, order: tuple[int, ...] | None = None,
) -> None:  # fmt: skip
    """Write the engine file; leave out what a technician would not know."""
    n = len(layout.order)
    lines = ["[engine]", f"cylinders = {n}", f"firing_order = {list(order or layout.order)}"]
    if np.ptp(np.diff(np.sort([*layout.tdc_deg, 720.0]))) > 1:
        lines.append(f"firing_tdc_deg = {list(layout.tdc_deg)}")
    if wheel is not None:
        lines += ["[wheel]", f"positions = {wheel.positions}", f"missing_positions = {list(wheel.missing)}"]
        if offset:
            lines.append(f"first_tooth_after_tdc1_deg = {wheel.first_tooth_deg}")
    if cam:
        lines += ["[cam]", f"edges_after_tdc1_deg = {list(cam)}"]
    if mark is not None:
        lines += ["[cylinder1]", f"mark_after_tdc1_deg = {mark}", f"marks_per_cycle = {2 if waste else 1}"]
    path.write_text("\n".join(lines) + "\n")


def waveform(motion: Motion, wheel: Wheel, rate_hz: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Sampled crank signal: time [s] and volts. VR: amplitude rises with speed; Hall: 0 and 5 V with rounded edges."""
    rng = np.random.default_rng(wheel.seed + 5)
    t = np.arange(motion.time_s[5], min(motion.time_s[-5], motion.time_s[5] + seconds), 1 / rate_hz)
    theta, w = (motion.fly_rad, motion.fly_w) if wheel.on_flywheel else (motion.front_rad, motion.front_w)
    angle = np.interp(t, motion.time_s, theta) / DEG - wheel.first_tooth_deg
    speed = np.interp(t, motion.time_s, w)
    pitch = 360.0 / wheel.positions
    error = wheel.errors_deg()
    place = np.round((angle % 360.0) / pitch).astype(int) % wheel.positions
    phase = ((angle - error[place] + pitch / 2) % pitch) / pitch - 0.5  # 0 at the tooth's edge
    there = ~np.isin(place, wheel.missing)
    if wheel.pickup == "vr":
        envelope = np.convolve(there.astype(float), np.ones(5) / 5, "same")
        volts = -2.0 * speed / (1000 * RPM) * np.sin(2 * np.pi * phase) * envelope
        return t, volts + 0.02 * rng.standard_normal(t.size)
    volts = 5.0 * ((phase >= 0) & there)
    return t, np.convolve(volts, [0.3, 0.4, 0.3], "same") + 0.03 * rng.standard_normal(t.size)


__all__ = ["LAYOUTS", "Edges", "Wheel", "sense", "waveform", "write_channels", "write_engine", "write_teeth"]
