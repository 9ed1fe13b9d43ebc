"""One log through the science: edges -> teeth -> phase -> pattern -> work -> decision."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from misfire.agreement import doubt_of_engine
from misfire.crank import BoolArray, Crank, number_edges, turn_speed
from misfire.decide import MISFIRE, MONITOR_FROM, MOTORING, UNUSABLE, Decision, Reason
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.errors import InputError
from misfire.gas import GasShape
from misfire.intake.channels import align_channels
from misfire.intake.recording import Channels, Recording
from misfire.looks import Pass, Site, less_alike, of_this_wheel, off_the_wheel_deg
from misfire.monitor import as_uncorrected, segment_errors
from misfire.naming import Marks, find_phase, place_name
from misfire.pattern import Pattern
from misfire.phase import Phase
from misfire.work import Events, Laid, make_grid

# A given pattern that differs more is another wheel's. The halves of 85 simulated logs differ by 0.013 deg at most, but for two
# whose speed hardly changes (0.09).
OTHER_WHEEL_DEG = 0.12


@dataclass(frozen=True)
class KnownCut:
    """A commanded injector shut-off: cylinder, the seconds it lasted on its log's clock, and the log's number from 1.

    Without a number it belongs to the one log that runs through it.
    """

    cylinder: int
    from_s: float
    to_s: float
    log: int | None = None

    def __str__(self) -> str:
        number = "" if self.log is None else f"{self.log}:"
        return f"{number}{self.cylinder}@{self.from_s:g}-{self.to_s:g}"


@dataclass(frozen=True)
class OneLog:
    """Everything found in one log; arrays have shape (events,).

    `label` is the cylinder number or place letter of every event (the lower companion when the phase is
    unknown), `uncorrected` what a monitor that takes the wheel as perfect would count.
    """

    recording: Recording
    engine: Engine
    crank: Crank
    phase: Phase
    pattern: Pattern
    events: Events
    decision: Decision
    label: npt.NDArray[np.object_]
    uncorrected: BoolArray
    uncorrected_lost: FloatArray
    load_pct: FloatArray
    segment_error_pct: dict[str, tuple[float, float]]
    timings_s: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    load_from: str = ""

    @property
    def labels(self) -> list[int | str]:
        """Cylinder numbers or places that events are counted under, in order."""
        seen = {x for x in self.label.tolist()}
        return sorted(seen, key=lambda v: (isinstance(v, str), v))


def gas_shape(engine: Engine) -> GasShape:
    """The generic work shapes, with the engine's own compression ratio and rod where the file has them."""
    base = GasShape()
    ratio = engine.compression_ratio or base.compression_ratio
    rod = engine.stroke_mm / 2 / engine.rod_mm if engine.stroke_mm and engine.rod_mm else base.rod_ratio
    return replace(base, compression_ratio=ratio, rod_ratio=rod)


