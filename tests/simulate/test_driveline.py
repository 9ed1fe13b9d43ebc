"""Clutch, converter and two springs to the vehicle: closed forms, an outside library, slow twins, whole runs."""

import math

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.simulate import Combustion, Driveline, Misfires, Phase, Scenario, prepared_engine, simulate
from misfire.simulate.driveline import Path, converter_nm
from misfire.simulate.driver import RAD_PER_RPM
from misfire.simulate.gas import GasModel
from misfire.simulate.motion import _Run, run

TWO = Driveline(damper_nm_rad=1200.0, natural_hz=5.0)
CONVERTER = Driveline(coupling="converter", natural_hz=4.0, gearbox_kg_m2=0.03)
QUIET = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0)


def two_springs(**kw):
    path = Path.of(
        0.17, 0.02, 3.0, natural_hz=6.0, damping=0.08, damper_nm_rad=1200.0, damper_damping=0.1, **kw
    )
    path.settle(40.0, 150.0, 150.0)
    return path


def one_spring():
    path = Path.of(0.18, 0.02, 3.0, natural_hz=6.0, damping=0.08)
    path.settle(40.0, 150.0, 150.0)
    return path


@pytest.mark.parametrize("make", [one_spring, two_springs])
def test_locked_path_against_a_small_step_twin(make):
    """The equations of the module, in order, with a step two hundred times smaller."""
    path, twin = make(), make()
    rng = np.random.default_rng(1)
    drive, brake, dt, fine = 60.0 + rng.normal(0, 40, 200), np.full(200, 50.0), 1e-3, 200
    k1, c1, k2, c2 = twin.damper_nm_rad, twin.damper_nms, twin.shaft_nm_rad, twin.shaft_nms
    w, wg, wv, a, b = 151.0, 150.0, 150.0, twin.damper_rad, twin.shaft_rad
    if not k1:
        wg = w

    def torques():
        shafts = k2 * b + c2 * (wg - wv)
        return (k1 * a + c1 * (w - wg) if k1 else shafts), shafts

    ends = [torques()[0]]
    for u, v in zip(drive, brake, strict=True):
        for _ in range(fine):
            h = dt / fine
            first, second = torques()
            w += h * (u - first) / twin.engine_kg_m2
            wg = wg + h * (first - second) / twin.gearbox_kg_m2 if k1 else w
            wv += h * (second - v) / twin.vehicle_kg_m2
            a += h * (w - wg)
            b += h * (wg - wv)
        ends.append(torques()[0])
    slow = 0.5 * (np.array(ends[1:]) + np.array(ends[:-1]))
    np.testing.assert_allclose(path.locked_nm(drive, brake, 151.0, dt), slow, atol=0.01 * np.ptp(slow))
    assert path.vehicle_rad_s == pytest.approx(wv, rel=1e-4)


def test_path_against_opentorsion():
    """Natural frequencies, and the forced response with damping, of engine, gearbox and vehicle."""
    ot = pytest.importorskip("opentorsion", reason="opentorsion is not installed")
    path = two_springs()
    k, c = (path.damper_nm_rad, path.shaft_nm_rad), (path.damper_nms, path.shaft_nms)
    shafts = [ot.Shaft(i, i + 1, L=0.1, odl=50.0, k=k[i], c=c[i], I=0.0) for i in range(2)]
    inertia = (path.engine_kg_m2, path.gearbox_kg_m2, path.vehicle_kg_m2)
    assembly = ot.Assembly(shafts, disk_elements=[ot.Disk(i, I=j) for i, j in enumerate(inertia)])
    undamped = Path.of(0.17, 0.02, 3.0, natural_hz=6.0, damping=0.0, damper_nm_rad=1200.0, damper_damping=0.0)
    a, _ = undamped.matrices()
    mine = np.abs(np.linalg.eigvals(a).imag) / (2 * np.pi)
    rigid = ot.Assembly(
        [ot.Shaft(i, i + 1, L=0.1, odl=50.0, k=k[i], I=0.0) for i in range(2)],
        disk_elements=[ot.Disk(i, I=j) for i, j in enumerate(inertia)],
    )
    natural = np.unique(np.round(rigid.modal_analysis()[0] / (2 * np.pi), 6))
    np.testing.assert_allclose(np.unique(np.round(mine[mine > 1.0], 6)), natural[natural > 1.0], rtol=1e-5)
    # speed of the engine and twist of the damper for a torque at 12 Hz on the crank
    a, b = path.matrices()
    w = 2j * np.pi * 12.0
    x = np.linalg.solve(w * np.eye(5) - a, b[:, 0])
    force = np.zeros((3, 1), dtype=complex)
    force[0] = 1.0
    angle = np.asarray(assembly.ss_response(force, np.array([w.imag]), C=assembly.C)[0]).ravel()
    assert x[1] == pytest.approx(w * angle[0], rel=1e-6)
    assert x[0] == pytest.approx(angle[0] - angle[1], rel=1e-6)


