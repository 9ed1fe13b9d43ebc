"""Cylinder gas work against crank angle, per firing event.

Convention: local angle phi [deg], 0 = firing TDC; an event's own cycle runs from -360 (start of intake) to
+360 (end of exhaust). Work counts positive when the gas drives the crank. Pressure is the sum of parts that
are linear in manifold pressure, exhaust pressure and released heat:

    intake      p = p_manifold                                       -360 .. ivc
    closed      p = p_manifold (V_ivc/V)^n  +  (n_e - 1) V^-n_e  * integral V^(n_e-1) dQ
    exhaust     p = p_exhaust + (p_evo - p_exhaust) exp(-(phi - evo)/blow-down)   evo .. 360

The closed part is the first law for a gas of constant exponent, solved exactly for p V^n; heat release Q
follows Wiebe (a = 5, m = 2). n is the compression exponent before TDC and n_e, the expansion one, after it.
A cylinder that leaks keeps the share of its charge that `leak` tells; both parts of the closed pressure follow it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from misfire.simulate.leak import Leak
from misfire.simulate.mechanics import WIEBE_A, Cylinder, wiebe_progress

FloatArray = npt.NDArray[np.float64]

_FINE_PER_DEG = 20
_HEAT_FROM_DEG = -70.0
_LEAK_RPM = np.geomspace(40.0, 20000.0, 128)  # speeds of a leaking cylinder's tables
_HALF = wiebe_progress(0.5)


@dataclass(frozen=True, kw_only=True)
class GasModel:
    """Constants of the cycle.

    Attributes
    ----------
    compression_exponent, expansion_exponent : float
        Polytropic exponents [-]; the second is larger where heat is lost to the walls.
    inlet_closes_deg, exhaust_opens_deg : float
        Valve events [deg] from firing TDC.
    exhaust_kpa, crankcase_kpa : float
        Back pressure and crankcase pressure, absolute.
    blowdown_deg : float
        Decay angle [deg] of the blow-down.
    heat_mj_per_m3 : float
        Net heat released at 100 kPa manifold pressure per displaced volume [MJ/m^3].
    residual_kpa : float
        Manifold pressure at which no fresh charge would be left.
    burn_start_deg, burn_deg : float
        Nominal start [deg from TDC] and duration [deg] of heat release, at 2500/min and full load.
    burn_deg_per_1000, burn_deg_no_load : float
        How much longer [deg] the burn is for each 1000/min more, and at no load; both 0 unless given. Half burned
        stays at the same angle, as a controller with the best spark advance holds it.
    """

    compression_exponent: float = 1.31
    expansion_exponent: float = 1.32
    inlet_closes_deg: float = -140.0
    exhaust_opens_deg: float = 140.0
    exhaust_kpa: float = 104.0
    crankcase_kpa: float = 100.0
    blowdown_deg: float = 14.0
    heat_mj_per_m3: float = 2.35
    residual_kpa: float = 12.0
    burn_start_deg: float = -18.0
    burn_deg: float = 55.0
    burn_deg_per_1000: float = 0.0
    burn_deg_no_load: float = 0.0

    def heat_j(self, manifold_kpa: float, displacement_m3: float) -> float:
        """Heat [J] of a normal event: in proportion to the charge above the residual."""
        charge = max(manifold_kpa - self.residual_kpa, 0.0) / (100.0 - self.residual_kpa)
        return self.heat_mj_per_m3 * 1e6 * displacement_m3 * charge

    def burn_at(self, speed_rpm: float, load_pct: float) -> tuple[float, float]:
        """Start and duration [deg] of a normal burn at a speed and load."""
        longer = self.burn_deg_per_1000 * (speed_rpm / 1000.0 - 2.5)
        longer += self.burn_deg_no_load * (1.0 - load_pct / 100.0)
        duration = min(max(self.burn_deg + longer, 15.0), 130.0)
        return self.start_of(duration), duration

    def start_of(self, duration_deg: float) -> float:
        """Start [deg] that leaves the half burned angle where the nominal burn has it."""
        return self.burn_start_deg - _HALF * (duration_deg - self.burn_deg)

    @property
    def burn_moves(self) -> bool:
        """Whether the burn depends on speed or load."""
        return self.burn_deg_per_1000 != 0.0 or self.burn_deg_no_load != 0.0


def pressure_pa(
    gas: GasModel, cylinder: Cylinder, phi_deg: FloatArray, manifold_kpa: float, heat_j: float = 0.0
) -> FloatArray:
    """Pressure [Pa] on a fine rising grid `phi_deg` (-360..360), shape (points,), nominal burn."""
    motored = _motored_parts(gas, cylinder, phi_deg)
    p = 1e3 * (manifold_kpa * motored[0] + gas.exhaust_kpa * motored[1])
    if heat_j:
        start = np.array([gas.burn_start_deg])
        duration = np.array([gas.burn_deg])
        p = p + heat_j * _heat_pressure(gas, cylinder, phi_deg, start, duration)[0]
    return p


def _motored_parts(gas: GasModel, cylinder: Cylinder, phi: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure per unit manifold pressure and per unit exhaust pressure [-]."""
    v = cylinder.volume_m3(phi)
    v_ivc = float(cylinder.volume_m3(gas.inlet_closes_deg))
    v_evo = float(cylinder.volume_m3(gas.exhaust_opens_deg))
    v_c = cylinder.clearance_m3
    top = (v_ivc / v_c) ** gas.compression_exponent
    manifold = np.ones_like(phi)
    rise = (phi > gas.inlet_closes_deg) & (phi <= 0.0)
    fall = (phi > 0.0) & (phi <= gas.exhaust_opens_deg)
    out = phi > gas.exhaust_opens_deg
    manifold[rise] = (v_ivc / v[rise]) ** gas.compression_exponent
    manifold[fall] = top * (v_c / v[fall]) ** gas.expansion_exponent
    decay = np.exp(-(phi[out] - gas.exhaust_opens_deg) / gas.blowdown_deg)
    manifold[out] = top * (v_c / v_evo) ** gas.expansion_exponent * decay
    exhaust = np.zeros_like(phi)
    exhaust[out] = 1.0 - decay
    return manifold, exhaust


