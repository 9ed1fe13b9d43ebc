"""Chains, exact response and crankshaft torsion against closed forms and an outside library."""

import numpy as np
import pytest

from misfire.simulate import (
    Scenario,
    Torsion,
    simulate,
)
from misfire.simulate.elastic import Chain, Twist, respond


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


def test_torsion_moves_edges_but_not_the_truth():
    s = Scenario.steady("v8", rpm=5000, duration_s=2)
    stiff, soft = simulate(s), simulate(s.but(torsion=Torsion(natural_hz=300.0)))
    np.testing.assert_allclose(soft.truth.work_j, stiff.truth.work_j)
    n = min(len(stiff.recording.crank_s), len(soft.recording.crank_s))
    shift = np.abs(soft.recording.crank_s[:n] - stiff.recording.crank_s[:n])
    assert 1e-7 < np.median(shift) < 2e-5