def study(
    recording: Recording,
    engine: Engine,
    *,
    channels: Channels | None = None,
    given: Pattern | None = None,
    known_cuts: tuple[KnownCut, ...] = (),
) -> OneLog:
    """Take one log from edges to decided events.

    Raises InputError (wheel or marks contradict the log) and TooFewTurnsError.
    """
    laps = _Laps()
    anchor = recording.cylinder1_s if recording.cylinder1_s is not None else recording.cam_s
    crank = number_edges(recording.crank_s, engine.wheel, anchor)
    engine = engine.with_wheel(crank.wheel)
    if channels is not None:
        channels = align_channels(channels, *turn_speed(crank.time_s, crank.block))
    laps.end("crank")
    shape = gas_shape(engine)
    phase = _phase(crank, engine, Marks(recording.cam_s, recording.cylinder1_s), shape)
    if phase.untold is not None:
        crank = replace(crank, faulty=crank.faulty | phase.untold)
    laps.end("phase")
    site = Site(crank, Laid(engine, phase.first_deg, phase.second_turn, shape), channels)
    before = site.first()
    laps.end("work")
    pattern = site.learned(before) if given is None else of_this_wheel(given, crank)
    laps.end("pattern")
    seen = site.corrected(before, pattern) if pattern.known else None
    notes: list[str] = []
    off = 0.0 if given is None else off_the_wheel_deg(pattern, site.learned(before), crank, engine)
    if off > OTHER_WHEEL_DEG:
        doubt = f"the pattern given differs by {off:.2f} deg (root mean square) from the teeth of this log; leave --pattern out"
        phase = replace(phase, doubt=phase.doubt or doubt)
        notes.append(f"Against the pattern given: {doubt}.")
    if (
        seen is not None
        and pattern.learned_from == "speed_sweep"
        and less_alike(before.decision, seen.decision)
    ):
        pattern, seen = Pattern.none(crank.wheel.teeth), None
        notes.append(
            "The tooth spacing that the changes of speed suggest makes like firings less alike: not used."
        )
    seen = seen or site.uncorrected(before)
    phase, seen = _tie_by_cut(phase, crank, engine, seen, known_cuts, notes)
    events = seen.events
    laps.end("decision")
    label = _labels(engine, phase, events)
    decision = _without_cuts(seen.decision, events, label, known_cuts)
    uncorrected_lost = as_uncorrected(events, decision, pattern, engine, phase)
    counted = (uncorrected_lost >= MONITOR_FROM) & (decision.state != MOTORING) & (decision.state != UNUSABLE)
    counted |= decision.state == MISFIRE if not pattern.known else np.zeros(counted.size, dtype=bool)
    return OneLog(
        recording,
        engine,
        crank,
        phase,
        pattern,
        events,
        decision,
        label,
        counted,
        uncorrected_lost,
        seen.slow.load,
        segment_errors(pattern, engine, phase),
        laps.took,
        tuple([*phase.notes, *decision.notes, *notes, *crank.notes, *(channels.notes if channels else ())]),
        seen.slow.load_from,
    )


def _phase(crank: Crank, engine: Engine, marks: Marks, shape: GasShape) -> Phase:
    """Where the cycle stands, and whether the motion speaks against the engine given; the grid goes with the call."""
    grid = make_grid(crank)
    phase = find_phase(crank, grid, engine, marks, shape)
    doubt = doubt_of_engine(grid, crank, engine, shape, phase)
    if not doubt:
        return phase
    return replace(phase, doubt=doubt, notes=(*phase.notes, f"against the engine given: {doubt}"))


class _Laps:
    """How long each stage took [s]."""

    def __init__(self) -> None:
        self.took: dict[str, float] = {}
        self._clock = time.perf_counter()

    def end(self, stage: str) -> None:
        now = time.perf_counter()
        self.took[stage], self._clock = now - self._clock, now


def _without_cuts(
    decision: Decision, events: Events, label: npt.NDArray[np.object_], cuts: tuple[KnownCut, ...]
) -> Decision:
    """What the tester switched off says nothing about the engine."""
    state, reason = decision.state.copy(), decision.reason.copy()
    for off in cuts:
        t = events.time_s
        mine = (label == off.cylinder) & (t >= off.from_s - 0.3) & (t <= off.to_s + 0.3) & (state != MOTORING)
        state[mine], reason[mine] = UNUSABLE, Reason.COMMANDED_OFF
    return replace(decision, state=state, reason=reason)