def _heat_pressure(
    gas: GasModel,
    cylinder: Cylinder,
    phi: FloatArray,
    start: FloatArray,
    duration: FloatArray,
    kept: FloatArray | None = None,
) -> FloatArray:
    """Pressure [Pa] per joule on the edges `phi`, shape (events, edges); so has `kept`, the mass left [-]."""
    n = gas.expansion_exponent
    evo = gas.exhaust_opens_deg
    inside = np.minimum(phi, evo)
    v = cylinder.volume_m3(inside)
    weight = cylinder.volume_m3(0.5 * (inside[1:] + inside[:-1])) ** (n - 1.0)
    x = np.maximum((inside[None, :] - start[:, None]) / duration[:, None], 0.0)
    burned = -np.expm1(-WIEBE_A * (x * x * x))
    pressure = np.zeros_like(burned)
    if kept is None:
        np.cumsum(np.diff(burned, axis=1) * weight, axis=1, out=pressure[:, 1:])
    else:
        # per unit of the mass left: d(p v^n) = (n - 1) v^(n-1) dq, v = V/m, and fuel goes with the charge
        there = 0.5 * (kept[:, 1:] + kept[:, :-1])
        np.cumsum(np.diff(burned, axis=1) * weight * there ** (1.0 - n), axis=1, out=pressure[:, 1:])
        pressure *= kept**n
    pressure *= (n - 1.0) * v**-n * np.exp(-np.maximum(phi - evo, 0.0) / gas.blowdown_deg)
    return pressure


