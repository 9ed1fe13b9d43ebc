"""Filters that give an event's combustion energy and the mean energy of a cycle, from teeth around its TDC.

Angles of teeth have shape (teeth,), those of a window (points,). `ridge` is a ratio of variances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from misfire.crank import IntArray
from misfire.engine import CYCLE_DEG, TURN_DEG, Engine, FloatArray
from misfire.gas import GasShape
from misfire.grid import Grid
from misfire.work.windows import Filter, Place, window

COMPRESSION_SHARE = 0.22  # compression work over combustion work of one charge, generic engine [derived]
HARMONICS = 4
INERTIA_SPREAD, INERTIA_KNOWN = (
    0.4,
    0.1,
)  # of the masses' ripple: common engines differ (no source); from the file


def firing_period_deg(engine: Engine) -> float:
    """Smallest rotation [deg] that maps the firing TDCs onto themselves."""
    tdc = np.sort(engine.event_deg)
    for shift in tdc[1:]:
        moved = np.sort((tdc + shift) % CYCLE_DEG)
        if np.allclose(moved, tdc, atol=0.5):
            return float(shift)
    return CYCLE_DEG


def firing_sorts(engine: Engine) -> IntArray:
    """Which places a rotation of the engine maps onto each other: a class for each, shape (cylinders,)."""
    period = firing_period_deg(engine)
    return np.round(engine.event_deg % period).astype(np.int64) % max(
        round(period), 1
    )  # a whole period is none


@dataclass(frozen=True)
class Span:
    """The teeth that a filter stands on: degrees before and after TDC, and the degree of the trend."""

    before: float
    after: float
    degree: int


def event_filters(
    grid: Grid, engine: Engine, at: list[Place], shape: GasShape, span: Span, ridge: float
) -> list[Filter]:
    """Weights that give the combustion energy of each place's event, neighbours and trend solved beside it.

    The neighbours carry a prior, `ridge` = (noise of the integral / spread of the work)^2, which keeps the
    ones that the window only touches from costing accuracy where the clock is the limit.

    The wheel's gap cuts the window differently at each place, so the wave that all firing intervals share
    would leave a different remainder at each. The filters of like places are therefore made to answer alike
    to the first harmonics of that wave, with the least change in noise.
    """
    drafts = [_draft(grid, engine, p, shape, span, ridge) for p in at]
    if engine.cylinders <= 2:
        return [Filter(d.offsets, d.weights) for d in drafts]
    return answer_alike(grid, engine, at, drafts)


@dataclass(frozen=True)
class Draft:
    """A filter before it is bent to answer like its fellows.

    `fixed` are the columns that it answers exactly (trend, target), shape (points, columns); `cov` the
    covariance of what disturbs it, in any unit, shape (points, points).
    """

    offsets: IntArray
    angle_deg: FloatArray
    weights: FloatArray
    fixed: FloatArray
    cov: FloatArray


def answer_alike(grid: Grid, engine: Engine, at: list[Place], drafts: list[Draft]) -> list[Filter]:
    """Filters of like places that answer alike to the wave that all firing intervals share."""
    period = firing_period_deg(engine)
    order = TURN_DEG / period
    most = min(HARMONICS, int(grid.per_turn / 2.5 / order))
    tdc = engine.event_deg
    kind = firing_sorts(engine)[[p.index for p in at]]
    waves = []
    for d, p in zip(drafts, at, strict=True):
        phase = np.radians(d.angle_deg + tdc[p.index])
        cols = [f(order * n * phase) for n in range(1, most + 1) for f in (np.cos, np.sin)]
        waves.append(np.column_stack(cols) if cols else np.zeros((phase.size, 0)))
    answer = np.array([d.weights @ w for d, w in zip(drafts, waves, strict=True)])
    out = []
    for i, d in enumerate(drafts):
        want = answer[kind == kind[i]].mean(axis=0) - answer[i]
        c = np.column_stack([d.fixed, waves[i]])
        goal = np.concatenate([np.zeros(d.fixed.shape[1]), want])
        vc = np.linalg.solve(d.cov, c)
        out.append(Filter(d.offsets, d.weights + vc @ (np.linalg.pinv(c.T @ vc) @ goal)))
    return out


def _draft(grid: Grid, engine: Engine, place: Place, shape: GasShape, span: Span, ridge: float) -> Draft:
    k, angle = window(grid, place.angle_deg, span.before, span.after)
    u = angle / 180.0
    cols = [u**q for q in range(span.degree + 1)]
    tdc = engine.event_deg
    here = tdc[place.index]
    other = np.concatenate([tdc - here - CYCLE_DEG, tdc - here, tdc - here + CYCLE_DEG])
    other = np.sort(other[(np.abs(other) > 1e-6) & (other > -span.before - 100) & (other < span.after + 5)])
    if engine.cylinders <= 2:
        cols.append(np.radians(shape.dip_integral(angle)))
    fixed = np.column_stack([*cols, np.radians(shape.step_integral(angle))])
    steps = np.radians(shape.step_integral(angle[:, None] - other))
    x = np.column_stack([fixed, steps])
    prior = np.zeros(x.shape[1])
    prior[fixed.shape[1] :] = ridge / k.size
    h = np.linalg.solve(x.T @ x / k.size + np.diag(prior), x.T / k.size)[fixed.shape[1] - 1]
    return Draft(k, angle, h, fixed, np.eye(k.size) + steps @ steps.T / max(ridge, 1e-9))


def level_filter(grid: Grid, engine: Engine, place: Place, shape: GasShape) -> tuple[Filter, float]:
    """Weights that give the mean combustion energy of the events of a whole cycle around a place.

    The ripple that all cylinders share holds it: combustion steps and their compression against the load's
    slope. The second value is what the reciprocating masses add: level += value * w^2 * m r^2 / (2 J).
    """
    k, angle = window(grid, place.angle_deg, 360.0, 360.0)
    u = angle / 180.0
    tdc = engine.event_deg - engine.event_deg[place.index]
    all_tdc = np.concatenate([tdc + CYCLE_DEG * c for c in (-2, -1, 0, 1, 2)])
    comb = sum(np.radians(shape.step_integral(angle - o)) for o in all_tdc)
    dip = sum(np.radians(shape.dip_integral(angle - o)) for o in all_tdc)
    mass = sum(np.radians(shape.inertia_integral(angle - o)) for o in tdc)
    # what single cylinders do differently lies on the orders below the firings' own; it would leak past the gap
    below = np.arange(0.5, TURN_DEG / firing_period_deg(engine) - 0.25, 0.5)
    single = [f(o * np.radians(angle)) for o in below for f in (np.cos, np.sin)]
    h = np.linalg.pinv(np.column_stack([u**0, u, u**2, comb + COMPRESSION_SHARE * dip, *single]))[3]
    return Filter(k, h), float(h @ mass)


def inertia_share(engine: Engine) -> float:
    """Half of m r^2 / J of one cylinder: from the engine file, else a common value (no source)."""
    e = engine
    if e.reciprocating_mass_kg and e.stroke_mm and e.rotating_inertia_kg_m2:
        r2 = (e.stroke_mm / 2000.0) ** 2
        total = e.rotating_inertia_kg_m2 + 0.5 * e.cylinders * e.reciprocating_mass_kg * r2
        return 0.5 * e.reciprocating_mass_kg * r2 / total
    return 0.00275


def masses_unsure(engine: Engine) -> float:
    """Relative error of `inertia_share`: small from the engine file, else as common engines differ (no source)."""
    told = (engine.reciprocating_mass_kg, engine.rotating_inertia_kg_m2, engine.stroke_mm)
    return INERTIA_SPREAD if any(x is None or x == 0 for x in told) else INERTIA_KNOWN


def inertia_lateness_deg(
    angle_deg: FloatArray, engine: Engine, first_deg: float, shape: GasShape
) -> FloatArray:
    """How late [deg] the edges of a perfect wheel come at constant energy, from the reciprocating masses alone.

    dt/dth = 1/w and w^2 J = constant: lateness = integral of (dJ/J)/2 [derived]. Shape (teeth,), mean 0.
    """
    tdc = engine.event_deg - first_deg
    late = -inertia_share(engine) * sum(shape.inertia_integral(angle_deg - o) for o in tdc)
    return np.asarray(late - np.mean(late), dtype=float)
