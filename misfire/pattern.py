"""The tooth spacing: learn it, judge whether it holds still, apply it.

Same-tooth differences span exactly 360 deg, so they give the motion free of any tooth error. The motion
through one tooth of several turns (a cubic in time) predicts every other tooth; the residual angle of
tooth j in turn m is fitted as r[j,m] = a[j] + b[j] / w[m]^2 over the turns: a is the geometry, b what gas
torque locked to the crank adds. Sign: positive = the edge comes late. Orders of the firing frequency are
taken out of a, because inertia and gas ripple common to all cylinders look exactly like them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import TURN_DEG, Engine, FloatArray, Wheel
from misfire.orders import firing_columns, firing_part, without_firing_orders, without_low_orders
from misfire.stability import LEAST_TURNS, TurnAngles, fired_stability, stability
from misfire.work import Apparent, masses_unsure

SPEED_RATIO = 1.25  # fired turns must span at least this much speed to part geometry from torque
TOOTH_LEAST_DEG = 0.005  # no wheel is taken as better than this
LEAST_SURE_DEG = (
    0.05  # standard error of a tooth; beyond, correcting with it would do more harm than the wheel
)
HIDDEN_IN_CUT = 0.15  # of the torque's shape, from a ripple that goes with w^0.3 as well (our choice)
_ANCHORS = 6
_PART = 4_000  # turns at a time, for the memory
MOST_TURNS = 20_000  # more do not sharpen a pattern that matters
RUN_TURNS = 64  # longer logs are looked at in runs of so many turns


@dataclass(frozen=True)
class Pattern:
    """A learned tooth spacing.

    Attributes
    ----------
    learned_from : str
        "fuel_cut", "speed_sweep", "given" or "none".
    error_deg, sd_deg : array, shape (teeth,)
        Error of each tooth [deg], positive = late, mean 0, and its standard error; NaN when not learned.
    turns : int
        Turns that it rests on.
    stable : bool or None
        Same spacing early and late in the log (`misfire.stability`); None when too few turns.
    apparent : Apparent or None
        The spacing with the firing orders left in, and what of it the log does not tell.
    drift_deg : float
        Largest change [deg] of the spacing inside the log beyond its noise.
    """

    learned_from: str
    error_deg: FloatArray
    sd_deg: FloatArray
    turns: int
    stable: bool | None
    drift_deg: float = 0.0
    apparent: Apparent | None = None

    @classmethod
    def none(cls, teeth: int) -> Pattern:
        """No pattern could be learned."""
        nan = np.full(teeth, np.nan)
        return cls("none", nan, nan, 0, None)

    @property
    def known(self) -> bool:
        """True when there is something to correct with."""
        return self.learned_from != "none"


def residual_angles(crank: Crank) -> tuple[FloatArray, FloatArray]:
    """Residual angle of every tooth in every turn and the turn's mean speed.

    Returns
    -------
    residual_deg : array, shape (turns, teeth)
        Late = positive [deg]; NaN where the turn or its neighbours are not whole.
    speed_rad_s : array, shape (turns,)
    """
    t, wheel = crank.time_s, crank.wheel
    turns, teeth = t.shape
    out = np.zeros((turns, teeth))
    count = np.zeros((turns, teeth))
    angle = wheel.tooth_angles_deg
    usable = ~crank.faulty
    link = np.ones(turns, dtype=bool)
    link[1:] = (np.diff(crank.block) == 0) & usable[1:] & usable[:-1]
    flat_t = t.ravel()
    first = 1 if wheel.missing and teeth > 8 else 0
    anchors = np.unique(np.linspace(first + 1, teeth - 2, min(_ANCHORS, max(teeth - 2, 1))).astype(int))
    flat_a = (np.arange(turns)[:, None] * TURN_DEG + angle).ravel()
    for a in anchors:
        own = t[:, a]
        for m0 in range(0, turns, _PART):
            m = np.arange(max(m0, 1), min(m0 + _PART, turns - 2))
            if not m.size:
                continue
            ok = link[m] & link[m + 1] & link[m + 2] & usable[m - 1]
            ta, tb, tc, td = own[m - 1], own[m], own[m + 1], own[m + 2]
            ok &= np.isfinite(ta) & np.isfinite(tb) & np.isfinite(tc) & np.isfinite(td)
            m, ta, tb, tc, td = m[ok], ta[ok], tb[ok], tc[ok], td[ok]
            if not m.size:
                continue
            k = (m * teeth + a)[:, None] + np.arange(1, teeth)
            x = flat_t[k]
            # Lagrange cubic through four passes of the same tooth, exactly one turn apart
            s = np.zeros_like(x)
            nodes = (ta, tb, tc, td)
            for i, turn in enumerate((-1.0, 0.0, 1.0, 2.0)):
                if turn == 0.0:
                    continue
                term = np.full_like(x, turn)
                for j, other in enumerate(nodes):
                    if j != i:
                        term *= (x - other[:, None]) / (nodes[i] - other)[:, None]
                s += term
            late = s * TURN_DEG - (flat_a[k] - flat_a[k[:, :1] - 1])
            good = np.isfinite(late)
            late = np.where(good, late, 0.0)
            # the anchor's own lateness is shared by all: referred to the mean of the teeth
            total = good.sum(axis=1, keepdims=True) + 1
            late -= late.sum(axis=1, keepdims=True) / total
            # every tooth stands once in k
            out.ravel()[k] += np.where(good, late, 0.0)
            count.ravel()[k] += good
    with np.errstate(invalid="ignore", divide="ignore"):
        res = np.where(count >= anchors.size * 0.5, out / count, np.nan)
        mid = t[:, teeth // 2]
        period = np.full(turns, np.nan)
        if turns > 2:
            period[1:-1] = (mid[2:] - mid[:-2]) / 2
        speed = 2 * np.pi / period
    return res, speed


def _fit(
    res: FloatArray, speed: FloatArray, slope: bool, level: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Robust a[j], its standard error and b[j] over turns; with `slope` the term b in torque / w^2 beside it.

    `level` is the mean combustion energy of each turn, where turns of different load are mixed.
    """
    w2 = (np.nanmedian(speed) / speed) ** 2
    if level is not None and np.isfinite(level).all() and np.median(level) > 0:
        w2 = w2 * np.clip(level / np.median(level), -10.0, 10.0)
    x = np.column_stack([np.ones_like(w2), w2]) if slope else np.ones((w2.size, 1))
    ok = np.isfinite(res)
    y = np.where(ok, res, 0.0)
    weight = ok.astype(float)
    beta = np.zeros((x.shape[1], res.shape[1]))
    cov = np.zeros(res.shape[1])
    for _ in range(4):
        if x.shape[1] == 1:
            s0 = weight.sum(axis=0)
            beta[0] = (weight * y).sum(axis=0) / np.maximum(s0, 1e-9)
            inv = 1 / np.maximum(s0, 1e-9)
        else:
            s0, s1, s2 = weight.sum(0), (weight * w2[:, None]).sum(0), (weight * w2[:, None] ** 2).sum(0)
            q0, q1 = (weight * y).sum(0), (weight * y * w2[:, None]).sum(0)
            det = np.maximum(s0 * s2 - s1**2, 1e-12)
            beta = np.vstack([(s2 * q0 - s1 * q1) / det, (s0 * q1 - s1 * q0) / det])
            inv = s2 / det
        r = np.where(ok, y - x @ beta, np.nan)
        scale = 1.4826 * np.nanmedian(np.abs(r), axis=0) + 1e-9
        weight = np.where(ok, 1 / np.maximum(1, np.abs(np.nan_to_num(r)) / (2.0 * scale)), 0.0)
        cov = inv * np.nanmean(
            np.where(ok, np.minimum(np.abs(np.nan_to_num(r)), 4 * scale), np.nan) ** 2, axis=0
        )
    few = ok.sum(axis=0) < 8
    a, sd = beta[0].copy(), np.sqrt(cov)
    b = beta[1] if slope else np.zeros_like(a)
    a[few] = np.nan
    sd[few] = np.nan
    return a, sd, b


