"""One log through the science: edges -> teeth -> phase -> pattern -> work -> decision."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, Crank, IntArray, number_edges, turn_speed
from misfire.decide import (
    FIRING,
    MISFIRE,
    MONITOR_FROM,
    MOTORING,
    UNUSABLE,
    Decision,
    Spacing,
    decide,
    decide_single,
    running_median,
)
from misfire.engine import TURN_DEG, Engine, FloatArray
from misfire.errors import InputError
from misfire.gas import GasShape
from misfire.intake.channels import align_channels, at_times
from misfire.intake.recording import Channels, Recording
from misfire.monitor import as_uncorrected, segment_errors
from misfire.naming import Marks, find_phase, place_name
from misfire.orders import without_firing_orders
from misfire.pattern import Pattern, learn_pattern
from misfire.phase import Phase
from misfire.work import (
    Events,
    Laid,
    Moves,
    Teeth,
    inertia_lateness_deg,
    make_grid,
    mean_work,
    measure_turns,
)

# how many times as far apart, and as scattered, firings may be after a correction (our choice)
APART, SCATTERED = 2.5, 1.5


@dataclass(frozen=True)
class KnownCut:
    """A commanded injector shut-off: cylinder and the seconds it lasted, on the log's clock."""

    cylinder: int
    from_s: float
    to_s: float


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
    took: dict[str, float] = {}
    clock = time.perf_counter()

    def lap(name: str) -> None:
        nonlocal clock
        now = time.perf_counter()
        took[name] = now - clock
        clock = now

    marks = Marks(recording.cam_s, recording.cylinder1_s)
    anchor = recording.cylinder1_s if recording.cylinder1_s is not None else recording.cam_s
    crank = number_edges(recording.crank_s, engine.wheel, anchor)
    engine = engine.with_wheel(crank.wheel)
    if channels is not None:
        channels = align_channels(channels, *turn_speed(crank.time_s, crank.block))
    lap("crank")
    shape = gas_shape(engine)
    phase = find_phase(crank, make_grid(crank), engine, marks, shape)
    if phase.untold is not None:
        crank = replace(crank, faulty=crank.faulty | phase.untold)
    lap("phase")
    moves = Moves()  # learned on the way; the tooth pattern drops out of it, so it serves the second pass too
    laid = Laid(engine, phase.first_deg, phase.second_turn, shape)
    first = measure_turns(crank, laid, moves=moves)
    slow = at_times(channels, first.time_s)
    cut = slow.fuel_cut
    site = _Site(crank, laid)
    before = site.decide(first, cut, Spacing.nominal())
    lap("work")
    notes: list[str] = []
    if given is not None:
        pattern = given
        if given.error_deg.size != crank.wheel.teeth:
            raise InputError(
                f"the given pattern has {given.error_deg.size} teeth, the log's wheel {crank.wheel.teeth}; "
                "give the pattern of this wheel"
            )
    else:
        pattern = learn_pattern(
            crank,
            engine,
            _motoring_turns(crank, first, before, cut),
            _level_of_turns(crank, first),
            _healthy_turns(crank, first, before),
            inertia_lateness_deg(crank.wheel.tooth_angles_deg, engine, phase.first_deg, shape),
        )
    lap("pattern")
    if pattern.known:
        correction = without_firing_orders(pattern.error_deg, crank.wheel, engine, careful=True)
        sd = float(np.nanmedian(pattern.sd_deg)) if np.isfinite(pattern.sd_deg).any() else 0.005
        teeth = Teeth(correction, max(sd, 0.001), pattern.apparent)
        events = measure_turns(crank, laid, teeth, moves)
        slow = at_times(channels, events.time_s)
        cut = _known_before(slow.fuel_cut, events, first, before)
        # without companions the two turns of a cycle tell more than a wheel learned while cylinders misfire
        alone = engine.cylinders > 2 and not engine.companions
        sure = pattern.learned_from != "speed_sweep" or (_speed_ratio(events) >= 1.4 and not alone)
        # a spacing that moves is known at no moment of the log
        moving = pattern.stable is False
        sure &= not moving
        spacing = Spacing.learned() if sure else site.untold(events, correction, moving)
        decision = site.decide(events, cut, spacing, correction)
        if pattern.learned_from == "speed_sweep" and _less_alike(before, decision):
            pattern = Pattern.none(crank.wheel.teeth)
            notes.append(
                "The tooth spacing that the changes of speed suggest makes like firings less alike: not used."
            )
    if not pattern.known:
        events, decision = first, before
        if engine.cylinders > 1:
            decision = site.decide(first, cut, site.untold(first))
    phase = _tie_by_cut(phase, crank, engine, events, decision, known_cuts, notes)
    lap("decision")
    label = _labels(engine, phase, events)
    for off in known_cuts:
        # what the tester switched off says nothing about the engine
        mine = (
            (label == off.cylinder) & (events.time_s >= off.from_s - 0.3) & (events.time_s <= off.to_s + 0.3)
        )
        mine &= decision.state != MOTORING
        decision.state[mine], decision.reason[mine] = UNUSABLE, 6
    segments = segment_errors(pattern, engine, phase)
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
        slow.load,
        segments,
        took,
        tuple([*phase.notes, *decision.notes, *notes, *crank.notes, *(channels.notes if channels else ())]),
        slow.load_from,
    )