def _tie_by_cut(
    phase: Phase, crank: Crank, engine: Engine, seen: Pass, cuts: tuple[KnownCut, ...], notes: list[str]
) -> tuple[Phase, Pass]:
    """Names and places turned so that the place that fell silent in a known cut carries the given number.

    Raises InputError for a cut that contradicts marks or an earlier cut.
    """
    tied = False
    for cut in cuts:
        events, decision = seen.events, seen.decision
        inside = (events.time_s >= cut.from_s + 0.3) & (events.time_s <= cut.to_s - 0.3)
        lost = []
        for p in range(engine.cylinders):
            mine = inside & (events.place == p) & np.isfinite(decision.lost_work)
            lost.append(float(np.median(decision.lost_work[mine])) if mine.any() else -1.0)
        order = np.argsort(lost)
        top = int(order[-1])
        if lost[top] < 0.5 or (len(lost) > 1 and lost[int(order[-2])] > 0.5 * lost[top]):
            notes.append(
                f"known cut of cylinder {cut.cylinder}: no single place lost its work then; names stay as they are"
            )
            continue
        want = engine.firing_order.index(cut.cylinder)
        if top == want and (tied or (phase.named and phase.status == "measured")):
            continue
        if tied or (phase.named and phase.status == "measured"):
            raise InputError(
                f"known cut {cut}: cylinder {engine.firing_order[top]} lost its work "
                f"then, not {cut.cylinder}; correct the cut or the engine file"
            )
        if not engine.even_firing and top != want:
            notes.append(
                f"known cut of cylinder {cut.cylinder}: the places of an odd-firing engine cannot be turned; names stay"
            )
            continue
        shift = engine.event_deg[top] - engine.event_deg[want]
        start = (phase.first_deg - shift) % 720.0
        second = phase.second_turn if start < TURN_DEG else ~phase.second_turn
        notes.append(f"names tied by the known cut of cylinder {cut.cylinder}")
        turned = (events.place + want - top) % engine.cylinders
        # the turn is tied in the cut's own run of turns only
        status = "measured" if crank.block.max() == 0 else phase.status
        phase = replace(phase, first_deg=start % TURN_DEG, second_turn=second, status=status, named=True)
        seen = replace(
            seen,
            events=replace(events, place=turned),
            decision=decision.turned(want - top) if want != top else decision,
        )
        tied = True
    return phase, seen


def with_places_of(log: OneLog, other: OneLog) -> OneLog:
    """The log with its places A, B, ... where the other log has them, both of one engine and wheel.

    Each log finds TDC by itself, modulo one firing interval: where position 0 stands beside a TDC one log may call A what the
    other calls B. A log whose cylinders are named, or that stands nowhere near, is given back as it is.
    """
    engine, n = log.engine, log.engine.cylinders
    if log.phase.named or other.phase.named or not engine.even_firing or n == 1:
        return log
    if engine.firing_order != other.engine.firing_order:
        return log
    start = (log.phase.first_deg + engine.interval_deg * np.arange(n)) % CYCLE_DEG
    half = TURN_DEG / 2
    off = np.abs((start - other.phase.first_deg + half) % TURN_DEG - half)
    by = int(np.argmin(off))
    if by == 0 or off[by] > engine.interval_deg / 4:
        return log
    second = log.phase.second_turn if start[by] < TURN_DEG else ~log.phase.second_turn
    phase = replace(log.phase, first_deg=float(start[by] % TURN_DEG), second_turn=second)
    events = replace(log.events, place=(log.events.place + by) % n)
    return replace(
        log,
        phase=phase,
        events=events,
        decision=log.decision.turned(by),
        label=_labels(engine, phase, events),
        segment_error_pct=segment_errors(log.pattern, engine, phase),
    )


def _labels(engine: Engine, phase: Phase, events: Events) -> npt.NDArray[np.object_]:
    names: list[int | str] = []
    for i, c in enumerate(engine.firing_order):
        mate = engine.companions.get(c)
        j = engine.firing_order.index(mate) if mate is not None else i
        merge = phase.status == "unknown" and mate is not None
        if phase.named:
            names.append(min(c, mate) if merge and mate is not None else c)
        else:
            names.append(place_name(min(i, j) if merge else i))
    table = np.empty(len(names), dtype=object)
    table[:] = names
    return np.asarray(table[events.place], dtype=object)
