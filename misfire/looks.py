"""One look at a log after the other: by the nominal wheel, then with the tooth pattern that it has told."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from misfire.crank import BoolArray, Crank, IntArray
from misfire.decide import FIRING, MOTORING, Decision, Spacing, decide, decide_single, running_median
from misfire.engine import Engine, FloatArray
from misfire.errors import InputError
from misfire.intake.channels import AtTimes, at_times
from misfire.intake.recording import Channels
from misfire.orders import without_firing_orders
from misfire.pattern import Pattern, learn_pattern
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

SURE_DEG = (
    0.02  # standard error of a tooth, up to which a log's own pattern questions a given one (our choice)
)
# how many times as far apart, and as scattered, firings may be after a correction (our choice)
APART, SCATTERED = 2.5, 1.5


def of_this_wheel(given: Pattern, crank: Crank) -> Pattern:
    """The given pattern. Raises InputError when its teeth are not those of the log's wheel."""
    if given.error_deg.size != crank.wheel.teeth:
        raise InputError(
            f"the given pattern has {given.error_deg.size} teeth, the log's wheel {crank.wheel.teeth}; "
            "give the pattern of this wheel"
        )
    return given


def off_the_wheel_deg(given: Pattern, own: Pattern, crank: Crank, engine: Engine) -> float:
    """Root mean square [deg] by which a given pattern differs from what the log itself tells, noise taken off; 0 where it tells
    too little. Orders of the firing frequency are left out, and the teeth beside the gap."""
    if not own.known or not np.nanmedian(own.sd_deg) < SURE_DEG:
        return 0.0
    apart = without_firing_orders(own.error_deg - given.error_deg, crank.wheel, engine)[1:-1]
    noise = own.sd_deg[1:-1] ** 2 + np.nan_to_num(given.sd_deg[1:-1]) ** 2
    return float(np.sqrt(np.clip(np.nanmean(apart**2 - noise), 0.0, None)))


@dataclass(frozen=True)
class Pass:
    """One look at the log: its events, the slow channels at them, the decision."""

    events: Events
    slow: AtTimes
    decision: Decision


@dataclass(frozen=True)
class Site:
    """What every look at a log needs besides its events.

    `moves` is learned on the way; the tooth pattern drops out of it, so it serves every look.
    """

    crank: Crank
    laid: Laid
    channels: Channels | None
    moves: Moves = field(default_factory=Moves)

    def first(self) -> Pass:
        """By the nominal wheel."""
        events = measure_turns(self.crank, self.laid, moves=self.moves)
        slow = at_times(self.channels, events.time_s)
        return Pass(events, slow, self.decide(events, slow.fuel_cut, Spacing.nominal()))

    def learned(self, before: Pass) -> Pattern:
        """The tooth pattern of the turns that tell it."""
        crank, engine = self.crank, self.laid.engine
        return learn_pattern(
            crank,
            engine,
            _motoring_turns(crank, before.events, before.decision, before.slow.fuel_cut),
            _level_of_turns(crank, before.events),
            _healthy_turns(crank, before.events, before.decision),
            inertia_lateness_deg(crank.wheel.tooth_angles_deg, engine, self.laid.first_deg, self.laid.shape),
        )

    def corrected(self, before: Pass, pattern: Pattern) -> Pass:
        """With the pattern's errors [deg] taken out."""
        engine = self.laid.engine
        correction = without_firing_orders(pattern.error_deg, self.crank.wheel, engine, careful=True)
        sd = float(np.nanmedian(pattern.sd_deg)) if np.isfinite(pattern.sd_deg).any() else 0.005
        teeth = Teeth(correction, max(sd, 0.001), pattern.apparent)
        events = measure_turns(self.crank, self.laid, teeth, self.moves)
        slow = at_times(self.channels, events.time_s)
        cut = _known_before(slow.fuel_cut, events, before)
        # without companions the two turns of a cycle tell more than a wheel learned while cylinders misfire
        alone = engine.cylinders > 2 and not engine.companions
        sure = pattern.learned_from != "speed_sweep" or (_speed_ratio(events) >= 1.4 and not alone)
        # a spacing that moves is known at no moment of the log
        moving = pattern.stable is False
        sure &= not moving
        spacing = Spacing.learned() if sure else self.untold(events, correction, moving)
        return Pass(events, slow, self.decide(events, cut, spacing, correction))

    def uncorrected(self, before: Pass) -> Pass:
        """By the nominal wheel, which nothing has told."""
        if self.laid.engine.cylinders == 1:
            return before
        untold = self.untold(before.events)
        return replace(before, decision=self.decide(before.events, before.slow.fuel_cut, untold))

    def untold(
        self, events: Events, tooth_error_deg: FloatArray | None = None, moving: bool = False
    ) -> Spacing:
        """A wheel that nothing tells: the mean work free of it, where engines without companions let it be told.

        Errors [deg] that were taken out have shape (teeth,).
        """
        if self.laid.engine.cylinders == 1 or self.laid.engine.companions:
            return Spacing.open(None, moving)
        grid = make_grid(self.crank, tooth_error_deg)
        return Spacing.open(mean_work(grid, self.crank, self.laid, events), moving)

    def decide(
        self, events: Events, cut: FloatArray, spacing: Spacing, tooth_error_deg: FloatArray | None = None
    ) -> Decision:
        """By all cylinders, or, for one cylinder, by the idle turns before and after (the nearer one at the log's ends).

        `cut` has shape (events,), the errors [deg] that were taken out (teeth,).
        """
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


def _known_before(cut: FloatArray, events: Events, before: Pass) -> FloatArray:
    """Fuel-cut flags where the channels say nothing, from what the first pass saw of the same events.

    A spacing learned in fuel cut holds the ripple of compression, so its level no longer falls to nothing there.
    """
    first = before.events
    key, seen = 64 * events.turn + events.place, 64 * first.turn + first.place
    order = np.argsort(seen)
    at = np.clip(np.searchsorted(seen, key, sorter=order), 0, seen.size - 1)
    same = seen[order[at]] == key
    motored = same & (before.decision.state[order[at]] == MOTORING)
    return np.where(np.isnan(cut) & motored, 1.0, cut)


def less_alike(before: Decision, after: Decision) -> bool:
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
