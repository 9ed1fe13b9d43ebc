"""Does the crank follow? Whether the teeth move in misfires as a lost combustion moves a crank with inertia.

A lost combustion bends the crank's motion smoothly: lateness'' = torque / (J w^2) (*derived*), so its shape over
the teeth is known up to its size. An edge that is sensed elsewhere (magnetised spot, loose sensor, hum)
stands off alone and its neighbours do not follow; the work read from it is the same, the shape is not.
The mean residual angles around the events taken for misfires, less what healthy turns of that speed show, are
laid against that shape, which is taken through the very operator that makes the residuals.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.decide import FIRING, MISFIRE
from misfire.engine import TURN_DEG, FloatArray
from misfire.evidence.shown import Shown
from misfire.onelog import OneLog, gas_shape
from misfire.pattern import residual_angles
from misfire.work import places

LEAST = 4  # events of one cylinder
LEAST_BY_TIME, QUARTERS = 8, 4  # of a quarter of the log that speaks against the others
LEAST_CALM = 15  # healthy turns of each half of the cycle
STEADY = 1.15  # ratio of speeds over the turns compared, at most, and to those of healthy turns
BEYOND = 1.25  # the same of the torque over w^2: the healthy wave is a line in it, not to be drawn out much further
SHARE = 0.9  # a burn twice as late as the generic one leaves 0.98 (tests/evidence)
_EVENTS, _CALM_RUNS, _CALM_RUN = 25, 8, 16  # looked at, for time: events a cylinder; runs of healthy turns
_AHEAD, _WINDOW = 2, 5  # turns before the event's and in all
GROUPS = 10  # of events, each left out in turn
_REACH = 4  # turns over which a misfire's shape is followed


@dataclass(frozen=True)
class Followed:
    """How much of the teeth's answer to a cylinder's misfires a lost combustion explains.

    `share` is of the squared residual angles beyond their noise, about 1 for true misfires; `sd` its error by
    leaving out tenths of the events and by how well healthy turns are known; `size_deg` the root mean square answer [deg]; `events` how many.
    `sound`: misfires and firings in those quarters of the log in which the crank does follow, where it does not in all;
    `worst`: the quarter that follows least, beyond its error. `tooth`: wheel position whose edge stands off most.
    """

    share: float
    sd: float
    size_deg: float
    events: int
    sound: tuple[int, int] = (0, 0)
    worst: Followed | None = None
    tooth: int = 0

    @property
    def refuted(self) -> bool:
        """The edges moved and the crank did not."""
        return self.share + 2 * self.sd < SHARE

    @property
    def freedom(self) -> int:
        """Degrees of freedom of `sd`."""
        return min(GROUPS, self.events) - 1

    def shown(self, name: str) -> Shown:
        """The row of evidence."""
        return Shown(
            f"misfires of {name} that the crank follows",
            f"share of the edges' shift ({self.size_deg:.3f} deg, {self.events} events) that a lost combustion explains; "
            "the rest moves edges and not the crank",
            self.share,
            sd=self.sd,
            limit=f"{SHARE} within two errors",
        )


def followed(logs: Sequence[OneLog]) -> dict[int | str, Followed]:
    """The test for every cylinder or place with events enough; of several logs the one with most events counts."""
    out: dict[int | str, Followed] = {}
    for log in logs:
        miss = np.flatnonzero((log.decision.state == MISFIRE) & np.isfinite(log.decision.lost_work))
        own = {label: miss[log.label[miss] == label] for label in log.labels}
        for label, one in _of_log(log, miss, own).items():
            if label not in out or one.events > out[label].events:
                out[label] = one if one.share > SHARE else _by_quarters(log, miss, label, one)
    return out


def _by_quarters(log: OneLog, miss: IntArray, label: int | str, one: Followed) -> Followed:
    """The same with what the quarters of the log say: what moves edges may come or go, and misfires of the other time
    are true for all that.
    """
    n = log.events.turn.size
    quarter = np.arange(n) * QUARTERS // max(n, 1)
    mine = log.label == label
    parts: dict[int | str, IntArray] = {k: miss[mine[miss] & (quarter[miss] == k)] for k in range(QUARTERS)}
    of = _of_log(log, miss, parts)
    good = [k for k, part in of.items() if part.share - 2 * part.sd > 0 and part.share > SHARE]
    state = log.decision.state[mine & np.isin(quarter, good)]
    sound = int((state == MISFIRE).sum()), int(((state == MISFIRE) | (state == FIRING)).sum())
    many = [p for p in of.values() if p.events >= LEAST_BY_TIME]
    return replace(one, sound=sound, worst=min(many, key=lambda p: (p.share - SHARE) / p.sd, default=None))


def _of_log(log: OneLog, miss: IntArray, groups: Mapping[int | str, IntArray]) -> dict[int | str, Followed]:
    """The test for groups of misfires, given as indices of events; groups with too little are left out."""
    e, d = log.events, log.decision
    chosen = {
        key: mine[np.unique(np.linspace(0, mine.size - 1, _EVENTS).astype(np.int64))]
        for key, mine in groups.items()
        if mine.size >= LEAST
    }
    if not chosen or log.engine.cylinders < 2:
        return {}
    calm = _runs(_calm_turns(log))
    rows = [calm, *((e.turn[k][:, None] - _AHEAD + np.arange(_WINDOW)).ravel() for k in chosen.values())]
    need = np.zeros(log.crank.turns + 5, dtype=bool)
    for near in range(-2, 3):  # what the residuals of a turn stand on
        at = np.concatenate(rows) + near
        need[at[(at >= 0) & (at < log.crank.turns)]] = True
    some = np.flatnonzero(need)
    res, speed = _residuals(log, some)
    known = np.isfinite(d.expected)
    q = np.interp(some, e.turn[known], d.expected[known]) / speed**2
    at = np.full(log.crank.turns, -1)
    at[some] = np.arange(some.size)
    fired = (d.state == FIRING) & np.isfinite(d.lost_work)
    # weak and partial burns beside the misfires, and in the healthy turns, are known by their own work
    answers = answers_deg(log)
    beside = np.flatnonzero(fired & need[np.clip(e.turn, 0, log.crank.turns - 1)])
    res = res - _predicted(log, beside, at, res.shape, answers)
    healthy = np.isin(some, calm)
    base = _baseline(res, q, healthy, log.phase.second_turn[some])
    if base is None:
        return {}
    own = res - base
    off = _left(own[healthy])
    own[~(_within(q, q[healthy], BEYOND) & _within(speed, speed[healthy], STEADY))] = np.nan
    like = _predicted(log, miss, at, res.shape, answers)
    inner = slice(1, -1)  # beside the gap a pickup shifts with speed
    out: dict[int | str, Followed] = {}
    for key, k in chosen.items():
        turn = e.turn[k][:, None] - _AHEAD + np.arange(_WINDOW)
        inside = ((turn >= 0) & (turn < log.crank.turns)).all(axis=1)
        row = at[turn[inside]]
        if not row.size:
            continue
        with np.errstate(invalid="ignore"):
            # a speed that falls by a fifth in five turns bends the residuals more than a combustion does
            row = row[speed[row].max(axis=1) < STEADY * speed[row].min(axis=1)]
        if len(row) < LEAST:
            continue
        x, y = like[row][:, :, inner].reshape(len(row), -1), own[row][:, :, inner].reshape(len(row), -1)
        ok = np.isfinite(y).all(axis=1)
        if ok.sum() >= LEAST and (one := _compared(x[ok], y[ok], _WINDOW * off)) is not None:
            off_most = _tooth_off_most(x[ok], y[ok], log.crank.wheel.teeth - 2) + 1
            out[key] = replace(one, tooth=int(log.crank.wheel.tooth_positions[off_most]))
    return out


def _calm_turns(log: OneLog) -> IntArray:
    """Turns with nothing but firing events within two turns of them."""
    other = np.zeros(log.crank.turns, dtype=np.int64)
    np.add.at(other, log.events.turn, (log.decision.state != FIRING).astype(np.int64))
    seen = np.zeros(log.crank.turns, dtype=np.int64)
    np.add.at(seen, log.events.turn, 1)
    sick = np.convolve(other + (seen == 0), np.ones(5), mode="same") > 0
    sick[:2] = sick[-2:] = True
    return np.flatnonzero(~sick & ~log.crank.faulty)


def _runs(turns: IntArray) -> IntArray:
    """Some runs of neighbouring turns, spread over all given."""
    run = turns[: turns.size // _CALM_RUN * _CALM_RUN].reshape(-1, _CALM_RUN)
    return run[:: max(1, -(-len(run) // _CALM_RUNS))].ravel()


def _residuals(log: OneLog, rows: IntArray) -> tuple[FloatArray, FloatArray]:
    crank = log.crank
    block = crank.block[rows] + np.cumsum(np.diff(rows, prepend=rows[:1]) != 1)
    some = replace(crank, time_s=crank.time_s[rows], faulty=crank.faulty[rows], block=block)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN columns: a tooth never seen
        return residual_angles(some)


def _baseline(res: FloatArray, q: FloatArray, calm: BoolArray, second: BoolArray) -> FloatArray | None:
    """Residuals of a healthy turn of that work and speed, a + b q for each half of the cycle; None with too few."""
    out = np.full_like(res, np.nan)
    calm = calm & np.isfinite(q) & np.isfinite(res[:, 1:-1]).all(axis=1)
    for half in (False, True):
        mine = second == half
        good = mine & calm
        if good.sum() < LEAST_CALM:
            return None
        x = np.column_stack([np.ones(good.sum()), q[good]])
        beta = np.linalg.lstsq(x, np.nan_to_num(res[good]), rcond=None)[0]
        out[mine] = np.column_stack([np.ones(mine.sum()), q[mine]]) @ beta
    return out


def _within(x: FloatArray, known: FloatArray, factor: float) -> BoolArray:
    """Which of `x` lie between the least and the largest known value, or beyond by no more than a factor."""
    return np.asarray((x * factor > np.nanmin(known)) & (x < factor * np.nanmax(known)), dtype=bool)


def _left(own: FloatArray) -> float:
    """Sum over the teeth of the square [deg^2] by which runs of healthy turns, as a mean, miss their own baseline.

    Speed and load change the wave in more ways than the baseline knows; misfires are seen no more exactly.
    """
    runs = own[: own.shape[0] // _CALM_RUN * _CALM_RUN, 1:-1].reshape(-1, _CALM_RUN, own.shape[1] - 2)
    runs = runs[np.isfinite(runs).all(axis=(1, 2))]
    if not len(runs):
        return 0.0
    # both halves of the cycle stand in a run; noise taken off
    half = runs.reshape(len(runs), -1, 2, runs.shape[2])
    mean, noise = half.mean(axis=1), half.var(axis=1, ddof=1) / half.shape[1]
    return max(float(np.mean(np.sum(mean**2 - noise, axis=2))), 0.0)


def _predicted(
    log: OneLog, events: IntArray, at: IntArray, size: tuple[int, ...], answers: FloatArray
) -> FloatArray:
    """Residual angles [deg] that the lost work of the given events makes, all together."""
    e, d = log.events, log.decision
    turn = np.arange(-_REACH, _REACH + 1)
    out = np.zeros(size)
    amount = d.lost_work[events] * d.expected[events] / (e.rpm[events] * np.pi / 30) ** 2
    for i, one in enumerate(answers):
        mine = e.place[events] == i
        row = e.turn[events[mine]][:, None] + turn
        inside = (row >= 0) & (row < at.size)
        row = np.where(inside, at[np.clip(row, 0, at.size - 1)], -1)
        for r in range(turn.size):
            use = row[:, r] >= 0  # a place has one event a turn, so no row comes twice
            out[row[use, r]] += amount[mine][use, None] * one[r]
    return out


def answers_deg(log: OneLog, late: bool = False) -> FloatArray:
    """Residual angles [deg] of one lost combustion per unit of energy / w^2, by place in firing order.

    Shape (cylinders, 2 * reach + 1 turns, teeth); the middle row is the turn that the firing TDC lies in.
    """
    from misfire.gas import late_burn

    shape = late_burn(gas_shape(log.engine)) if late else gas_shape(log.engine)
    wheel = log.crank.wheel
    rows = 2 * _REACH + 5
    angle = np.arange(rows)[:, None] * TURN_DEG + wheel.tooth_angles_deg
    little = 1e-5  # small beside 1: lateness is linear in the work
    seen: dict[float, FloatArray] = {}  # companions stand on the same teeth
    at = places(log.engine, log.phase.first_deg)
    for place in at:
        if place.angle_deg in seen:
            continue
        after = angle - (rows // 2) * TURN_DEG - place.angle_deg
        time = np.radians(angle) + little * np.radians(shape.step_integral(after))
        still = np.zeros(rows, dtype=np.int64)
        one = replace(log.crank, time_s=time, block=still, faulty=still > 0)
        seen[place.angle_deg] = np.nan_to_num(residual_angles(one)[0])[2:-2] / little
    return np.array([seen[place.angle_deg] for place in at])


def _tooth_off_most(like: FloatArray, own: FloatArray, teeth: int) -> int:
    """Column of the tooth that stands off most, in every turn of the window, from what its expected shape leaves."""
    x, y = like.mean(axis=0), own.mean(axis=0)
    rest = (y - x * float(x @ y) / max(float(x @ x), 1e-300)).reshape(-1, teeth)
    return int(np.argmax(np.abs(rest.mean(axis=0))))


def _compared(like: FloatArray, own: FloatArray, off: float) -> Followed | None:
    """Share of the mean answer that its expected shape explains, shapes (events, points); None where noise hides it.

    `off` is the square [deg^2] by which the baseline itself may be off over a window; it goes into the error.
    """

    def share(keep: BoolArray) -> tuple[float, float]:
        x, y = like[keep].mean(axis=0), own[keep].mean(axis=0)
        noise = float((own[keep].var(axis=0, ddof=1)).sum() / keep.sum())
        factor = float(x @ y / max(float(x @ x), 1e-300))
        all_ = max(float(y @ y) - noise, 1e-300)
        rest = float(np.sum((y - factor * x) ** 2)) - noise
        return 1 - rest / all_, float(np.sqrt(all_ / y.size))

    n = own.shape[0]
    groups = min(GROUPS, n)
    part = np.arange(n) % groups
    value, size = share(np.ones(n, dtype=bool))
    if float(np.sum(own.mean(axis=0) ** 2)) < 2 * float(own.var(axis=0, ddof=1).sum() / n):
        return None
    left = np.array([share(part != g)[0] for g in range(groups)])
    sd = float(np.sqrt((groups - 1) / groups * np.sum((left - left.mean()) ** 2)))
    sd = float(np.hypot(sd, off / (size**2 * own.shape[1])))
    return Followed(float(np.clip(value, -1.0, 1.0)), float(np.clip(sd, 1e-3, 1.0)), size, n)
