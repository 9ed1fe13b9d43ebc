"""A compression leak against the first law of an open system, integrated step by step by scipy.

Outside: mass flow of a perfect gas through an orifice, choked and not, as any text on gas dynamics gives it (for
instance Heywood, Internal Combustion Engine Fundamentals, appendix C, from memory), and dU = -p dV - h dm. The integration
knows nothing of the closed form in `misfire.simulate.leak`.
"""

import dataclasses
import itertools
from functools import cache

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from misfire.errors import InputError
from misfire.simulate import Combustion, Phase, Scenario, prepared_engine, simulate
from misfire.simulate.gas import GasModel, WorkTables
from misfire.simulate.leak import Leak
from misfire.simulate.mechanics import Cylinder

N, R, T0 = 1.31, 287.0, 350.0
GAS = GasModel(compression_exponent=N, expansion_exponent=N)
CYLINDER = Cylinder(bore_m=0.086, stroke_m=0.086, rod_m=0.143, compression_ratio=10.3)
IVC, EVO = GAS.inlet_closes_deg, GAS.exhaust_opens_deg
PHI = np.linspace(IVC, EVO, 1121)


def flow(area, p, temp, back):
    """Mass flow [kg/s] out of a vessel; a cylinder below the crankcase's pressure draws in, at its own temperature."""
    if p < back:
        return -flow(area, back, temp, p)
    ratio = max(back / p, (2.0 / (N + 1.0)) ** (N / (N - 1.0)))
    head = 2.0 * N / (N - 1.0) * (ratio ** (2.0 / N) - ratio ** ((N + 1.0) / N))
    return area * p / np.sqrt(R * temp) * np.sqrt(head)


def integrated(area, rpm, kpa, back=0.0):
    """Mass over the first, and pressure [Pa], on PHI."""
    v0 = float(CYLINDER.volume_m3(IVC))
    m0 = 1e3 * kpa * v0 / (R * T0)
    deg_s = 6.0 * rpm

    def slope(phi, y):
        v = float(CYLINDER.volume_m3(phi))
        dv = (float(CYLINDER.volume_m3(phi + 1e-3)) - float(CYLINDER.volume_m3(phi - 1e-3))) / 2e-3
        p = (N - 1.0) * y[1] / v
        out = flow(area, p, p * v / (y[0] * R), back) / deg_s
        return [-out, -p * dv - out * N * y[1] / y[0]]

    start = [m0, 1e3 * kpa * v0 / (N - 1.0)]
    y = solve_ivp(slope, (IVC, EVO), start, t_eval=PHI, rtol=1e-9, atol=1e-12).y
    return y[0] / m0, (N - 1.0) * y[1] / CYLINDER.volume_m3(PHI)


@cache
def area_of(share):
    """Orifice area [m^2] that loses `share` at 1000/min."""
    return brentq(lambda a: integrated(a, 1000.0, 60.0)[0][-1] - 1.0 + share, 1e-9, 1e-3, xtol=1e-14)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5])
@pytest.mark.parametrize("rpm", [200.0, 1000.0, 3000.0])
@pytest.mark.parametrize("kpa", [35.0, 95.0])
def test_mass_pressure_and_work_of_a_choked_leak(share, rpm, kpa):
    mass, pressure = integrated(area_of(share), rpm, kpa)
    kept, force = Leak(GAS, CYLINDER, share).kept(PHI, np.array([rpm]))
    closed = 1e3 * kpa * (float(CYLINDER.volume_m3(IVC)) / CYLINDER.volume_m3(PHI)) ** N
    np.testing.assert_allclose(kept[0], mass, atol=1e-3)
    np.testing.assert_allclose(force[0] * closed, pressure, rtol=4e-3)
    # the work from inlet closing to exhaust opening, against the tables of the fast path; edges on every half degree
    edges = np.arange(-360.0, 360.5, 0.5)
    inside = (edges[:-1] >= IVC - 1e-9) & (edges[1:] <= EVO + 1e-9)
    table = WorkTables(GAS, CYLINDER, edges, share).manifold_cells(np.array([rpm]))[0][inside].sum() * kpa
    outside = np.trapezoid(pressure, CYLINDER.volume_m3(PHI))
    tight = np.trapezoid(closed, CYLINDER.volume_m3(PHI))
    assert abs(tight) < 0.01 * kpa
    assert table == pytest.approx(outside, rel=0.02)
    assert table < 0.0


