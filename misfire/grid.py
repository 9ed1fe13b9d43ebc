"""The teeth in use as angle, time and running integral of w^2/2; the scatter of their edges.

A turn of the tooth matrix starts at wheel position 0. The integral A = sum of dth^3 / (2 dt^2) over the
intervals carries white noise when the edge times do: each time error enters as -w^3 dt, once.

Starts of turns have shape (events,).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from misfire.crank import BoolArray, Crank, IntArray
from misfire.engine import TURN_DEG, FloatArray, Wheel

_ROWS = 16_000  # turns summed in one go, for the memory


@dataclass(frozen=True)
class Grid:
    """Teeth in use, one row a turn, as angle, time and running integral.

    Attributes
    ----------
    angle_deg : array, shape (used teeth,)
        Angle [deg] of each used tooth after position 0, learned errors included.
    time_s : array, shape (turns * used teeth,)
        Edge times [s]; short holes bridged, NaN where nothing is known.
    action : array, shape (turns * used teeth,)
        Running integral of w^2/2 over the angle [rad^3/s^2].
    sound : array of bool, shape (turns * used teeth,)
        Edge trusted and its turn not faulty.
    """

    angle_deg: FloatArray
    time_s: FloatArray
    action: FloatArray
    sound: BoolArray

    @property
    def per_turn(self) -> int:
        """Used teeth in a turn."""
        return int(self.angle_deg.size)

    @cached_property
    def unsound_before(self) -> npt.NDArray[np.int32]:
        """How many points before each are not sound; shape (points + 1,)."""
        return np.concatenate(([0], np.cumsum(~self.sound, dtype=np.int32)), dtype=np.int32)


def used_teeth(wheel: Wheel) -> BoolArray:
    """Teeth that the fits stand on, shape (teeth,): not the first one behind a gap, which shifts with speed."""
    use = np.ones(wheel.teeth, dtype=bool)
    steps = np.diff(np.append(wheel.tooth_angles_deg, TURN_DEG))
    gaps = np.flatnonzero(steps > 1.5 * np.median(steps))
    if wheel.teeth >= 20 and gaps.size:
        use[(gaps + 1) % wheel.teeth] = False
    return use


def make_grid(crank: Crank, tooth_error_deg: FloatArray | None = None) -> Grid:
    """The used teeth of a log: those beside a gap are left out on wheels that can spare them.

    Parameters
    ----------
    tooth_error_deg : array, shape (teeth,), or None
        Learned error [deg] of each tooth, positive = the edge comes late.
    """
    use = used_teeth(crank.wheel)
    angles = crank.wheel.tooth_angles_deg.copy()
    if tooth_error_deg is not None:
        angles = angles + np.nan_to_num(tooth_error_deg)
    angles = angles[use]
    n = angles.size
    which = np.flatnonzero(use)
    whole = (
        which.size == which[-1] - which[0] + 1
    )  # a slice is copied several times faster than picked columns
    time = crank.time_s[:, slice(which[0], which[-1] + 1) if whole else which].flatten()
    known = np.isfinite(time)
    sound = known.reshape(-1, n) & ~crank.faulty[:, None]
    if not known.all() and known.sum() >= 2:
        hole = np.flatnonzero(~known)
        where = np.flatnonzero(known)
        right = np.searchsorted(where, hole)
        inside = (right > 0) & (right < where.size)
        left, right = where[right[inside] - 1], where[right[inside]]
        hole = hole[inside]
        short = (right - left <= 2 * n) & (crank.block[left // n] == crank.block[right // n])
        hole, left, right = hole[short], left[short], right[short]
        full = [k // n * TURN_DEG + angles[k % n] for k in (hole, left, right)]
        share = (full[0] - full[1]) / (full[2] - full[1])
        time[hole] = time[left] + share * (time[right] - time[left])
    return Grid(angles, time, _action(time, angles, crank.block), sound.ravel())


def _action(time: FloatArray, angles: FloatArray, block: IntArray) -> FloatArray:
    """Running integral of w^2/2 over the angle [rad^3/s^2], nothing added across holes and breaks."""
    n = angles.size
    cube = 0.5 * np.radians(np.diff(np.append(angles, angles[0] + TURN_DEG))) ** 3
    action = np.zeros(time.size)
    last = np.append(np.diff(block) != 0, True)  # the interval behind a row's last tooth leads nowhere
    for lo in range(0, block.size, _ROWS):
        hi = min(lo + _ROWS, block.size)
        t = time[lo * n : hi * n + 1]
        with np.errstate(invalid="ignore", divide="ignore"):
            piece = np.tile(cube, hi - lo)[: t.size - 1] / np.diff(t) ** 2
        piece[~np.isfinite(piece)] = 0.0
        ends = np.flatnonzero(last[lo:hi]) * n + n - 1
        piece[ends[ends < piece.size]] = 0.0
        piece[:1] += action[lo * n]
        np.cumsum(piece, out=action[lo * n + 1 : lo * n + 1 + piece.size])
    return action


def time_noise_s(grid: Grid) -> float:
    """Scatter of the edge times [s], from fourth differences of the integral between cycles (common to all: gone).

    Differences of a cycle's spacing remove geometry and the mean wave; fourth differences the slow motion;
    the variance of the result is 2 * 70 times that of a single point.
    """
    n = 2 * grid.per_turn
    size = grid.time_s.size
    if size < 3 * n:
        return 1e-6
    step = 1 if size <= 400_000 else size // 120_000
    k = np.arange(n, size - 5, step)
    # where four neighbouring intervals are alike, by the first tooth
    ahead = np.diff(
        grid.angle_deg[(np.arange(grid.per_turn)[:, None] + np.arange(5)) % grid.per_turn], axis=1
    )
    gap = np.ptp(ahead, axis=1)[k % grid.per_turn]
    ok = np.ones(k.size, dtype=bool)
    for i in range(5):
        ok &= grid.sound[k + i] & grid.sound[k - n + i]
    k, gap = k[ok], gap[ok]
    if k.size < 50:
        return 1e-6
    k = k[gap < 1e-6 + 2 * np.median(gap)]
    high = np.zeros(k.size)
    for i, weight in enumerate((1.0, -4.0, 6.0, -4.0, 1.0)):
        high += weight * (grid.action[k + i] - grid.action[k - n + i])
    span = np.radians((grid.angle_deg[-1] - grid.angle_deg[0]) / max(grid.per_turn - 1, 1))
    w = 4 * span / (grid.time_s[k + 4] - grid.time_s[k])
    scaled = high / w**3
    scaled = scaled[np.isfinite(scaled)]
    return float(1.4826 * np.median(np.abs(scaled)) / np.sqrt(140.0)) if scaled.size else 1e-6


def time_at(grid: Grid, start: IntArray, angle_deg: float) -> FloatArray:
    """Time [s] at an angle after the first used tooth's turn, between the two teeth around; NaN beyond the log."""
    n = grid.per_turn
    turn, a = divmod(angle_deg, TURN_DEG)
    j = int(np.searchsorted(grid.angle_deg, a, side="right")) - 1
    shift = int(turn) * n + j
    left = grid.angle_deg[j] if j >= 0 else grid.angle_deg[-1] - TURN_DEG
    right = grid.angle_deg[j + 1] if j + 1 < n else grid.angle_deg[0] + TURN_DEG
    share = (a - left) / (right - left)
    step = int(start[1] - start[0]) if start.size > 1 else 0
    if step > 0 and (start[1:] - start[:-1] == step).all():
        # every turn of its kind, as mostly: two views instead of two gathers
        first = int(start[0]) + shift
        lo = min(max(0, -(first // step)), start.size)
        hi = max(lo, min(start.size, (grid.time_s.size - 2 - first) // step + 1))
        at = slice(first + lo * step, first + hi * step, step)
        near, far = grid.time_s[at], grid.time_s[at.start + 1 : at.stop + 1 : step]
        out = np.full(start.size, np.nan)
        out[lo:hi] = near[: hi - lo] + share * (far[: hi - lo] - near[: hi - lo])
        return out
    at_ = start + shift
    ok = (at_ >= 0) & (at_ + 1 < grid.time_s.size)
    at_ = np.where(ok, at_, 0)
    left_s, right_s = grid.time_s[at_], grid.time_s[np.minimum(at_ + 1, grid.time_s.size - 1)]
    return np.where(ok, left_s + share * (right_s - left_s), np.nan)