def stepped(path, drive, brake, capacity, speed=151.0):
    """`loose` on a grid fine enough that its steps last 1 ms at the start."""
    step = speed * 1e-3
    n = len(drive)
    inertia = np.full(n + 1, path.engine_kg_m2)
    energy = 0.5 * path.engine_kg_m2 * speed**2
    return path.loose(drive * step, inertia, brake, np.full(n, capacity), energy, step, 1e-3)


def test_a_clutch_that_holds_is_the_locked_path():
    n = 400
    # little enough that the speed, and with it the time step, stays
    drive = 40.0 + 8.0 * np.sin(2 * np.pi * 12.0 * 1e-3 * np.arange(n))
    brake = np.full(n, 40.0)
    fixed, loose = two_springs(), two_springs()
    torque = fixed.locked_nm(drive, brake, 150.0, 1e-3)
    _, taken = stepped(loose, drive, brake, math.inf, 150.0)
    assert np.std(taken - torque) < 0.04 * np.std(torque)
    assert loose.vehicle_rad_s == pytest.approx(fixed.vehicle_rad_s, rel=1e-3)


def test_a_slipping_clutch_carries_its_capacity_and_no_more():
    """Constant capacity under a larger engine torque: both sides accelerate as Newton says."""
    path = two_springs()
    path.settle(0.0, 100.0, 100.0)
    n = 300
    energy, taken = stepped(path, np.full(n, 200.0), np.full(n, 20.0), 90.0, 100.0)
    assert np.max(np.abs(taken)) <= 90.0
    np.testing.assert_allclose(taken[60:], 90.0)
    w = np.sqrt(2.0 * energy / path.engine_kg_m2)
    time = np.concatenate([[0.0], np.cumsum(0.1 / w[:-1])])
    rise = np.polyfit(time[100:], w[100:], 1)[0]
    assert rise == pytest.approx((200.0 - 90.0) / path.engine_kg_m2, rel=0.01)
    mean = (path.gearbox_kg_m2 * path.gearbox_rad_s + path.vehicle_kg_m2 * path.vehicle_rad_s) / 3.02
    impulse = float(np.sum((taken - 20.0) * np.diff(time)))
    assert 3.02 * (mean - 100.0) == pytest.approx(impulse, rel=0.02)


FREE = {"damping": 0.0, "road_n": 0.0, "drag_n_s2_m2": 0.0}


@pytest.mark.parametrize(
    ("drive", "clutch_nm"),
    [
        (Driveline(**FREE), None),
        (Driveline(**FREE, damper_nm_rad=1200.0, damper_damping=0.0), None),
        (Driveline(**FREE, damper_nm_rad=1200.0, damper_damping=0.0), 1e5),
        (Driveline(**FREE, damper_nm_rad=1200.0, damper_damping=0.0, lash_deg=4.0), None),
    ],
)
def test_energy_of_engine_springs_and_vehicle(drive, clutch_nm):
    """Nothing lost anywhere: what the crank gives the springs and the vehicle have, cycle for cycle.

    The crank's own energy is exact (1e-9, test_motion); the path's time steps at the mean speed of a stretch are not.
    """
    gas = GasModel(compression_exponent=1.35, expansion_exponent=1.35, exhaust_kpa=100.0, crankcase_kpa=100.0)
    step = Phase(
        duration_s=3.0, rpm=3300, load_pct=100.0, mode="free", fuel_cut=True, gear_m=0.05, clutch_nm=clutch_nm
    )
    s = Scenario(
        engine=prepared_engine("inline4"), programme=(step,), gas=gas, friction=0.0, accessory_nm=0.0, driveline=drive
    )  # fmt: skip
    whole = _Run(s, np.random.default_rng(1))
    advance, crank, rest = whole._advance, [], []

    def watched(*args):
        out = advance(*args)
        p = whole.path
        crank.append(whole.energy)
        rest.append(
            0.5 * p.vehicle_kg_m2 * p.vehicle_rad_s**2
            + 0.5 * p.shaft_nm_rad * max(abs(p.shaft_rad) - 0.5 * p.lash_rad, 0.0) ** 2
            + 0.5 * p.gearbox_kg_m2 * p.gearbox_rad_s**2 + 0.5 * p.damper_nm_rad * p.damper_rad**2
        )  # fmt: skip
        return out

    whole._advance = watched
    whole.go()
    total = np.array(crank) + np.array(rest)
    assert np.ptp(total) / total.mean() < 5e-6
    assert np.ptp(crank) / np.mean(crank) > 5e-3