@pytest.mark.parametrize(("kpa", "most"), [(95.0, 0.03), (35.0, 0.25)])
def test_an_orifice_that_is_not_always_choked_loses_less(kpa, most):
    """The stated approximation: work lost against a hole into 100 kPa, choked or not."""
    for rpm in (200.0, 1000.0, 3000.0):
        _, choked = integrated(area_of(0.3), rpm, kpa)
        _, real = integrated(area_of(0.3), rpm, kpa, back=1e5)
        peak = 1e3 * kpa * (float(CYLINDER.volume_m3(IVC)) / CYLINDER.clearance_m3) ** N
        lost, true_lost = 1.0 - choked.max() / peak, 1.0 - real.max() / peak
        assert true_lost < lost < true_lost + most


def test_heat_of_a_leaking_cylinder_is_that_of_the_mass_left():
    """Late slow burn by quadrature: p V^n grows by (n - 1) (V/m)^(n-1) dq, fuel goes with the charge."""
    share, rpm = 0.4, 800.0
    edges = np.arange(-360.0, 360.5, 0.5)
    start, width = -10.0, 60.0
    _, cells = WorkTables(GAS, CYLINDER, edges, share).heat_cells(
        np.array([start]), np.array([width]), np.array([rpm])
    )
    mass, _ = integrated(area_of(share), rpm, 60.0)

    def left(phi):
        return np.interp(phi, PHI, mass)

    def burned_slope(phi):
        x = max((phi - start) / width, 0.0)
        return 15.0 * x**2 / width * np.exp(-5.0 * x**3)

    def volume(phi):
        return float(CYLINDER.volume_m3(phi))

    fine = np.arange(start, EVO + 0.01, 0.5)
    rise = [0.0]
    for a, b in itertools.pairwise(fine):
        rise.append(rise[-1] + quad(lambda x: (volume(x) / left(x)) ** (N - 1.0) * burned_slope(x), a, b)[0])
    pressure = (N - 1.0) * np.array(rise) * (left(fine) / CYLINDER.volume_m3(fine)) ** N
    until_evo = cells[0][: cells.shape[1] - round((360.0 - EVO) / 0.5)].sum()
    assert until_evo == pytest.approx(np.trapezoid(pressure, CYLINDER.volume_m3(fine)), rel=0.01)


def scenario(leaks, *, fuel_cut):
    return Scenario(
        engine=prepared_engine("inline4"),
        programme=(Phase(duration_s=4.0, rpm=1200.0, load_pct=30.0, fuel_cut=fuel_cut),),
        combustion=Combustion(leaks=leaks),
    )


def test_a_leak_takes_work_fired_and_motored_and_the_truth_says_so():
    fired = simulate(scenario({"3": 0.3}, fuel_cut=False)).truth
    mean = {c: float(np.mean(fired.lost_work[fired.cylinder == c])) for c in (1, 2, 3, 4)}
    assert mean[3] > 0.1
    assert max(abs(mean[c]) for c in (1, 2, 4)) < 0.03
    assert fired.to_dict()["leaks"] == {"3": 0.3}
    assert "leaks" not in simulate(scenario({}, fuel_cut=False)).truth.to_dict()
    cut, tight = (simulate(scenario(x, fuel_cut=True)).edges.crank_s for x in ({"3": 0.3}, {}))
    assert not np.array_equal(cut, tight)


def test_no_leak_is_the_same_to_the_bit():
    with_none = simulate(scenario({"2": 0.0}, fuel_cut=False)).edges.crank_s
    np.testing.assert_array_equal(with_none, simulate(scenario({}, fuel_cut=False)).edges.crank_s)


def test_a_share_that_cannot_be_is_refused():
    s = scenario({}, fuel_cut=False)
    for bad in ({"3": 1.0}, {"3": -0.1}, {"5": 0.3}, {"three": 0.3}):
        with pytest.raises(InputError, match=r"leaks|cylinder 5"):
            dataclasses.replace(s, combustion=Combustion(leaks=bad))
