"""What extra and lost edges, and edges that stand off, are tied to: a spark, a place of the wheel, a frequency.

Circular tests of the faults' crank angles against a cycle, a turn and a firing interval; the spectrum of their
times and of their crank positions; and the same spectra of the shifts of all edges, for a hum that loses none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from misfire.decide import MOTORING
from misfire.engine import CYCLE_DEG, TURN_DEG, FloatArray
from misfire.evidence.circular import Tied, rayleigh
from misfire.evidence.lines import Line, strongest_line
from misfire.evidence.shifts import Sample, edge_shifts
from misfire.evidence.shown import Shown
from misfire.naming import place_name
from misfire.onelog import OneLog

LEAST = 10  # turns with a fault from which on angles are tested
LEVEL = 1e-3  # corrected p below which a tie is named
STRENGTH = 0.3  # mean resultant length from which on a tie explains the faults
SHARE = 0.05  # of the shifts' variance from which on a hum counts (healthy simulated logs: below 0.006)
SPARK_DEG = (-60.0, 25.0)  # where sparks stand about TDC (common practice, no source)
STRETCH_S, STRETCH_TURNS = 10.0, 32.0  # a belt's slip changes from stretch to stretch
AUDIBLE_HZ = 35.0, 700.0
MAINS_HZ = (50.0, 60.0)


@dataclass(frozen=True)
class Source:
    """What the disturbance is tied to.

    `kind` is "cylinder", "firing", "turn", "mains", "frequency", "geared", "speed or frequency" or "random"; `words` say it;
    `lateness_deg` is the swing of the edges [deg] at the log's high speed when they are moved and not lost, `false_work` the
    lost work that a plain comparison of two segments would make of it there.
    """

    kind: str
    words: str
    p: float
    lateness_deg: float = 0.0
    false_work: float = 0.0


@dataclass(frozen=True)
class Disturbance:
    """Source or None, and the numbers behind it."""

    source: Source | None = None
    shown: tuple[Shown, ...] = ()


def disturbance(logs: Sequence[OneLog], samples: Sequence[Sample]) -> Disturbance:
    """Tie the edge faults and shifts of pooled logs to their source; one sample of turns a log."""
    shown: list[Shown] = []
    best: Source | None = None
    tests = sum(_count(logs, kind) >= LEAST for kind in ("extra", "lost"))
    for kind in ("extra", "lost"):
        if _count(logs, kind) < LEAST:
            continue
        found, rows = _by_angle(logs, kind, tests)
        shown += rows
        in_time, rows = _by_time(max(logs, key=lambda one: _count([one], kind)), kind, tests)
        shown += rows
        # crank-locked orders were left out of the spectrum, so both can hold only by chance
        source = min((s for s in (found, in_time) if s is not None), key=lambda s: s.p, default=None)
        if source is None and _count(logs, kind) >= 3 * LEAST:
            least = min((row.p for row in rows if row.p is not None), default=1.0)
            source = Source(
                "random", f"{kind} edges come at random: tied to no angle and to no frequency", least
            )
        if source is not None and (best is None or best.kind == "random" or source.p < best.p):
            best = source
    hum, rows = max(
        (_hum(one, some) for one, some in zip(logs, samples, strict=True)),
        key=lambda h: h[0].lateness_deg if h[0] else -1.0,
    )
    shown += rows
    if hum is not None and (best is None or best.kind == "random"):
        best = hum
    return Disturbance(best, tuple(shown))


def _count(logs: Sequence[OneLog], kind: str) -> int:
    return sum(f.kind == kind for log in logs for f in log.crank.faults)


def _fault_times(log: OneLog, kind: str) -> tuple[FloatArray, FloatArray]:
    """Times [s] and crank positions [turns, from position 0 of the first row] of the faults, in order."""
    crank = log.crank
    mine = [f for f in crank.faults if f.kind == kind]
    t = np.array([f.time_s for f in mine])
    known = np.isfinite(crank.time_s)
    place = np.arange(crank.turns)[:, None] + crank.wheel.tooth_angles_deg / TURN_DEG
    times, turns = crank.time_s[known], place[known]
    if times.size < 2:
        return np.zeros(0), np.zeros(0)
    if kind == "lost":
        at = np.array([f.turn + f.position * crank.wheel.pitch_deg / TURN_DEG for f in mine])
    else:
        at = np.interp(t, times, turns)
    order = np.argsort(t)
    return t[order], at[order]


def _one_a_turn(at: FloatArray) -> FloatArray:
    """Faults of one turn come together (two edges of one spark, a run that was misread): one of them is taken,
    by turns the first, the second, ..., so that no angle is preferred."""
    turn = np.floor(at)
    first = np.flatnonzero(np.diff(turn, prepend=-1.0) != 0)
    size = np.diff(np.append(first, at.size))
    return np.asarray(at[first + np.arange(first.size) % size], dtype=float)


def _by_angle(logs: Sequence[OneLog], kind: str, kinds: int) -> tuple[Source | None, list[Shown]]:
    engine, wheel = logs[0].engine, logs[0].crank.wheel
    first = logs[0].phase.first_deg
    angles = []
    for log in logs:
        at = _one_a_turn(_fault_times(log, kind)[1])
        second = log.phase.second_turn[np.clip(at.astype(np.int64), 0, log.crank.turns - 1)]
        angles.append((log.phase.first_deg + TURN_DEG * (at % 1.0 + second)) % CYCLE_DEG)
    a = np.concatenate(angles)
    if a.size < LEAST:
        return None, []
    periods = {"turn": TURN_DEG}
    if engine.cylinders > 1 and all(log.phase.status != "unknown" for log in logs):
        periods["cylinder"] = CYCLE_DEG
    if engine.even_firing and engine.interval_deg < TURN_DEG:
        periods["firing"] = engine.interval_deg
    places = None
    if kind == "lost" and not wheel.angles_deg:
        inner = wheel.tooth_angles_deg[1 if wheel.missing else 0 :]
        places = np.concatenate([(first + inner) % CYCLE_DEG, (first + TURN_DEG + inner) % CYCLE_DEG])
    tied = {name: rayleigh(a, period, places) for name, period in periods.items()}
    number = len(tied) * kinds
    says = {
        "turn": "by place in the turn; 1 = always the same place, 0 = everywhere",
        "cylinder": "by place in the cycle; 1 = always the same cylinder",
        "firing": "by angle about the firing TDC; 1 = always with a spark",
    }
    rows = [
        Shown(
            f"{kind} edges, concentration",
            says[name],
            t.length,
            sd=float(np.sqrt(max(1 - t.length**2, 0.0) / (2 * t.n))),
            p=min(1.0, number * t.p),
            limit=f"{STRENGTH} with a chance below 1 in {1 / LEVEL:.0f}",
        )
        for name, t in tied.items()
    ]

    def strong(name: str, than: float) -> bool:
        t = tied.get(name)
        return t is not None and t.p * number < LEVEL and t.length >= max(STRENGTH, 0.6 * than)

    top = max(t.length for t in tied.values())
    for name in ("cylinder", "turn", "firing"):
        if strong(name, top):
            return _angle_source(logs[0], kind, name, tied[name], number), rows
    return None, rows


def _angle_source(log: OneLog, kind: str, name: str, tied: Tied, number: int) -> Source:
    engine, n = log.engine, log.engine.cylinders
    events = np.asarray(engine.event_deg, dtype=float)
    period = {"cylinder": CYCLE_DEG, "turn": TURN_DEG}.get(name, engine.interval_deg)
    off = (tied.at_deg - events + period / 2) % period - period / 2
    near = float(off[np.argmin(np.abs(off - np.mean(SPARK_DEG)))])
    mine = [i for i in range(n) if abs(off[i] - near) < 1.0]
    spark = SPARK_DEG[0] <= near <= SPARK_DEG[1]
    who = " and ".join(str(engine.firing_order[i]) if log.phase.named else place_name(i) for i in mine)
    side = f"{abs(near):.0f} deg {'before' if near < 0 else 'after'} firing TDC"
    p = min(1.0, number * tied.p)
    if name == "cylinder":
        what = "spark" if spark else "firing, at an angle without a spark"
        return Source("cylinder", f"{kind} edges are tied to the {what} of cylinder {who} ({side})", p)
    if name == "firing":
        what = "spark of every cylinder" if spark else "firing of every cylinder, at an angle without a spark"
        return Source("firing", f"{kind} edges are tied to the {what} ({side})", p)
    wheel = log.crank.wheel
    position = round((tied.at_deg - log.phase.first_deg) % TURN_DEG / wheel.pitch_deg) % wheel.positions
    words = f"{kind} edges are tied to one place of the turn (near position {position})"
    if spark and n > 1:
        words += f": the wheel there, or the spark of {who} if {'these' if len(mine) > 1 else 'it'} fire every turn ({side})"
    return Source("turn", words, p)


def _by_time(log: OneLog, kind: str, kinds: int) -> tuple[Source | None, list[Shown]]:
    t, at = _fault_times(log, kind)
    if t.size < 2 * LEAST:
        return None, []
    ones = np.ones(t.size)
    # a stretch must hold a dozen faults or so
    span_s = min(max(STRETCH_S, 12 * (t[-1] - t[0]) / t.size), t[-1] - t[0])
    span_turns = min(max(STRETCH_TURNS, 12 * (at[-1] - at[0]) / at.size), at[-1] - at[0])
    hertz = strongest_line(t, ones, 20.0, AUDIBLE_HZ[1], span_s, turns=at)
    order = strongest_line(at, ones, 2.0, float(log.crank.wheel.positions), span_turns, leave_out=0.5)
    return _line_source(
        f"{kind} edges", hertz, order, 2 * kinds, t, at, lambda line: line.amplitude >= STRENGTH, "", 1.0
    )


def _hum(log: OneLog, some: Sample) -> tuple[Source | None, list[Shown]]:
    s = edge_shifts(log, some)
    if s.time_s.size < 2_000:
        return None, []
    wheel = log.crank.wheel
    rate = float(np.median(s.speed_rad_s)) / (2 * np.pi) * wheel.teeth
    hertz = order = None
    if 0.45 * rate > 2 * AUDIBLE_HZ[0]:
        hertz = strongest_line(
            s.time_s, s.shift_s, AUDIBLE_HZ[0], min(AUDIBLE_HZ[1], 0.45 * rate), STRETCH_S, turns=s.turns
        )
    low = float(max(log.engine.cylinders, 2))
    if 0.48 * wheel.teeth > 1.5 * low:
        order = strongest_line(s.turns, s.shift_s, low, 0.48 * wheel.teeth, STRETCH_TURNS, leave_out=0.5)
    spread = float(np.std(s.shift_s))
    step = log.recording.clock_step_s

    def counts(line: Line) -> bool:
        return line.amplitude**2 / 2 >= SHARE * spread**2 and line.amplitude >= step

    source, rows = _line_source("edges", hertz, order, 2, s.time_s, s.turns, counts, "us", 1e6)
    if source is None:
        return None, rows
    top = float(np.percentile(s.speed_rad_s, 95))
    swing = max(line.amplitude for line in (hertz, order) if line is not None)
    return Source(
        source.kind, source.words, source.p, float(np.degrees(swing * top)), _false_work(log, swing, top)
    ), rows


def _false_work(log: OneLog, swing_s: float, speed: float) -> float:
    """Lost work in a segment whose two ends are off by `swing_s` [s] either way: 2 w^2 (w dt) / (dth E) [derived]."""
    fast = log.events.rpm * np.pi / 30 > 0.8 * speed
    normal = log.decision.expected[fast & (log.decision.state != MOTORING)]
    if not np.isfinite(normal).any():
        return 0.0
    return float(2 * speed**3 * swing_s / (np.radians(log.engine.interval_deg) * np.nanmedian(normal)))


def _line_source(
    what: str,
    hertz: Line | None,
    order: Line | None,
    tests: int,
    t: FloatArray,
    turns: FloatArray,
    counts: object,
    unit: str,
    factor: float,
) -> tuple[Source | None, list[Shown]]:
    rows, good = [], []
    moved = " swing" if unit else " come"
    for line, axis, word in ((hertz, t, "Hz"), (order, turns, "times the crank's turn")):
        if line is None:
            continue
        p = min(1.0, tests * line.p)
        if not unit:
            line = _fundamental(line, axis)
        at = f"{line.frequency:.1f} Hz" if word == "Hz" else f"{line.frequency:.2f} times a turn"
        if callable(counts) and counts(line) and p < LEVEL:
            good.append((line, word, p, at))
        rows.append(
            Shown(
                f"{what}, strongest line in {'time' if word == 'Hz' else 'crank turns'}",
                f"at {at}, of {line.tried} frequencies tried; orders locked to the crank left out",
                factor * line.amplitude,
                unit,
                sd=factor * line.sd,
                p=p,
                limit=f"chance below 1 in {1 / LEVEL:.0f} and {f'{STRENGTH} of the faults' if not unit else f'{100 * SHARE:.0f} % of the variance'}",
            )
        )
    if not good:
        return None, rows
    good.sort(key=lambda g: -g[0].amplitude)
    line, word, p, at = good[0]
    if len(good) == 2 and good[1][0].amplitude > 0.8 * line.amplitude:
        words = f"{what}{moved} at {at}, which is {good[1][3]} as well: one speed does not part a fixed frequency from a belt-driven source"
        return Source("speed or frequency", words, p), rows
    if word != "Hz":
        return Source(
            "geared",
            f"{what}{moved} {at}, no whole or half order: driven by the engine, as an alternator is",
            p,
        ), rows
    for mains in MAINS_HZ:
        k = round(line.frequency / mains)
        if k >= 1 and abs(line.frequency - k * mains) < max(1.5 * line.resolution, 0.002 * line.frequency):
            return Source(
                "mains",
                f"{what}{moved} in time at {at}, {f'{k} times ' if k > 1 else ''}{mains:.0f} Hz as mains have",
                p,
            ), rows
    return Source("frequency", f"{what}{moved} in time at {at}, whatever the crank's speed", p), rows


def _fundamental(line: Line, x: FloatArray) -> Line:
    """Of a comb of lines as faults once a period make it, the lowest: the one that all others are multiples of."""
    best, low = line.frequency, 0.7 * line.amplitude
    for k in range(2, 25):
        tries = line.frequency / k + line.resolution * np.linspace(-0.5, 0.5, 21)
        stretch = ((x - x[0]) * line.resolution).astype(np.int64)
        r = []
        for f in tries.tolist():
            z = np.exp(-2j * np.pi * f * x)
            parts = np.bincount(stretch, z.real) ** 2 + np.bincount(stretch, z.imag) ** 2
            r.append(np.sqrt(parts.sum() / np.sum(np.bincount(stretch).astype(float) ** 2)))
        if max(r) >= low:
            best = float(tries[int(np.argmax(r))])
    return Line(best, line.resolution, line.p, line.amplitude, line.sd, line.tried)