def learn_pattern(
    crank: Crank,
    engine: Engine,
    motoring: BoolArray | None,
    level: FloatArray | None = None,
    healthy: BoolArray | None = None,
    inertia_deg: FloatArray | None = None,
) -> Pattern:
    """Learn the tooth spacing of a log.

    Parameters
    ----------
    motoring : array of bool, shape (turns,), or None
        Turns in fuel cut; they are preferred, since combustion differences stay out of them.
    level : array, shape (turns,), or None
        Mean combustion energy [rad^2/s^2] of each turn; scales the torque term of fired turns.
    healthy : array of bool, shape (turns,), or None
        Turns in which every cylinder fires: only they tell whether the spacing holds still.
    inertia_deg : array, shape (teeth,), or None
        What the reciprocating masses of a common engine make of a perfect wheel [deg], positive = late.
    """
    import warnings

    if crank.turns > MOST_TURNS:
        rows = _runs_of_turns(crank.turns, motoring)
        block = crank.block[rows] + np.cumsum(np.diff(rows, prepend=rows[:1]) != 1)
        crank = replace(crank, time_s=crank.time_s[rows], faulty=crank.faulty[rows], block=block)
        motoring = None if motoring is None else motoring[rows]
        level = None if level is None else level[rows]
        healthy = None if healthy is None else healthy[rows]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN columns: a tooth never seen
        res, speed = residual_angles(crank)
        turns = TurnAngles(res, speed, level)
        whole = np.isfinite(res[:, 1:]).mean(axis=1) > 0.9
        whole &= np.isfinite(speed)
        cut = whole & motoring if motoring is not None else np.zeros_like(whole)
        if cut.sum() >= LEAST_TURNS:
            learned = _learn(turns.some(cut), crank.wheel, engine, "fuel_cut", inertia_deg)
            fired = whole & ~cut
            if learned.stable is not False and fired.sum() > 2 * cut.sum():
                # the cut is one stretch of the log: whether the spacing holds shows over all of it
                stable, drift = fired_stability(turns, fired, healthy, crank.wheel, engine)
                if stable is not None:
                    learned = replace(learned, stable=stable, drift_deg=drift)
            return learned
        if whole.sum() >= LEAST_TURNS:
            lo, hi = np.nanpercentile(speed[whole], [5, 95])
            if hi / lo >= SPEED_RATIO:
                # cycle by cycle: around a dead cylinder both the lateness and the level alternate from turn to turn,
                # and their product would pass for a spacing
                learned = _learn(turns.by_cycle(whole), crank.wheel, engine, "speed_sweep", inertia_deg)
                if np.nanmedian(learned.sd_deg) > LEAST_SURE_DEG:
                    return Pattern.none(crank.wheel.teeth)
                learned = replace(learned, turns=int(whole.sum()))
                stable, drift = fired_stability(turns, whole, healthy, crank.wheel, engine)
                return replace(learned, stable=stable, drift_deg=drift)
    return Pattern.none(crank.wheel.teeth)