@dataclass(frozen=True)
class WorkTables:
    """Work tables of one cylinder on the cells of a fixed angle grid.

    `edges_deg` are the local angles of the cell edges, shape (cells + 1,), equally spaced, wide enough to
    hold -360..360. `leak` [-] is the share of the charge lost at 1000/min.
    """

    gas: GasModel
    cylinder: Cylinder
    edges_deg: FloatArray
    leak: float = 0.0

    @cached_property
    def _leak(self) -> Leak:
        return Leak(self.gas, self.cylinder, self.leak)

    @cached_property
    def motored(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Work [J] per cell, per kPa of manifold, of exhaust, and of the crankcase pressure (with sign)."""
        manifold, exhaust = self._per_cell(None)
        volume = self.cylinder.volume_m3(np.clip(self.edges_deg, -360.0, 360.0))
        return manifold, exhaust, -np.diff(volume) * 1e3

    def _per_cell(self, rpm: float | None) -> tuple[FloatArray, FloatArray]:
        """Work [J] per cell, per kPa of manifold and of exhaust; with a speed [1/min] the leak at that speed."""
        step = 1.0 / _FINE_PER_DEG
        phi = np.linspace(-360.0, 360.0, 720 * _FINE_PER_DEG + 1)
        mid = phi[:-1] + 0.5 * step
        ends = _motored_parts(self.gas, self.cylinder, phi)
        centre = _motored_parts(self.gas, self.cylinder, mid)
        if rpm is not None:
            at_speed = np.array([rpm])
            ends[0][:] *= self._leak.kept(phi, at_speed)[1][0]
            centre[0][:] *= self._leak.kept(mid, at_speed)[1][0]
        # piston slope, so that Simpson's rule holds for p dV/dphi between the kinks at the valve events
        crank = self.cylinder.crank
        to_slope = self.cylinder.area_m2 * np.pi / 180.0
        slope = to_slope * crank.travel_slope_m(np.radians(phi))
        slope_mid = to_slope * crank.travel_slope_m(np.radians(mid))
        out = []
        at = np.clip(self.edges_deg, -360.0, 360.0)
        for p, pm in zip(ends, centre, strict=True):
            left, right = p[:-1].copy(), p[1:]
            cell = (left * slope[:-1] + 4.0 * pm * slope_mid + right * slope[1:]) * step / 6.0
            total = np.concatenate([[0.0], np.cumsum(cell)])
            out.append(np.diff(np.interp(at, phi, total)) * 1e3)
        return out[0], out[1]

    @cached_property
    def _leaking(self) -> FloatArray:
        """Work [J] per cell and kPa of manifold at `_LEAK_RPM`, shape (speeds, cells)."""
        return np.array([self._per_cell(float(x))[0] for x in _LEAK_RPM])

    def manifold_cells(self, rpm: FloatArray) -> FloatArray:
        """Work [J] per kPa of manifold in each cell at speeds `rpm` [1/min] with the leak, shape (*rpm.shape, cells)."""
        x = np.interp(np.log(rpm), np.log(_LEAK_RPM), np.arange(_LEAK_RPM.size))
        k = np.minimum(x.astype(int), _LEAK_RPM.size - 2)
        part = (x - k)[..., None]
        return np.asarray((1.0 - part) * self._leaking[k] + part * self._leaking[k + 1])

    def leaking_total(self, rpm: float) -> float:
        """Work [J] of a whole cycle per kPa of manifold pressure at a speed [1/min] with the leak."""
        return float(np.interp(np.log(rpm), np.log(_LEAK_RPM), self._leaking_totals))

    @cached_property
    def _leaking_totals(self) -> FloatArray:
        return np.asarray(self._leaking.sum(axis=1))

    @cached_property
    def motored_total(self) -> tuple[float, float]:
        """Work [J] of a whole cycle per kPa of manifold and of exhaust pressure."""
        return float(self.motored[0].sum()), float(self.motored[1].sum())

    @cached_property
    def _heat_slice(self) -> slice:
        first = int(np.searchsorted(self.edges_deg, _HEAT_FROM_DEG))
        last = int(np.searchsorted(self.edges_deg, 360.0))
        return slice(first, last + 1)

    def heat_cells(
        self, start_deg: FloatArray, duration_deg: FloatArray, rpm: FloatArray | None = None
    ) -> tuple[int, FloatArray]:
        """Work [J] per joule of heat in each cell.

        Returns the index of the first cell and an array of shape (events, cells). Trapezoid on the grid.
        `rpm` [1/min], shape (events,), is asked for where the cylinder leaks.
        """
        part = self._heat_slice
        phi = np.minimum(self.edges_deg[part], 360.0)
        kept = self._leak.kept(phi, rpm)[0] if self.leak and rpm is not None else None
        p = _heat_pressure(self.gas, self.cylinder, phi, start_deg, duration_deg, kept)
        step = np.diff(self.cylinder.volume_m3(phi))
        return part.start, 0.5 * (p[:, 1:] + p[:, :-1]) * step

    @cached_property
    def nominal_efficiency(self) -> float:
        """Combustion work per heat [-] of the nominal burn."""
        g = self.gas
        _, w = self.heat_cells(np.array([g.burn_start_deg]), np.array([g.burn_deg]))
        return float(w.sum())

    def normal_efficiency(self, duration_deg: FloatArray) -> FloatArray | float:
        """Combustion work per heat [-] of normal burns by their duration [deg]; shape (events,) or one number."""
        g = self.gas
        if not g.burn_moves or len(duration_deg) == 0:
            return self.nominal_efficiency
        grid = np.linspace(float(duration_deg.min()), float(duration_deg.max()) + 1e-6, 33)
        starts = np.array([g.start_of(float(d)) for d in grid])
        return np.asarray(np.interp(duration_deg, grid, self.heat_cells(starts, grid)[1].sum(axis=1)))
