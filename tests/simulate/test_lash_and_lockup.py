"""Play in the driveline and a lock-up clutch across the converter: closed forms, the linear twin, whole runs."""

import math

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.simulate import Combustion, Driveline, Misfires, Phase, Scenario, prepared_engine, simulate
from misfire.simulate.driveline import Path, lash_nm
from misfire.simulate.driver import RAD_PER_RPM
from misfire.simulate.motion import _Run, run

QUIET = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0)
LASH = Driveline(damper_nm_rad=1200.0, natural_hz=5.0, lash_deg=10.0)
LOCKED = Driveline(
    coupling="converter", natural_hz=4.0, gearbox_kg_m2=0.03, damper_nm_rad=1200.0, lockup_nm=250.0, lockup_rpm=1500.0
)  # fmt: skip


def test_no_torque_inside_the_play_and_the_spring_beyond_it():
    lash, k, c = 0.2, 500.0, 3.0
    inside = np.linspace(-0.1, 0.1, 41)
    assert {lash_nm(float(x), r, lash, k, c) for x in inside for r in (-5.0, 0.0, 5.0)} == {0.0}
    for beyond in (0.001, 0.05):
        assert lash_nm(0.1 + beyond, 0.0, lash, k, c) == pytest.approx(k * beyond)
        assert lash_nm(-0.1 - beyond, 0.0, lash, k, c) == pytest.approx(-k * beyond)
    assert lash_nm(0.12, 1.0, lash, k, c) == pytest.approx(13.0)
    # faces that part are not held back by their damper
    assert lash_nm(0.11, -20.0, lash, k, c) == lash_nm(-0.11, 20.0, lash, k, c) == 0.0


def path(lash_rad, *, damping=0.0, **kw):
    return Path.of(0.17, 0.02, 3.0, natural_hz=6.0, damping=damping, lash_rad=lash_rad, **kw)


def coasting(p, n, dt=1e-4, w=100.0):
    """States of gearbox and vehicle behind an open clutch, step by step: (shaft twist, gearbox, vehicle)."""
    step, inertia = w * dt, np.full(2, p.engine_kg_m2)
    energy = 0.5 * p.engine_kg_m2 * w**2
    rows = np.zeros((n, 3))
    zero = np.zeros(1)
    for i in range(n):
        rows[i] = p.shaft_rad, p.gearbox_rad_s, p.vehicle_rad_s
        p.loose(zero, inertia, zero, zero, energy, step, 1e-3)
    return rows


def test_gearbox_and_vehicle_bounce_in_the_play():
    """Two free bodies and a play L: crossed in L/v each way, half a period of the spring at each stop (derived)."""
    lash, v = 0.2, 3.0
    p = path(lash, damper_nm_rad=1200.0, damper_damping=0.0)
    p.gearbox_rad_s, p.vehicle_rad_s = 100.0 + v, 100.0
    x = coasting(p, 12000)
    inside = np.abs(x[:, 0]) < 0.5 * lash
    free = inside[:-1] & inside[1:]
    assert free.sum() > 1000
    assert not np.any(np.diff(x[:, 1:], axis=0)[free])
    reduced = p.gearbox_kg_m2 * p.vehicle_kg_m2 / (p.gearbox_kg_m2 + p.vehicle_kg_m2)
    period = 2.0 * lash / v + 2.0 * math.pi * math.sqrt(reduced / p.shaft_nm_rad)
    touch = np.flatnonzero((x[1:, 0] >= 0.5 * lash) & (x[:-1, 0] < 0.5 * lash)) * 1e-4
    assert len(touch) > 4
    np.testing.assert_allclose(np.diff(touch), period, rtol=0.01)
    # without the play the same bodies swing more than twice as fast
    assert period > 2.0 * (period - 2.0 * lash / v)
    # momentum and energy stay
    momentum = p.gearbox_kg_m2 * x[:, 1] + p.vehicle_kg_m2 * x[:, 2]
    assert np.ptp(momentum) < 1e-9 * momentum.mean()
    assert np.max(np.abs((x[:, 1] - x[:, 2])[inside])) == pytest.approx(v, rel=0.01)


def test_damped_stops_take_energy_and_never_give_any():
    p = path(0.2, damping=0.3, damper_nm_rad=1200.0, damper_damping=0.0)
    p.gearbox_rad_s, p.vehicle_rad_s = 103.0, 100.0
    x = coasting(p, 6000)
    free = np.abs(x[:, 0]) < 0.1
    speed = np.abs(x[free, 1] - x[free, 2])
    assert np.all(np.diff(speed) < 1e-9)
    assert speed[-1] < 0.7 * speed[0]


def tip_in(drive):
    steps = (
        Phase(duration_s=2.0, rpm=2600, load_pct=30, gear_m=0.05),
        Phase(duration_s=1.5, mode="free", fuel_cut=True, load_pct=12, gear_m=0.05),
        Phase(duration_s=2.0, mode="free", load_pct=60, gear_m=0.05),
    )
    s = Scenario(engine=prepared_engine("inline4"), programme=steps, driveline=drive, combustion=QUIET)
    return run(s, np.random.default_rng(1))


