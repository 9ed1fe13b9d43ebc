"""Whether the tooth spacing holds still inside a log.

Early turns are held against late ones, tooth by tooth, with what gas torque adds fitted beside the change: its
part goes with torque / w^2. Two ways of telling early from late are asked, because each is blind to something:

- the halves of the log. Blind where the speed or load changes once, in the middle: then a drift looks like torque.
- the halves of every stretch of like torque / w^2, each stretch with a spacing and a torque term of its own. Blind to a
  change that falls together with the change of speed.

Residual angles have shape (turns, teeth), what belongs to a turn shape (turns,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray, IntArray
from misfire.engine import Engine, FloatArray, Wheel
from misfire.orders import without_firing_orders, without_low_orders

LEAST_TURNS = 16
LEAST_TEETH = 20  # fewer leave too little beside the orders of the firings and of the gas torque
DRIFT_FROM_DEG = 0.04  # smaller changes are within what speed and load do to a pickup (no source)
_FIRM = 5.0  # standard errors; beyond what many teeth and two questions bring by chance
_LIKE = 1.5  # torque / w^2 within this factor is one stretch; our own choice
_GAS_ORDERS = 3  # crank orders in which gas torque differs between early and late turns
_MISFIRE_ORDERS = 8  # and those that misfires reach: a burn lasts about 140 deg, so there is little above
_STRETCHES = 6  # at most so many, the fullest ones


@dataclass(frozen=True)
class TurnAngles:
    """What the turns (or cycles) of a log show of the tooth spacing, in order of time.

    Attributes
    ----------
    res : array, shape (turns, teeth)
        Residual angles [deg], as of `pattern.residual_angles`.
    speed : array, shape (turns,)
        [rad/s].
    level : array, shape (turns,), or None
        Mean combustion energy [rad^2/s^2]; None when not known.
    """

    res: FloatArray
    speed: FloatArray
    level: FloatArray | None = None

    def some(self, use: BoolArray) -> TurnAngles:
        """Those turns, without their level: what it says holds for fired ones."""
        return TurnAngles(self.res[use], self.speed[use])

    def by_cycle(self, use: BoolArray) -> TurnAngles:
        """Means over the two turns of those cycles both of whose turns are to be used."""
        level = None if self.level is None else _by_cycle(use, self.level)
        return TurnAngles(_by_cycle(use, self.res), _by_cycle(use, self.speed), level)


def fired_stability(
    turns: TurnAngles, whole: BoolArray, healthy: BoolArray | None, wheel: Wheel, engine: Engine
) -> tuple[bool | None, float]:
    """Whether the spacing holds over fired turns, judged cycle by cycle: a weak cylinder's half orders drop out.

    Where too few turns are healthy, all whole ones are asked, without the orders that misfires reach: a spacing that
    moves may itself make most turns look sick.

    `whole` marks the turns that were seen whole, `healthy` those in which every cylinder fires (None: not known), both of
    shape (turns,). Returns as `stability`.
    """
    got: tuple[bool | None, float] = (None, 0.0)
    calm = whole if healthy is None else whole & healthy
    for use, orders in ((calm, _GAS_ORDERS), (whole, _MISFIRE_ORDERS)):
        got = stability(turns.by_cycle(use), False, wheel, engine, orders)
        if got[0] is not None:
            break
    return got


def _by_cycle(use: BoolArray, x: FloatArray) -> FloatArray:
    pairs = use.size // 2
    both = use[: 2 * pairs].reshape(-1, 2).all(axis=1)
    return np.asarray(x[: 2 * pairs].reshape(pairs, 2, *x.shape[1:])[both].mean(axis=1), dtype=float)


def stability(
    turns: TurnAngles, cut: bool, wheel: Wheel, engine: Engine, orders: int = _GAS_ORDERS
) -> tuple[bool | None, float]:
    """Compare early with late turns, each tooth against its own error.

    Parameters
    ----------
    turns : TurnAngles
        Turns or cycles.
    cut : bool
        They are fuel-cut ones.
    orders : int
        Crank orders up to which a change is left out on fired turns: gas torque lives there.

    Returns
    -------
    stable : bool or None
        None when there are too few turns or teeth to say.
    drift_deg : float
        Largest change [deg] of a tooth that is beyond its noise, 0 when there is none.
    """
    res, speed, level = turns.res, turns.speed, turns.level
    n = res.shape[0]
    # with one cylinder every crank order carries gas and inertia, which change with load and speed
    if (
        n < (2 if cut else 1) * LEAST_TURNS
        or engine.cylinders == 1
        or (not cut and wheel.teeth < LEAST_TEETH)
    ):
        return None, 0.0
    torque = (np.nanmedian(speed) / speed) ** 2
    if level is not None and np.isfinite(level).all() and np.median(level) > 0:
        torque = torque * np.clip(level / np.median(level), 0.0, 10.0)
    everywhere = np.zeros(n, dtype=np.int64)
    worst = 0.0
    for stretch in (everywhere, _stretches(torque)):
        if stretch is None:
            continue
        # every other pair of turns serves as the yardstick: what two sets differ by when nothing drifts
        found = []
        for late in (_later(stretch), (np.arange(n) // 2) % 2 == 0):
            d, sd = _change(res, torque, stretch, late)
            d = without_firing_orders(d, wheel, engine)
            if not cut:
                d = without_low_orders(d, wheel, orders)
            found.append((d, d / sd))
        d, z = found[0]
        yard = max(float(np.nanstd(found[1][1])), 1.0)
        beyond = (np.abs(z) / yard > _FIRM) & (np.abs(d) > DRIFT_FROM_DEG)
        beyond[0] = beyond[-1] = False  # beside the gap the shift changes with speed: no sign of a drift
        if beyond.any():
            worst = max(worst, float(np.abs(d[beyond]).max()))
    return worst == 0.0, worst


def _stretches(torque: FloatArray) -> IntArray | None:
    """Class of like torque / w^2 of every turn, -1 for none; None when it would be the log as a whole."""
    order = np.floor(np.log(np.maximum(torque, 1e-3)) / np.log(_LIKE)).astype(np.int64)
    kinds, where, number = np.unique(order, return_inverse=True, return_counts=True)
    full = np.flatnonzero(number >= 2 * LEAST_TURNS)
    full = full[np.argsort(-number[full], kind="stable")][:_STRETCHES]
    if full.size == 0 or kinds.size == 1:
        return None
    name = np.full(kinds.size, -1)
    name[full] = np.arange(full.size)
    return np.asarray(name[where], dtype=np.int64)


def _later(stretch: IntArray) -> BoolArray:
    """The later half of every stretch."""
    late = np.zeros(stretch.size, dtype=bool)
    for k in range(int(stretch.max()) + 1):
        at = np.flatnonzero(stretch == k)
        late[at[at.size // 2 :]] = True
    return late


def _change(
    res: FloatArray, torque: FloatArray, stretch: IntArray, late: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Change of each tooth from early to late turns, the torque term fitted beside it, and its error [deg].

    Every stretch has a spacing and a torque term of its own; the change is common to all.
    """
    use = stretch >= 0
    res, torque, stretch, late = res[use], torque[use], stretch[use], late[use]
    own = stretch[:, None] == np.arange(int(stretch.max()) + 1)
    x = np.column_stack([own, own * torque[:, None], np.where(late, 0.5, -0.5)])
    y = np.where(np.isfinite(res), res, np.nanmedian(res, axis=0))
    weight = np.ones(res.shape[0])
    beta = np.zeros((x.shape[1], res.shape[1]))
    scale = np.ones(res.shape[1])
    inverse = np.eye(x.shape[1])
    for _ in range(3):
        inverse = np.linalg.pinv(x.T @ (weight[:, None] * x))
        beta = inverse @ (x.T @ (weight[:, None] * y))
        r = y - x @ beta
        scale = 1.4826 * np.median(np.abs(r), axis=0) + 1e-9
        # a turn that is off at many teeth (a misfire, a bump) counts less as a whole
        weight = 1 / np.maximum(1.0, np.median(np.abs(r) / scale, axis=1) / 1.5) ** 2
    return beta[-1], 1.3 * scale * np.sqrt(inverse[-1, -1])