@dataclass(frozen=True)
class _Site:
    """What every decision on a log needs besides its events."""

    crank: Crank
    laid: Laid

    def untold(
        self, events: Events, tooth_error_deg: FloatArray | None = None, moving: bool = False
    ) -> Spacing:
        """A wheel that nothing tells: the mean work free of it, where engines without companions let it be told."""
        if self.laid.engine.cylinders == 1 or self.laid.engine.companions:
            return Spacing.open(None, moving)
        grid = make_grid(self.crank, tooth_error_deg)
        return Spacing.open(mean_work(grid, self.crank, self.laid, events), moving)

    def decide(
        self, events: Events, cut: FloatArray, spacing: Spacing, tooth_error_deg: FloatArray | None = None
    ) -> Decision:
        """By all cylinders, or, for one cylinder, by the idle turns before and after (the nearer one at the log's ends)."""
        if self.laid.engine.cylinders > 1:
            return decide(events, self.laid.engine, cut, spacing)
        other = measure_turns(self.crank, self.laid.turned(), Teeth(tooth_error_deg))
        if not other.time_s.size:
            return decide_single(events, np.full(events.energy.size, np.nan), cut)
        after = np.searchsorted(other.turn, events.turn)
        left, right = np.clip(after - 1, 0, other.turn.size - 1), np.clip(after, 0, other.turn.size - 1)
        near_l = np.abs(other.turn[left] - events.turn) == 1
        near_r = np.abs(other.turn[right] - events.turn) == 1
        e_l, e_r = other.energy[left], other.energy[right]
        opposite = np.where(
            near_l & near_r, (e_l + e_r) / 2, np.where(near_l, e_l, np.where(near_r, e_r, np.nan))
        )
        return decide_single(events, opposite, cut)


def _known_before(cut: FloatArray, events: Events, first: Events, before: Decision) -> FloatArray:
    """Fuel-cut flags where the channels say nothing, from what the first pass saw of the same events.

    A spacing learned in fuel cut holds the ripple of compression, so its level no longer falls to nothing there.
    """
    key, seen = 64 * events.turn + events.place, 64 * first.turn + first.place
    order = np.argsort(seen)
    at = np.clip(np.searchsorted(seen, key, sorter=order), 0, seen.size - 1)
    same = seen[order[at]] == key
    motored = same & (before.state[order[at]] == MOTORING)
    return np.where(np.isnan(cut) & motored, 1.0, cut)


def _less_alike(before: Decision, after: Decision) -> bool:
    """A correction that sets the cylinders apart and scatters each one's firings: what it takes out is not there."""
    apart = [float(np.median(np.abs(d.place_lost - np.median(d.place_lost)))) for d in (before, after)]
    scatter = [
        float(np.nanmedian(d.noise)) if np.isfinite(d.noise).any() else np.nan for d in (before, after)
    ]
    return apart[1] > APART * max(apart[0], 0.02) and scatter[1] > SCATTERED * scatter[0]


def _speed_ratio(events: Events) -> float:
    return (
        float(np.nanpercentile(events.rpm, 95) / np.nanpercentile(events.rpm, 5)) if events.rpm.size else 1.0
    )


def _level_of_turns(crank: Crank, events: Events) -> FloatArray:
    """Mean combustion energy [rad^2/s^2] around each turn."""
    ok = np.isfinite(events.level)
    if ok.sum() < 2:
        return np.ones(crank.turns)
    smooth = running_median(events.level[ok], 9)
    return np.interp(np.arange(crank.turns), events.turn[ok], smooth)


def _healthy_turns(crank: Crank, events: Events, decision: Decision) -> BoolArray:
    """Turns in and around which every cylinder fires, away from any change."""
    sick = np.zeros(crank.turns, dtype=np.int64)
    np.add.at(sick, events.turn, (decision.state != FIRING).astype(np.int64))
    seen = np.zeros(crank.turns, dtype=np.int64)
    np.add.at(seen, events.turn, 1)
    return np.asarray((_around(sick) == 0) & (_around(seen) > 0), dtype=bool)


def _around(count: IntArray, reach: int = 2) -> IntArray:
    """Sum over a turn and its neighbours."""
    total = np.concatenate(([0], np.cumsum(count)))
    at = np.arange(count.size)
    out = total[np.minimum(at + reach + 1, count.size)] - total[np.maximum(at - reach, 0)]
    return np.asarray(out, dtype=np.int64)


def _motoring_turns(crank: Crank, events: Events, decision: Decision, flag: FloatArray) -> BoolArray:
    """Turns all of whose events are in fuel cut, two turns of margin at each end.

    A flag of the channels is the better witness: before the wheel is known a poor one makes a steady drive look dead.
    """
    motored = np.where(np.isfinite(flag), flag == 1, decision.state == MOTORING)
    seen = np.zeros(crank.turns, dtype=np.int64)
    cut = np.zeros(crank.turns, dtype=np.int64)
    np.add.at(seen, events.turn, 1)
    np.add.at(cut, events.turn, motored.astype(np.int64))
    # a turn without an event of its own (one cylinder) goes with its neighbours
    near_seen, near_cut = _around(seen), _around(cut)
    return np.asarray((near_seen > 0) & (near_seen == near_cut), dtype=bool)


def _tie_by_cut(
    phase: Phase,
    crank: Crank,
    engine: Engine,
    events: Events,
    decision: Decision,
    cuts: tuple[KnownCut, ...],
    notes: list[str],
) -> Phase:
    """Rotate the names so that the place that fell silent during a known cut carries the given number."""
    for cut in cuts:
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
        if top == want and phase.status == "measured":
            continue
        if phase.named and phase.status == "measured":
            raise InputError(
                f"known cut {cut.cylinder}@{cut.from_s:g}-{cut.to_s:g}: cylinder {engine.firing_order[top]} lost its work "
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
        events.place[:] = turned
        # the turn is tied in the cut's own run of turns only
        status = "measured" if crank.block.max() == 0 else phase.status
        return replace(phase, first_deg=start % TURN_DEG, second_turn=second, status=status, named=True)
    return phase


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
