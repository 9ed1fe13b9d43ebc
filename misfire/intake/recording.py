"""One recording type for every kind of log."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Channels:
    """Slow channels beside a log.

    Attributes
    ----------
    time_s : array, shape (rows,)
        Time [s] of each row, on the log's clock after `offset_s` has been added.
    values : dict of name -> array, shape (rows,)
        Columns by contract name: load_pct, map_kpa, throttle_pct, speed_rpm, coolant_c, transmission_c,
        fuel_cut, starter, vehicle_kmh. NaN where a row holds no value.
    """

    time_s: FloatArray
    values: dict[str, FloatArray]
    notes: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True)
class Recording:
    """Crank edges of one log, in time order.

    Attributes
    ----------
    crank_s : array, shape (edges,)
        Edge times [s] on the log's own clock, strictly growing.
    cam_s, cylinder1_s : array or None
        Times [s] of cam edges and of cylinder-1 marks; None when the log has no such column.
    clock_step_s : float
        Resolution of the times [s]: the clock step, the export's rounding, or the sampling interval's
        interpolation error; 0 when unknown.
    width_s : array or None
        High time [s] after each edge, when both polarities were logged.
    decisions : dict
        What the reader decided (format, columns, unit, threshold_v, polarity ...), name -> text.
    notes : tuple of str
        Sentences for the reader of the result.
    """

    source: str
    crank_s: FloatArray
    cam_s: FloatArray | None = None
    cylinder1_s: FloatArray | None = None
    clock_step_s: float = 0.0
    width_s: FloatArray | None = None
    decisions: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