def test_converter_torques():
    """Stall torque and ratio as given, square of the speed, no torque at equal speeds, drag in overrun."""
    w = 2000.0 * RAD_PER_RPM
    assert converter_nm(w, 0.0, 120.0, 2.0) == pytest.approx((120.0, 240.0))
    assert converter_nm(w / 2, 0.0, 120.0, 2.0) == pytest.approx((30.0, 60.0))
    assert converter_nm(w, w, 120.0, 2.0) == pytest.approx((0.0, 0.0), abs=1e-9)
    pump, turbine = converter_nm(w, 0.9 * w, 120.0, 2.0)
    assert pump == turbine > 0.0
    assert max(converter_nm(0.8 * w, w, 120.0, 2.0)) < 0.0
    # never more power out than in
    for s in np.linspace(0.0, 1.0, 21):
        pump, turbine = converter_nm(w, s * w, 120.0, 2.0)
        assert turbine * s <= pump + 1e-9


def test_launch_on_a_slipping_clutch():
    """From a standing vehicle: the clutch slips, then both turn together and the vehicle drives away."""
    steps = (
        Phase(duration_s=2.0, rpm=900, mode="governed"),
        Phase(duration_s=2.5, load_pct=45, mode="free", gear_m=0.025, clutch_nm=0.0, clutch_end_nm=160.0, vehicle_kmh=0),
        Phase(duration_s=3.0, load_pct=40, mode="free", gear_m=0.025),
    )  # fmt: skip
    done = simulate(Scenario(engine=prepared_engine("inline4"), programme=steps, driveline=TWO))
    t = done.truth
    assert not t.stopped
    # the slow channels: from standing to what the crank's speed and the gear say
    row, kmh = done.channels.time_s, done.channels.values["vehicle_kmh"]
    assert kmh[row < 2.0].max() == 0.0
    at_end = np.interp(row[-1], t.tdc_s, t.rpm) * RAD_PER_RPM * 0.025 * 3.6
    assert kmh[-1] == pytest.approx(at_end, rel=0.03)
    slip = t.rpm[(t.tdc_s > 2.0) & (t.tdc_s < 4.5)]
    assert slip.max() > 1300
    end = t.rpm[t.tdc_s > 5.0]
    assert end[-1] > end[0] + 500


def test_converter_creeps_and_slips():
    """A standing vehicle creeps away at idle; held at a speed, the turbine turns slower than the pump."""
    idle = Phase(duration_s=4.0, rpm=800, mode="governed", gear_m=0.025, vehicle_kmh=0)
    done = simulate(Scenario(engine=prepared_engine("inline4"), programme=(idle,), driveline=CONVERTER))
    late = done.truth.rpm[done.truth.tdc_s > 2.0]
    assert np.median(late) == pytest.approx(800, rel=0.08)
    hold = Scenario(
        engine=prepared_engine("inline4"), driveline=CONVERTER,
        programme=(Phase(duration_s=8.0, rpm=2000, load_pct=45, gear_m=0.05),),
    )  # fmt: skip
    late = simulate(hold).truth
    assert np.mean(late.rpm[late.tdc_s > 4.0]) == pytest.approx(2000, rel=0.02)


@pytest.mark.parametrize("drive", [Driveline(natural_hz=5.0, damping=0.03), TWO])
def test_flexible_gear_swings_at_its_own_frequency(drive):
    """A misfire in gear rings the driveline; the ring's period is that of engine against vehicle."""
    e = prepared_engine("inline4")
    s = Scenario(
        engine=e,
        programme=(Phase(duration_s=6.0, rpm=2000, load_pct=30, gear_m=0.05),),
        driveline=drive,
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


def test_two_springs_still_hold_the_speed():
    s = Scenario(
        engine=prepared_engine("inline4"), combustion=QUIET, driveline=TWO,
        programme=(Phase(duration_s=4.0, rpm=2000, load_pct=40, gear_m=0.05),),
    )  # fmt: skip
    t = simulate(s).truth
    assert np.mean(t.rpm[t.tdc_s > 2.0]) == pytest.approx(2000, rel=0.02)


@pytest.mark.parametrize(
    ("drive", "step", "match"),
    [
        (Driveline(coupling="belt"), {}, "clutch, converter"),
        (Driveline(), {"clutch_nm": 50.0}, "damper_nm_rad above 0"),
        (CONVERTER, {"clutch_nm": 50.0}, "leave one out"),
        (TWO, {"clutch_end_nm": 50.0}, "give both"),
        (TWO, {"vehicle_kmh": -3.0}, "give 0 to 400"),
        (TWO, {"gear_m": 0.0, "vehicle_kmh": 3.0}, "for a step in gear"),
        (Driveline(damping=-0.1), {}, "damping = -0.1; give 0 to 5"),
        (Driveline(natural_hz=float("nan")), {}, "natural_hz = nan"),
        (Driveline(coupling="converter", natural_hz=0.0), {}, "natural_hz above 0"),
    ],
)
def test_what_does_not_go_together(drive, step, match):
    with pytest.raises(InputError, match=match):
        Scenario(
            engine=prepared_engine("inline4"), driveline=drive,
            programme=(Phase(**{"duration_s": 5.0, "rpm": 2000, "load_pct": 40, "gear_m": 0.05, **step}),),
        )  # fmt: skip