def test_foot_on_in_gear():
    """Before the play is taken up the engine turns its own inertia only, so it gains on the vehicle; both settle alike."""
    play, none = tip_in(LASH), tip_in(Driveline(damper_nm_rad=1200.0, natural_hz=5.0, lash_deg=1e-9))
    first = []
    for m in (play, none):
        t, w = m.time_s, m.speed_rad_s
        turn = np.convolve(w, np.ones(360) / 360, "same")
        after = (t > 3.6) & (t < 4.2)
        first.append(float(np.ptp(turn[after])))
        late = (t > 4.8) & (t < 5.4)
        assert np.polyfit(t[late], turn[late], 1)[0] > 0.0
    assert first[0] > 1.15 * first[1]
    assert play.speed_rad_s[-1] == pytest.approx(none.speed_rad_s[-1], rel=0.01)


@pytest.mark.parametrize("hz", [6.0, 12.0, 30.0])
def test_lockup_passes_what_the_converter_hides(hz):
    """Torque at one frequency on the crank: speed of the gearbox behind the shut clutch as the linear path has it.

    The linear path is held to opentorsion in test_driveline; the fluid beside the clutch adds a damper whose slope
    c w (d T/d slip of its law about equal speeds: 4 c w pulling, 2 c w in overrun) is averaged. The open converter
    passes what its own law, linear about its slip, lets through: less than half.
    """
    drive, w, dt, n = (120.0, 2.0), 150.0, 5e-4, 12000
    found = []
    for capacity in (1e6, 0.0):
        p = path(0.0, damping=0.08, damper_nm_rad=1200.0, damper_damping=0.1, converter=drive)
        held = 20.0
        p.settle(held, w, w)
        if capacity == 0.0:
            # open: the turbine runs behind by what carries the same torque
            p.gearbox_rad_s = p.vehicle_rad_s = (
                w * (1.0 - held / (120.0 * (w / (2000.0 * RAD_PER_RPM)) ** 2)) ** 0.25
            )
        swing = 4.0 * np.sin(2.0 * np.pi * hz * dt * np.arange(n))
        rows, energy = np.zeros(n), 0.5 * p.engine_kg_m2 * w**2
        for i in range(n):
            speed = math.sqrt(2.0 * energy / p.engine_kg_m2)
            step = speed * dt
            out, _ = p.loose(
                np.array([(held + swing[i]) * step]), np.full(2, p.engine_kg_m2), np.array([held]),
                np.array([capacity]), energy, step, 1e-3,
            )  # fmt: skip
            energy = float(out[-1])
            rows[i] = p.gearbox_rad_s
        late = rows[n // 2 :] - np.mean(rows[n // 2 :])
        wave = np.exp(-2j * np.pi * hz * dt * np.arange(n // 2, n))
        found.append(abs(2.0 * np.mean(late * np.hanning(len(late)) * wave) / 0.5))
    p = path(0.0, damping=0.08, damper_nm_rad=1200.0, damper_damping=0.1)
    p.damper_nms += 3.0 * 120.0 / (2000.0 * RAD_PER_RPM) ** 2 * w
    a, b = p.matrices()
    linear = abs(np.linalg.solve(2j * np.pi * hz * np.eye(5) - a, 4.0 * b[:, 0])[2])
    assert found[0] == pytest.approx(linear, rel=0.03)
    # open: T = c (wp^2 - wt^4/wp^2), both derivatives; x = engine, gearbox, shaft twist, vehicle
    c, wt = (
        120.0 / (2000.0 * RAD_PER_RPM) ** 2,
        w * (1.0 - 20.0 / (120.0 * (w / (2000.0 * RAD_PER_RPM)) ** 2)) ** 0.25,
    )
    up, down = c * (2.0 * w + 2.0 * wt**4 / w**3), 4.0 * c * wt**3 / w**2
    je, jg, jv, k, d = p.engine_kg_m2, p.gearbox_kg_m2, p.vehicle_kg_m2, p.shaft_nm_rad, p.shaft_nms
    a = np.array([
        [-up / je, down / je, 0.0, 0.0], [up / jg, -(down + d) / jg, -k / jg, d / jg],
        [0.0, 1.0, 0.0, -1.0], [0.0, d / jv, k / jv, -d / jv],
    ])  # fmt: skip
    linear = abs(np.linalg.solve(2j * np.pi * hz * np.eye(4) - a, [4.0 / je, 0.0, 0.0, 0.0])[1])
    assert found[1] == pytest.approx(linear, rel=0.03)
    assert found[1] < 0.6 * found[0]


def ring(drive):
    """Swing of the crank's mean speed [rad/s] between a quarter and a second and a half after a single misfire."""
    s = Scenario(
        engine=prepared_engine("v6"), driveline=drive, combustion=QUIET,
        programme=(Phase(duration_s=8.0, rpm=2000, load_pct=35, gear_m=0.05),),
        misfires=(Misfires(kind="list", cylinders=(1, 2, 3), firings=(80,)),),
    )  # fmt: skip
    hit, calm = run(s, np.random.default_rng(1)), run(s.but(misfires=()), np.random.default_rng(1))
    when = hit.tdc_s[np.flatnonzero(hit.events["state"] == 1)[0]]
    t = np.arange(when + 0.2, when + 1.5, 1e-3)
    wave = np.interp(t, hit.time_s, hit.speed_rad_s) - np.interp(t, calm.time_s, calm.speed_rad_s)
    wave = np.convolve(wave, np.ones(60) / 60, "valid")
    wave -= np.polyval(np.polyfit(np.arange(len(wave)), wave, 3), np.arange(len(wave)))
    spectrum = np.abs(np.fft.rfft(wave * np.hanning(len(wave)), 1 << 16))
    hz = np.fft.rfftfreq(1 << 16, 1e-3)
    band = (hz > 2.0) & (hz < 8.0)
    return float(spectrum[band].max()), float(hz[band][spectrum[band].argmax()])


def test_a_misfire_rings_the_locked_driveline_only():
    shut, at_hz = ring(LOCKED)
    open_, _ = ring(Driveline(**{**vars(LOCKED), "lockup_nm": 0.0}))
    assert at_hz == pytest.approx(4.0, rel=0.15)
    assert shut > 10.0 * open_


def slip(done, from_s, to_s):
    """Mean of 1 - turbine over pump speed, from the slow channels' vehicle speed and the crank's turns."""
    row = done.channels.time_s
    inside = (row > from_s) & (row < to_s)
    kmh = np.mean(done.channels.values["vehicle_kmh"][inside])
    t = done.truth.tdc_s
    span = t[(t > from_s) & (t < to_s)]
    rpm = 120.0 / done.engine.cylinders * (len(span) - 1) / (span[-1] - span[0])
    return 1.0 - kmh / 3.6 / 0.05 / (rpm * RAD_PER_RPM)


def locked_run(rpm, **kw):
    steps = (Phase(duration_s=12.0, rpm=rpm, load_pct=25, gear_m=0.05),)
    drive = Driveline(**{**vars(LOCKED), **kw})
    return simulate(Scenario(engine=prepared_engine("v6"), programme=steps, driveline=drive))


def test_the_lockup_clutch_shuts_at_its_time_and_above_its_speed():
    done = locked_run(2000, lockup_from_s=6.0)
    before, after = slip(done, 4.0, 5.9), slip(done, 8.0, 11.5)
    assert before > 0.03
    assert abs(after) < 0.003
    assert slip(locked_run(1300), 8.0, 11.5) > 0.05
    # too weak for the torque, it slips on, less than the fluid alone would
    weak = slip(locked_run(2000, lockup_nm=10.0), 8.0, 11.5)
    assert 0.01 < weak < before


def test_the_lockup_clutch_shuts_over_half_a_second_and_opens_ten_per_cent_below():
    step = Phase(duration_s=5.0, rpm=2000, load_pct=40, gear_m=0.05)
    s = Scenario(engine=prepared_engine("v6"), driveline=LOCKED, programme=(step,))
    driver = _Run(s, np.random.default_rng(1)).driver
    path = ((0.0, 1490), (0.1, 1510), (0.35, 1510), (0.6, 1510), (0.8, 1360), (0.9, 1340), (1.0, 1490), (1.2, 1501), (1.3, 1501))  # fmt: skip
    found = [driver.clutch_nm(t, rpm * RAD_PER_RPM) for t, rpm in path]
    assert found == pytest.approx([0.0, 0.0, 125.0, 250.0, 250.0, 0.0, 0.0, 0.0, 50.0])


@pytest.mark.parametrize(
    ("drive", "match"),
    [
        (Driveline(lash_deg=5.0), "or lash_deg, needs driveline damper_nm_rad above 0"),
        (
            Driveline(lash_deg=5.0, damper_nm_rad=1200.0, natural_hz=0.0),
            "lash_deg needs driveline natural_hz",
        ),
        (Driveline(lash_deg=-1.0), "lash_deg = -1.0; give 0 to 180"),
        (Driveline(lockup_nm=100.0, damper_nm_rad=900.0), 'lockup_nm goes with coupling = "converter"'),
        (Driveline(lockup_nm=100.0, coupling="converter"), "damper_nm_rad above 0"),
        (Driveline(lockup_rpm=float("nan")), "lockup_rpm = nan"),
    ],
)
def test_what_does_not_go_together(drive, match):
    step = Phase(duration_s=5.0, rpm=2000, load_pct=40, gear_m=0.05)
    with pytest.raises(InputError, match=match):
        Scenario(engine=prepared_engine("inline4"), driveline=drive, programme=(step,))
