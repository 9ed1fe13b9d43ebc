"""Driveline and torsion against closed forms and a slow twin."""

import numpy as np
import pytest

from misfire.simulate import (
    Combustion,
    Driveline,
    Misfires,
    Phase,
    Scenario,
    Torsion,
    prepared_engine,
    simulate,
)
from misfire.simulate.elastic import Chain, Shaft, Twist, respond
from misfire.simulate.motion import run


def test_two_inertias():
    """w^2 = k (1/J1 + 1/J2), any textbook on vibration."""
    hz, shape = Chain(np.array([0.2, 0.5]), np.array([4000.0])).modes()
    assert hz[0] == pytest.approx(0.0, abs=1e-3)
    assert hz[1] == pytest.approx(np.sqrt(4000.0 * (1 / 0.2 + 1 / 0.5)) / (2 * np.pi), rel=1e-9)
    assert shape[0, 1] * 0.2 == pytest.approx(-shape[1, 1] * 0.5, rel=1e-9)


def test_crankshaft_meets_its_frequency():
    assert Chain.crankshaft(6, 0.19, 330.0).modes()[0][1] == pytest.approx(330.0, rel=1e-9)


def test_response_to_a_step():
    """Undamped oscillator under a unit step: x = (1 - cos wt)/w^2."""
    w, dt = 2 * np.pi * 7.0, 1e-3
    a, b = np.array([[0.0, 1.0], [-(w**2), 0.0]]), np.array([[0.0], [1.0]])
    x = respond(a, b, np.ones((500, 1)), np.zeros(2), dt)
    t = dt * np.arange(501)
    np.testing.assert_allclose(x[:, 0], (1 - np.cos(w * t)) / w**2, atol=1e-12)


def test_shaft_against_a_small_step_twin():
    shaft = Shaft(0.18, 3.0, 6.0, 0.08, twist_rad=0.02, vehicle_rad_s=150.0)
    rng = np.random.default_rng(1)
    drive, brake, dt = 60.0 + rng.normal(0, 40, 200), np.full(200, 50.0), 1e-3
    k, c = shaft.stiffness_nm, shaft.damping_nms
    twist, we, wv, fine = 0.02, 151.0, 150.0, 200
    ends = [k * twist + c * (we - wv)]
    for u, v in zip(drive, brake, strict=True):
        for _ in range(fine):
            h = dt / fine
            torque = k * twist + c * (we - wv)
            we += h * (u - torque) / 0.18
            wv += h * (torque - v) / 3.0
            twist += h * (we - wv)
        ends.append(k * twist + c * (we - wv))
    found = shaft.torque_nm(drive, brake, 151.0, dt)
    twin = 0.5 * (np.array(ends[1:]) + np.array(ends[:-1]))
    np.testing.assert_allclose(found, twin, atol=0.01 * np.ptp(twin))


def test_against_opentorsion():
    """Natural frequencies and the forced response of a six-cylinder crankshaft."""
    ot = pytest.importorskip("opentorsion", reason="opentorsion is not installed")
    chain = Chain.crankshaft(6, 0.19, 330.0)
    shafts = [
        ot.Shaft(i, i + 1, L=0.1, odl=50.0, k=float(k), I=0.0) for i, k in enumerate(chain.stiffness_nm)
    ]
    disks = [ot.Disk(i, I=float(j)) for i, j in enumerate(chain.inertia_kg_m2)]
    assembly = ot.Assembly(shafts, disk_elements=disks)
    mass, stiff = assembly.M, assembly.K
    mine = chain.matrices()
    np.testing.assert_allclose(mass, mine[0], rtol=1e-9)
    np.testing.assert_allclose(stiff, mine[1], rtol=1e-9)
    natural = np.unique(np.round(assembly.modal_analysis()[0] / (2 * np.pi), 6))
    np.testing.assert_allclose(chain.modes()[0][1:], natural[natural > 1.0], rtol=1e-6)
    # forced response at 200 Hz without damping, rigid body taken out
    w = 2 * np.pi * 200.0
    force = np.zeros((8, 1), dtype=complex)
    force[3] = 1.0
    found = np.asarray(assembly.ss_response(force, np.array([w]), C=np.zeros((8, 8)))[0]).ravel()
    rigid = -1.0 / (chain.inertia_kg_m2.sum() * w**2)
    np.testing.assert_allclose(
        chain.receptance(200.0, 0.0)[:, 3].real, found.real - rigid, rtol=1e-6, atol=1e-12
    )


def test_twist_follows_a_steady_sine():
    twist = Twist.of(4, 0.16, 350.0, 0.02, front=True)
    dt, hz = 1e-5, 100.0
    t = dt * np.arange(60000)
    found = twist.angle_rad(np.sin(2 * np.pi * hz * (t + dt / 2)), dt)[30000:]
    wn, w = 2 * np.pi * 350.0, 2 * np.pi * hz
    gain = abs(twist.shape_wheel / (wn**2 - w**2 + 2j * 0.02 * wn * w))
    assert np.max(np.abs(found)) == pytest.approx(gain, rel=1e-3)


def test_flexible_gear_swings_at_its_own_frequency():
    """A misfire in gear rings the driveline; the ring's period is that of engine against vehicle."""
    e = prepared_engine("inline4")
    s = Scenario(
        engine=e,
        programme=(Phase(duration_s=6.0, rpm=2000, load_pct=30, gear_m=0.05),),
        driveline=Driveline(natural_hz=5.0, damping=0.03),
        combustion=Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0),
        misfires=(Misfires(kind="list", cylinders=(1,), firings=(60,)),),
    )
    hit = run(s, np.random.default_rng(1))
    calm = run(s.but(misfires=()), np.random.default_rng(1))
    when = hit.tdc_s[np.flatnonzero(hit.events["state"] == 1)[0]]
    t = np.arange(when + 0.05, when + 1.5, 1e-3)
    wave = np.interp(t, hit.time_s, hit.speed_rad_s) - np.interp(t, calm.time_s, calm.speed_rad_s)
    # one cycle's mean: the firing wave of the two runs is no longer in step and does not cancel
    wave = np.convolve(wave, np.ones(60) / 60, "valid")
    wave -= np.polyval(np.polyfit(np.arange(len(wave)), wave, 2), np.arange(len(wave)))
    spectrum = np.abs(np.fft.rfft(wave * np.hanning(len(wave)), 1 << 16))
    hz = np.fft.rfftfreq(1 << 16, 1e-3)
    assert hz[spectrum.argmax()] == pytest.approx(5.0, rel=0.08)


def test_torsion_moves_edges_but_not_the_truth():
    s = Scenario.steady("v8", rpm=5000, duration_s=2)
    stiff, soft = simulate(s), simulate(s.but(torsion=Torsion(natural_hz=300.0)))
    np.testing.assert_allclose(soft.truth.work_j, stiff.truth.work_j)
    n = min(len(stiff.recording.crank_s), len(soft.recording.crank_s))
    shift = np.abs(soft.recording.crank_s[:n] - stiff.recording.crank_s[:n])
    assert 1e-7 < np.median(shift) < 2e-5
