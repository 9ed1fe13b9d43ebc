"""The one-cylinder engine of the recordings: its records read and numbered, and the same engine simulated.

Constants as told in `test_one_cylinder.py`. Waves are mean waves of w^2/2 [(rad/s)^2] over `GRID_DEG`.
"""

import gzip
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

from misfire.engine import Engine, Wheel
from misfire.simulate import Combustion, Driveline, Phase, Scenario, ToothErrors, prepared_engine, simulate
from misfire.simulate.gas import GasModel

FOLDER = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "one_cylinder_60-2"
TDC_AFTER_GAP_DEG = 243.5  # manifest.csv
VOLT_PER_BAR = 0.077
ENGINE_KG_M2 = 0.0203
LOAD_KG_M2, LOAD_HZ = 0.00174, 15.2  # the load's inertia, and its frequency against a crank that stands
LOAD_DAMPING = 0.05  # assumed
RECIPROCATING_KG = 0.25  # assumed: usual for a piston of this bore
GRID_DEG = np.arange(-354.0, 360.0, 6.0)
PHI_DEG = np.arange(-360.0, 361.0)
FIRED_KPA, COASTING_KPA = 92.35, 101.9
FIRED = GasModel(
    compression_exponent=1.25, expansion_exponent=1.342, inlet_closes_deg=-165.0, exhaust_opens_deg=160.6,
    blowdown_deg=17.2, exhaust_kpa=139.0, heat_mj_per_m3=1.559, burn_start_deg=-10.6, burn_deg=63.2,
)  # fmt: skip
COASTING = GasModel(
    compression_exponent=1.25, expansion_exponent=1.314, inlet_closes_deg=-165.0, exhaust_opens_deg=175.0,
    blowdown_deg=40.0, exhaust_kpa=110.3,
)  # fmt: skip


@cache
def samples(name):
    """Time [s], crank [V], pressure [V]."""
    with gzip.open(FOLDER / f"{name}.csv.gz", "rt") as f:
        return np.loadtxt(f, delimiter=",", skiprows=1).T


@cache
def crank_edges(name):
    t, v, _ = samples(name)
    i = np.flatnonzero((v[:-1] < 0.0) & (v[1:] >= 0.0))
    return t[i] - v[i] * (t[i + 1] - t[i]) / (v[i + 1] - v[i])


def truth_rows(name):
    rows = (FOLDER / "truth_per_cycle.csv").read_text().splitlines()
    head = rows[0].split(",")
    kept = [dict(zip(head, r.split(","), strict=True)) for r in rows[1:] if r.startswith(f"{name},")]
    return np.array([float(r["tdc_time_s"]) for r in kept]), np.array([float(r["imep_bar"]) for r in kept])


def numbered(edges):
    """Angle after the first tooth [deg] of every edge between whole gaps."""
    step = np.diff(edges)
    gap = np.flatnonzero(step > 2.4 * np.median(step))
    angle, time = [], []
    for turn, (a, b) in enumerate(pairwise(gap)):
        if b - a == 58:
            time.append(edges[a + 1 : b + 1])
            angle.append(360.0 * turn + 6.0 * np.arange(58))
    return np.concatenate(angle), np.concatenate(time)


def energy(angle, time):
    """w^2/2 [(rad/s)^2] from four-tooth spans that touch neither gap neighbour, at their middle angle."""
    span = 4
    width = np.radians(angle[span:] - angle[:-span])
    place = angle % 360.0
    # the two teeth next to the gap stay out: their edges move with speed
    good = (
        (angle[span:] - angle[:-span] < 6.0 * span + 1.0) & (place[:-span] >= 12.0) & (place[span:] <= 336.0)
    )
    w = width / (time[span:] - time[:-span])
    middle = 0.5 * (angle[span:] + angle[:-span])
    return middle[good], 0.5 * w[good] ** 2


def wave(edges, tdc_s):
    """Mean wave of w^2/2 over a cycle by angle from firing TDC, its slow trend taken out; NaN at the gap."""
    angle, time = numbered(edges)
    middle, e = energy(angle, time)
    waves = []
    for tdc in tdc_s:
        at = np.interp(tdc, time, angle)
        at = np.round((at - TDC_AFTER_GAP_DEG) / 360.0) * 360.0 + TDC_AFTER_GAP_DEG
        phi = middle - at
        one = (phi > -357.0) & (phi < 357.0)
        if one.sum() > 80:
            trend = np.polyval(np.polyfit(phi[one], e[one], 1), phi[one])
            row = np.full(len(GRID_DEG), np.nan)
            place = np.round((phi[one] - GRID_DEG[0]) / 6.0).astype(int)
            inside = (place >= 0) & (place < len(row))
            row[place[inside]] = (e[one] - trend)[inside]
            waves.append(row)
    out = np.full(len(GRID_DEG), np.nan)
    stack = np.array(waves)
    known = np.sum(np.isfinite(stack), axis=0) > len(stack) / 2
    out[known] = np.nanmean(stack[:, known], axis=0)
    return out


def half_difference(w):
    """Half the difference of a wave and itself a turn later: wheel errors and inertia ripple fall out."""
    return 0.5 * (w[:59] - w[60:])


def load_pct(kpa):
    return (kpa - 15.0) / 0.85


def small_engine():
    base = Engine.from_order([1], bore_mm=67.7, stroke_mm=55.0, rod_mm=84.2, compression_ratio=8.5)
    e = prepared_engine(base, Wheel.regular(60, 2, first_tooth_after_tdc1_deg=360.0 - TDC_AFTER_GAP_DEG))
    return replace(e, reciprocating_mass_kg=RECIPROCATING_KG, rotating_inertia_kg_m2=ENGINE_KG_M2)


def simulated(*, rpm, kpa, fired, teeth=None, stiff=False):
    """A run of the small engine, held at a speed or coasting from it."""
    step = (
        Phase(duration_s=3.0, rpm=rpm, load_pct=load_pct(kpa), gear_m=1.0)
        if fired
        else Phase(duration_s=0.5, rpm=rpm, mode="free", fuel_cut=True, load_pct=load_pct(kpa), gear_m=1.0)
    )
    load = Driveline(
        vehicle_kg=LOAD_KG_M2,
        natural_hz=0.0 if stiff else LOAD_HZ * np.sqrt(1.0 + LOAD_KG_M2 / ENGINE_KG_M2),
        damping=LOAD_DAMPING,
        road_n=0.0,
        drag_n_s2_m2=0.0,
    )
    return simulate(
        Scenario(
            engine=small_engine(),
            driveline=load,
            programme=(step,),
            gas=FIRED if fired else COASTING,
            combustion=Combustion(cov_full=0.04, cov_idle=0.04),
            teeth=teeth or ToothErrors(),
            accessory_nm=0.3,
        )
    )