def _runs_of_turns(turns: int, motoring: BoolArray | None) -> IntArray:
    """Rows of about MOST_TURNS turns of a long log, in runs spread evenly over it and over its fuel cuts."""
    use = np.arange(turns) // RUN_TURNS % -(-turns // MOST_TURNS) == 0
    if motoring is not None:
        cut = np.flatnonzero(motoring)
        use[cut[np.arange(cut.size) // RUN_TURNS % -(-cut.size // MOST_TURNS) == 0]] = True
    return np.flatnonzero(use)


def _learn(
    turns: TurnAngles, wheel: Wheel, engine: Engine, source: str, inertia_deg: FloatArray | None
) -> Pattern:
    lo, hi = np.nanpercentile(turns.speed, [5, 95])
    slope = bool(hi / lo >= 1.15)
    whole, sd, torque = _fit(turns.res, turns.speed, slope, turns.level)
    a = without_firing_orders(whole, wheel, engine)
    stable, drift = stability(TurnAngles(turns.res, turns.speed), source == "fuel_cut", wheel, engine)
    apparent = None
    if slope:
        spacing = whole - np.nanmean(whole)
        apparent = Apparent(spacing, np.zeros(spacing.size))
        if inertia_deg is not None:
            share, unsure = _hidden_share(
                spacing, torque, inertia_deg, wheel, engine, source == "speed_sweep"
            )
            apparent = Apparent(spacing - share * torque, unsure * torque)
    return Pattern(source, a, sd, int(turns.res.shape[0]), stable, drift, apparent)


def _hidden_share(
    apparent_deg: FloatArray,
    torque_deg: FloatArray,
    inertia_deg: FloatArray,
    wheel: Wheel,
    engine: Engine,
    fired: bool,
) -> tuple[float, float]:
    """Share of the torque's shape that the fit over turns has left in the apparent spacing, and its standard error.

    On fired turns the torque term is scaled with the level of the turn, and that level is itself read from
    the same teeth: an error of it that grows with w^2 leaves a multiple of the torque's shape in the
    geometry. In fuel cut the compression's ripple follows the charge, which changes with the speed, and
    leaves less. At the firing orders the true geometry is the reciprocating masses (known to within some
    tens of per cent) and little else, which tells how large the multiple is. Beforehand it can be as large as
    what makes the level wrong in that way: those masses, and the wheel's own scatter.
    """
    ok = np.isfinite(apparent_deg)
    columns = firing_columns(wheel, engine).shape[1]
    if columns < 5 or ok.sum() <= 2 * columns:
        return 0.0, 1.0 if fired else HIDDEN_IN_CUT
    parts = np.column_stack([apparent_deg, torque_deg, inertia_deg])
    coef = firing_part(parts, wheel, engine, careful=True)[1:]
    rest = without_low_orders(without_firing_orders(apparent_deg, wheel, engine, careful=True), wheel)
    left = max(int(ok.sum()) - columns - 6, 1)  # the low orders are six columns
    tooth = max(1.4826 * float(np.nanmedian(np.abs(rest))) * np.sqrt(ok.sum() / left), TOOTH_LEAST_DEG)
    weight = 1 / (tooth * np.sqrt(2 / ok.sum()))
    spread = masses_unsure(engine)
    size = float(coef[:, 1] @ coef[:, 1])
    if size == 0.0:
        return 0.0, 0.0  # no torque of which a multiple could hide
    before = HIDDEN_IN_CUT
    if fired:
        before = np.hypot(spread * float(coef[:, 2] @ coef[:, 1]) / size, 1 / (weight * np.sqrt(size)))
    lhs = np.vstack([coef[:, 1:] * weight, [0.0, 1 / spread], [1 / before, 0.0]])
    rhs = np.append(coef[:, 0] * weight, [1 / spread, 0.0])
    fit = np.linalg.lstsq(lhs, rhs, rcond=None)[0]
    # where the two shapes do not explain the firing orders, their scatter says how much is not understood
    misfit = float(np.sum((rhs - lhs @ fit) ** 2)) / (rhs.size - fit.size)
    error = np.sqrt(np.linalg.pinv(lhs.T @ lhs)[0, 0] * max(misfit, 1.0))
    return float(fit[0]), float(error)


def segment_error_pct(
    pattern: Pattern, wheel: Wheel, tdc_deg: FloatArray, span_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Relative time error [%] of the segments that start at the given angles after position 0, and its error.

    Parameters
    ----------
    tdc_deg : array, shape (segments,)
        Start [deg] after position 0.
    span_deg : float
        Length [deg] of a segment; its ends use the mean of the three nearest teeth away from the gap.
    """
    angle = wheel.tooth_angles_deg
    err, sd = pattern.error_deg.copy(), pattern.sd_deg
    if wheel.missing:
        err = err.copy()
        err[0] = np.nan
    ends = np.concatenate([tdc_deg, tdc_deg + span_deg]) % TURN_DEG
    gap = np.abs((angle[None, :] - ends[:, None] + 180.0) % TURN_DEG - 180.0)
    gap = np.where(np.isfinite(err)[None, :], gap, np.inf)
    near = np.argsort(gap, axis=1)[:, :3]
    value = np.nanmean(err[near], axis=1)
    error = np.sqrt(np.nansum(sd[near] ** 2, axis=1)) / 3
    n = tdc_deg.size
    return 100 * (value[n:] - value[:n]) / span_deg, 100 * np.hypot(error[n:], error[:n]) / span_deg
