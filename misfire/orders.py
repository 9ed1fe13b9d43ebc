"""Crank orders in a tooth pattern: those of the firing frequency, and the low ones of run-out and wobble.

A pattern [deg] has shape (teeth,), NaN where a tooth is not known.
"""

from __future__ import annotations

import numpy as np

from misfire.engine import Engine, FloatArray, Wheel


def without_firing_orders(
    error_deg: FloatArray, wheel: Wheel, engine: Engine, careful: bool = False
) -> FloatArray:
    """Take the orders of the firing frequency and the mean out of a tooth pattern [deg], least squares over the teeth.

    Low orders that are not firing orders (run-out, wobble) are fitted beside them, because past the missing
    teeth a run-out would leak into the firing orders. With `careful` a few teeth that stand far out (bent,
    chipped) count less: plain least squares leaves a share of such a tooth at the firing order of all others.
    """
    if engine.cylinders == 1:
        return error_deg - np.nanmean(error_deg)
    x = firing_columns(wheel, engine)
    ok = np.isfinite(error_deg)
    if ok.sum() <= x.shape[1]:
        return error_deg - np.nanmean(error_deg)
    beta = firing_part(error_deg[:, None], wheel, engine, careful)[:, 0]
    rest = error_deg - x @ beta
    return np.where(ok, rest - np.nanmean(rest), np.nan)


def firing_part(parts_deg: FloatArray, wheel: Wheel, engine: Engine, careful: bool) -> FloatArray:
    """Coefficients of the firing columns in each part, shape (columns, parts), the low orders fitted beside them.

    With `careful` teeth that stand out of the first part count less.
    """
    x = firing_columns(wheel, engine)
    step = engine.cylinders if engine.cylinders % 2 else engine.cylinders // 2
    low = [k for k in (1, 2, 3) if k % step]
    a = np.radians(wheel.tooth_angles_deg)
    low = low[: max(0, (wheel.teeth * 2 // 3 - x.shape[1]) // 2)]
    design = np.column_stack([x, *(f(k * a) for k in low for f in (np.cos, np.sin))])
    ok = np.isfinite(parts_deg).all(axis=1)
    design, y = design[ok], parts_deg[ok]
    weight = np.ones(y.shape[0])
    beta: FloatArray = np.zeros((design.shape[1], y.shape[1]))
    for _ in range(12 if careful else 1):
        beta = np.asarray(np.linalg.lstsq(design * weight[:, None], y * weight[:, None], rcond=None)[0])
        r = y[:, 0] - design @ beta[:, 0]
        scale = 1.4826 * float(np.median(np.abs(r))) + 1e-9
        weight = 1 / np.maximum(1.0, np.abs(r) / (2.5 * scale))
    return np.asarray(beta[: x.shape[1]], dtype=float)


def firing_columns(wheel: Wheel, engine: Engine) -> FloatArray:
    """A constant and the cosines and sines of the orders of the firing frequency at the teeth."""
    n = engine.cylinders
    step = n if n % 2 else n // 2
    a = np.radians(wheel.tooth_angles_deg)
    cols = [np.ones_like(a)]
    for order in range(step, max(wheel.teeth // 2, step + 1), step):
        if len(cols) >= wheel.teeth // 3:
            break
        cols += [np.cos(order * a), np.sin(order * a)]
    return np.column_stack(cols)


def without_low_orders(error_deg: FloatArray, wheel: Wheel, up_to: int = 3) -> FloatArray:
    """Take the crank orders 1..up_to out, least squares over the teeth."""
    a = np.radians(wheel.tooth_angles_deg)
    cols = [np.ones_like(a)] + [f(k * a) for k in range(1, up_to + 1) for f in (np.cos, np.sin)]
    x = np.column_stack(cols)
    ok = np.isfinite(error_deg)
    if ok.sum() <= x.shape[1]:
        return np.zeros_like(error_deg)
    beta = np.linalg.lstsq(x[ok], error_deg[ok], rcond=None)[0]
    return np.where(ok, error_deg - x @ beta, np.nan)
