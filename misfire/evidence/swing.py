"""Slow swings of the speed from cycle to cycle: driver and road, or a driveline that keeps swinging at its own frequency.

Means over whole cycles hold nothing that is locked to the crank's half orders. In stretches of `_STRETCH` cycles the
spectrum says how much swings; a resonance is one narrow line, at the same frequency whatever the speed. A road that
shakes is broad, an imbalance of wheel or shaft moves with the speed, and regular misfires swing at a part of the cycle's
frequency, so speeds that differ tell them apart (*derived*).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import BoolArray
from misfire.decide import FIRING, MISFIRE
from misfire.engine import FloatArray
from misfire.evidence.pooled import Pooled
from misfire.evidence.shown import Shown

SWING_HZ = 1.0, 12.0
RESONANCE_HZ = 2.0  # slower ones are the driver's or the idle control's
NARROW = 0.7  # of the swing within the window's main lobe around the strongest frequency
LASTING = 0.75  # of the stretches in which the line stands at the same frequency (our choices)
EVEN = 0.3  # median change of its power from one stretch to the next, as a logarithm: a shaken driveline changes by 0.4 or more
TWO_SPEEDS = 1.15  # ratio of speeds that tells a frequency from an order
LEAST_STRETCHES = 4
_STRETCH = 64  # cycles
_LOBE = 2  # bins on each side that Hann's window spreads a line over


@dataclass(frozen=True)
class Swing:
    """Swing of the speed: `rms_pct` of the speed with `sd_pct`, strongest at `strongest_hz`.

    Of a resonance: `hz` its frequency (NaN without one), `lasting` the share of the stretches in which it stands, `work`
    the work that it moves in and out of the crank in one firing, as a share of normal work, `uneven` the median change of
    its power from one stretch to the next (logarithm of the ratio), `two_speeds` whether it keeps its frequency at
    speeds far enough apart.
    """

    rms_pct: float
    sd_pct: float
    strongest_hz: float
    hz: float
    lasting: float
    work: float
    uneven: float
    two_speeds: bool

    @property
    def resonates(self) -> bool:
        """A narrow line in most stretches, of a steady size."""
        return bool(self.lasting >= LASTING and self.uneven < EVEN)

    def shown(self) -> Shown:
        """The row of evidence."""
        says = f"from cycle to cycle, so not locked to the crank; strongest at {self.strongest_hz:.1f} Hz; "
        if self.resonates:
            says += f"one narrow line at {self.hz:.1f} Hz in {100 * self.lasting:.0f} % of the time moves "
            says += f"{100 * self.work:.0f} % of a combustion in and out each firing"
        else:
            says += "driveline, road or driver"
        return Shown("slow swing of the speed, 1 to 12 Hz", says, self.rms_pct, "%", sd=self.sd_pct)


def slow_swing(p: Pooled) -> Swing | None:
    """How the speed swings from cycle to cycle; None with fewer than three whole stretches of judged firings."""
    n = p.engine.cylinders
    cycles = p.rpm.size // n
    if cycles < _STRETCH:
        return None
    cut = cycles * n

    def by_cycle(x: FloatArray) -> FloatArray:
        return np.asarray(x[:cut].reshape(cycles, n).mean(axis=1))

    speed, time = by_cycle(p.rpm), by_cycle(p.time_s)
    good = np.isin(p.state, (FIRING, MISFIRE))[:cut].reshape(cycles, n).all(axis=1) & np.isfinite(speed)
    good[1:] &= (np.diff(time) > 0) & (np.diff(time) < 0.5)
    starts = [
        part[good[part]][lo : lo + _STRETCH]
        for part in np.split(np.arange(cycles), np.flatnonzero(~good))
        for lo in range(0, good[part].sum() - _STRETCH + 1, _STRETCH)
    ]
    if len(starts) < 3:
        return None
    k = np.array(starts[:: -(-len(starts) // 200)])
    step = np.median(np.diff(time[k], axis=1), axis=1)
    mean = speed[k].mean(axis=1)
    f, spectrum = _spectrum(speed[k] / mean[:, None], step)
    power = spectrum.sum(axis=1)
    top = np.unravel_index(int(np.argmax(spectrum)), spectrum.shape)
    square, sd = float(np.mean(power)), float(np.std(power, ddof=1) / np.sqrt(power.size))
    rms = 100 * float(np.sqrt(2 * square))
    hz, lasting, mine = _line(f, spectrum)
    work, uneven, apart = 0.0, float("inf"), False
    if mine.any():
        w = mean[mine] * np.pi / 30
        normal = np.array([np.nanmedian(p.normal[i[0] * n : (i[-1] + 1) * n]) for i in k[mine]])
        # d(w^2/2)/dt of a swing of relative size a, over one firing; the cycle's mean has taken a little of it
        own = np.where(f >= RESONANCE_HZ, spectrum, 0.0).sum(axis=1)[mine]
        uneven = float(np.median(np.abs(np.diff(np.log(own))))) if own.size > 1 else float("inf")
        size = np.sqrt(2 * 2 * own) / np.sinc(hz * step[mine])
        work = float(np.median(w**2 * size * 2 * np.pi * hz * (step[mine] / n) / normal))
        apart = bool(mean[mine].max() > TWO_SPEEDS * mean[mine].min())
    return Swing(rms, rms * sd / max(2 * square, 1e-300), float(f[top]), hz, lasting, work, uneven, apart)


def _spectrum(x: FloatArray, step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies [Hz] and power of each stretch, shapes (stretches, bins); a slow change of speed is taken out."""
    trend = np.polynomial.legendre.legvander(np.linspace(-1, 1, _STRETCH), 3)
    x = x - (x @ np.linalg.pinv(trend).T) @ trend.T
    window = np.hanning(_STRETCH)
    power = np.abs(np.fft.rfft(x * window, axis=1)) ** 2 / (_STRETCH * np.sum(window**2))
    f = np.fft.rfftfreq(_STRETCH)[None, :] / step[:, None]
    power[(f < SWING_HZ[0]) | (f > SWING_HZ[1])] = 0.0
    return f, power


def _line(f: FloatArray, power: FloatArray) -> tuple[float, float, BoolArray]:
    """Frequency [Hz] of the narrow line that most stretches share, the share of those, and which; NaN, 0 without one."""
    none = float("nan"), 0.0, np.zeros(len(f), dtype=bool)
    if len(f) < LEAST_STRETCHES:
        return none
    rows = np.arange(len(f))
    power = np.where(f >= RESONANCE_HZ, power, 0.0)
    at = np.argmax(power, axis=1)
    lobe = np.clip(at[:, None] + np.arange(-_LOBE, _LOBE + 1), 0, power.shape[1] - 1)
    own = np.take_along_axis(power, lobe, axis=1)
    narrow = own.sum(axis=1) > NARROW * power.sum(axis=1)
    where = (np.take_along_axis(f, lobe, axis=1) * own).sum(axis=1) / np.maximum(own.sum(axis=1), 1e-300)
    if not narrow.any():
        return none
    hz = float(np.median(where[narrow]))
    mine = narrow & (np.abs(where - hz) < f[rows, 1])
    return hz, float(np.mean(mine)), mine
