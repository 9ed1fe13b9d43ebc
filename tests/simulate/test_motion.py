"""Energy, scaling laws, clock noise, truth and repeatability of simulated logs."""

import dataclasses
import gzip
import json

import numpy as np
import pytest

from misfire.engine import Engine, Wheel
from misfire.errors import InputError
from misfire.simulate import (
    Clock,
    Combustion,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    prepared_engine,
    simulate,
)
from misfire.simulate.gas import GasModel, WorkTables
from misfire.simulate.mechanics import inertia_kg_m2
from misfire.simulate.motion import cylinder_of, run
from misfire.simulate.sensor import record

QUIET = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0, after_misfire=0.0)
FINE = Clock(hz=1e12, jitter_us=0.0)


def lossless(layout):
    """Atmospheric pressure everywhere, valves at equal angles, no friction: nothing is lost or gained."""
    gas = GasModel(compression_exponent=1.35, expansion_exponent=1.35, exhaust_kpa=100.0, crankcase_kpa=100.0)
    step = Phase(duration_s=3.0, rpm=1500, load_pct=100.0, mode="free", fuel_cut=True)
    return Scenario(
        engine=prepared_engine(layout), programme=(step,), gas=gas, friction=0.0, accessory_nm=0.0
    )


@pytest.mark.parametrize("layout", ["inline4", "v6_oddfire", "inline3", "v8", "single"])
def test_energy_is_conserved_in_a_lossless_run(layout):
    s = lossless(layout)
    motion = run(s, np.random.default_rng(1))
    c = cylinder_of(s)
    a = motion.step_deg * np.arange(len(motion.time_s))
    j = inertia_kg_m2(
        c.crank, s.engine.rotating_inertia_kg_m2, s.engine.reciprocating_mass_kg, a, s.engine.firing_tdc_deg
    )
    kinetic = 0.5 * j * motion.speed_rad_s**2
    # gas energy over the atmosphere: U = p V/(n - 1) of the trapped gas, and p0 V pushed against it
    n, p0 = 1.35, 1e5
    gas = np.zeros_like(a)
    v_ivc = float(c.volume_m3(-140.0))
    for tdc in s.engine.firing_tdc_deg:
        phi = (a - tdc + 360.0) % 720.0 - 360.0
        v = c.volume_m3(phi)
        shut = np.abs(phi) <= 140.0
        trapped = p0 * (v_ivc / v) ** n * v / (n - 1) + p0 * v
        gas += np.where(shut, trapped - (p0 * v_ivc / (n - 1) + p0 * v_ivc), 0.0)
    total = kinetic + gas
    assert np.ptp(total) / total.mean() < 1e-9
    assert np.ptp(kinetic) / kinetic.mean() > 1e-3


def test_motored_and_fired_work_close_the_balance():
    s = Scenario.steady("inline4", rpm=2000, load_pct=60, duration_s=4, combustion=QUIET)
    motion = run(s, np.random.default_rng(1))
    w = motion.speed_rad_s
    # steady: the speed after a whole cycle is the same again
    n = round(720.0 / s.step_deg)
    assert np.max(np.abs(w[-1 - n] - w[-1])) / w[-1] < 1e-4
    work = motion.events["work_j"][-40:]
    np.testing.assert_allclose(work, motion.events["normal_work_j"][-40:], rtol=2e-3)


def test_scaling_lost_work():
    """Lost work: the step of w^2/2 is dW/J at every speed, so the time error goes with w^-2."""
    found = []
    for rpm in (1500, 3000, 6000):
        s = Scenario.steady(
            "inline4", rpm=rpm, load_pct=50, duration_s=4, combustion=QUIET, clock=FINE,
            misfires=(Misfires(kind="list", cylinders=(1,), firings=(rpm // 60,)),),
        )  # fmt: skip
        m = run(s, np.random.default_rng(1))
        i = int(np.flatnonzero(m.events["state"] == 1)[0])
        tdc = m.tdc_deg[i]
        t = m.time_at_s(tdc + np.array([-360.0, -180.0, 0.0, 180.0, 360.0]) - 30.0)
        healthy = run(s.but(misfires=()), np.random.default_rng(1))
        t0 = healthy.time_at_s(tdc + np.array([-360.0, -180.0, 0.0, 180.0, 360.0]) - 30.0)
        long, plain = np.diff(t)[3], np.diff(t0)[3]
        found.append((long - plain) / plain)
    exponent = np.diff(np.log(found)) / np.log(2.0)
    # the first-order law; a single miss at 1500/min already slows the engine by several per cent
    assert exponent[1] == pytest.approx(-2.0, rel=0.03)
    assert found[0] > 0.01


def wheel_error(rpm, **kw):
    s = Scenario.steady(
        "inline4", rpm=rpm, load_pct=50, duration_s=4, combustion=QUIET, clock=FINE,
        wheel=Wheel.regular(60, 0), **kw,
    )  # fmt: skip
    m = run(s, np.random.default_rng(1))
    e = record(s, m, np.random.default_rng(2), np.random.default_rng(3))
    clean = record(s.but(teeth=ToothErrors()), m, np.random.default_rng(2), np.random.default_rng(3))
    n = min(len(e.crank_s), len(clean.crank_s))
    return e.crank_s[:n] - clean.crank_s[:n], clean.crank_s[:n]


def test_scaling_tooth_error():
    """A spacing error in angle: constant relative segment-time error, w^2 in acceleration."""
    relative = []
    for rpm in (1000, 2000, 4000):
        late, t = wheel_error(rpm, teeth=ToothErrors(bent={"20": 0.1}))
        segment = t[30:] - t[:-30]
        hit = np.abs(late[:-30]) > 1e-9
        relative.append(np.median(late[:-30][hit] / segment[hit]))
    # 0.1 deg on a 180 deg segment = 0.056 % (derived, two digits printed)
    np.testing.assert_allclose(relative, 0.1 / 180.0, rtol=0.03)


def test_run_out():
    """0.05 mm off centre at 50 mm radius = 0.0573 deg once per turn (derived)."""
    s = Scenario.steady(
        "inline4", teeth=ToothErrors(runout_mm=0.05), wheel=Wheel.regular(60, 0), duration_s=2
    )
    error = simulate(s).truth.tooth_error_deg
    assert 2.0 * abs(np.mean(error * np.exp(-1j * np.arange(60) * 2 * np.pi / 60))) == pytest.approx(
        0.0573, abs=5e-5
    )


@pytest.mark.parametrize(("rpm", "printed"), [(1000, 0.0823), (6000, 17.77)])
def test_clock_step_noise(rpm, printed):
    """sigma(alpha) = tau w^3 / (sqrt2 Dth^2) for a 1 us step, inline four (derived)."""
    # a slow ramp walks the edges through the timer's step, so that its rounding is uniform
    s = Scenario(
        engine=prepared_engine("inline4"),
        programme=(
            Phase(
                duration_s=120.0 if rpm < 2000 else 30.0, rpm=rpm * 0.995, rpm_end=rpm * 1.005, load_pct=50
            ),
        ),
        combustion=QUIET,
        clock=Clock(hz=1e6, jitter_us=0.0),
        accessory_nm=3.0 + np.sqrt(2.0),
    )
    m = run(s, np.random.default_rng(1))
    edges = np.arange(7, int(m.tdc_deg[-1] / 180.0) - 1) * 180.0 + 33.3
    true = m.time_at_s(edges)
    seen = np.floor(true * 1e6) / 1e6
    dth = np.pi

    def alpha(t):
        length = np.diff(t)
        return -dth * np.diff(length) / length[:-1] ** 3

    noise = np.std(alpha(seen) - alpha(true))
    assert noise == pytest.approx(printed, rel=0.03)
    w = np.mean(m.speed_rad_s)
    assert noise == pytest.approx(1e-6 * w**3 / (np.sqrt(2.0) * dth**2), rel=0.03)


def test_a_burn_that_follows_speed_and_load():
    """Half burned at the same angle everywhere, longer as stated; a healthy event's lost work stays at nothing."""
    gas = GasModel(burn_deg_per_1000=2.5, burn_deg_no_load=18.0)
    half = []
    for rpm, load, longer in ((2500, 100, 0.0), (5500, 100, 7.5), (2500, 0, 18.0)):
        start, duration = gas.burn_at(rpm, load)
        assert duration == pytest.approx(55.0 + longer)
        half.append(start + 0.517549 * duration)  # derived: half of a Wiebe burn, a = 5, m = 2
    np.testing.assert_allclose(half, half[0], atol=1e-4)
    steps = (Phase(duration_s=4.0, rpm=1000, load_pct=15), Phase(duration_s=4.0, rpm=5000, load_pct=90))
    s = Scenario(engine=prepared_engine("inline4"), programme=steps, combustion=QUIET, gas=gas)
    moving, fixed = simulate(s).truth, simulate(s.but(gas=GasModel())).truth
    np.testing.assert_allclose(moving.lost_work, 0.0, atol=0.003)
    # the longer burn at 1000/min and 15 % load does less with the same heat
    at = slice(40, 80)
    assert 0.9 < np.mean(moving.work_j[at]) / np.mean(fixed.work_j[at]) < 0.998


def test_patterns_of_misfire():
    rules = {
        "every": Misfires(kind="every", cylinders=(3,), every=7),
        "dead": Misfires(kind="dead", cylinders=(2,)),
        "coil": Misfires(kind="coil", cylinders=(1,), rate=0.2),
        "random": Misfires(cylinders=(4,), rate=0.1),
    }
    found = {}
    for name, rule in rules.items():
        done = simulate(Scenario.steady("inline4", rpm=3000, duration_s=30, misfires=(rule,), seed=5))
        found[name] = done.truth
        assert sum(done.truth.misfires.values()) > 0
    every = found["every"]
    mine = np.flatnonzero(every.state[every.cylinder == 3] == 1)
    assert set(np.diff(mine)) == {7}
    assert found["dead"].misfires[2] == found["dead"].firings[2]
    coil = found["coil"]
    one, four = (coil.state[coil.cylinder == c] == 1 for c in (1, 4))
    assert coil.misfires[2] == coil.misfires[3] == 0
    assert abs(int(one.sum()) - int(four.sum())) <= 1
    rate = found["random"].misfires[4] / found["random"].firings[4]
    assert rate == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / found["random"].firings[4]))
    lost = found["random"].lost_work
    assert np.all(lost[found["random"].state == 1] > 0.99)
    assert abs(np.mean(lost[found["random"].state == 0])) < 0.01


def test_companion_split():
    """Loss (1,0,0,0) in order 1-3-4-2: s14 = a14 = .5, s23 = a23 = 0 (derived)."""
    s = Scenario.steady("inline4", combustion=QUIET, misfires=(Misfires(kind="dead", cylinders=(1,)),))
    t = simulate(s).truth
    mean = {c: float(np.mean(t.lost_work[t.cylinder == c])) for c in range(1, 5)}
    assert (mean[1] + mean[4]) / 2 == pytest.approx(0.5, abs=2e-3)
    assert (mean[1] - mean[4]) / 2 == pytest.approx(0.5, abs=2e-3)
    assert (mean[2] + mean[3]) / 2 == pytest.approx(0.0, abs=2e-3)


def test_partial_burn_and_weak_cylinder():
    s = Scenario.steady(
        "inline4", duration_s=10,
        combustion=Combustion(cylinder_factors={"2": 0.8}),
        misfires=(Misfires(cylinders=(3,), rate=0.2, remaining=0.5),),
    )  # fmt: skip
    t = simulate(s).truth
    assert sum(t.misfires.values()) == 0
    assert t.partial[3] > 20
    weak = np.mean(t.lost_work[t.cylinder == 2])
    assert weak == pytest.approx(0.2, abs=0.01)


def test_same_seed_same_bytes(tmp_path):
    s = Scenario.steady("v6", duration_s=3, misfires=(Misfires(cylinders=(5,), rate=0.1),), seed=9)
    for name in ("a", "b"):
        simulate(s).write(tmp_path / name, compress=True)
    names = sorted(p.name for p in (tmp_path / "a").iterdir())
    assert names == ["channels.csv", "engine.toml", "log.csv.gz", "truth.json"]
    for n in names:
        assert (tmp_path / "a" / n).read_bytes() == (tmp_path / "b" / n).read_bytes()
    simulate(s.but(seed=10)).write(tmp_path / "c", compress=True)
    assert (tmp_path / "c" / "log.csv.gz").read_bytes() != (tmp_path / "a" / "log.csv.gz").read_bytes()
    text = gzip.decompress((tmp_path / "a" / "log.csv.gz").read_bytes()).decode().splitlines()
    assert text[1] == "time_us,signal"
    assert text[2].endswith(",crank")
    truth = json.loads((tmp_path / "a" / "truth.json").read_text())
    assert truth["misfires"]["5"] == sum(
        1 for c, k in zip(truth["events"]["cylinder"], truth["events"]["state"], strict=True)
        if c == 5 and k == "misfire"
    )  # fmt: skip
    again = Engine.load(tmp_path / "a" / "engine.toml")
    assert again.firing_order == s.engine.firing_order
    assert again.wheel == s.engine.wheel


def test_coast_down_and_stop():
    s = Scenario(
        engine=prepared_engine("inline4"),
        programme=(
            Phase(duration_s=2, rpm=3000, load_pct=30),
            Phase(duration_s=60, mode="free", fuel_cut=True, load_pct=12),
        ),
    )
    done = simulate(s)
    t = done.truth
    assert t.stopped
    assert set(t.state[t.tdc_s > 2.2]) == {2}
    fall = t.rpm[t.tdc_s > 2.3]
    assert fall[-1] < 700 < fall[0]
    assert np.all(fall[4:] < fall[:-4])


@pytest.mark.parametrize(
    ("layout", "rpm", "load", "turns"),
    [
        ("v6", 85, 90, "[12]"),
        ("inline3", 100, 90, "[12]"),
        ("single", 200, 80, "[3-6]"),
        ("inline4", 400, 90, "[67]"),
    ],
)
def test_an_engine_that_stalls_at_once_is_one_clear_line(layout, rpm, load, turns):
    """Inside the first settling cycle, while it settles, and just as the log begins."""
    everybody = tuple(range(1, prepared_engine(layout).cylinders + 1))
    s = Scenario.steady(
        layout, rpm=rpm, load_pct=load, duration_s=2, misfires=(Misfires(kind="dead", cylinders=everybody),)
    )
    with pytest.raises(InputError, match=rf"stalls within {turns} turns .* start at a higher rpm"):
        simulate(s)


@pytest.mark.parametrize("rpm", [600, 700, 800])
def test_an_engine_that_stalls_later_gives_a_short_log_that_says_so(rpm):
    dead = Misfires(kind="dead", cylinders=(1,), from_s=0.2)
    done = simulate(Scenario.steady("boxer4", rpm=rpm, load_pct=72, duration_s=3, misfires=(dead,)))
    assert done.truth.stopped
    assert 0.2 < done.recording.crank_s[-1] < 2.0


def test_ticks_wrap_and_periods(tmp_path):
    base = Scenario.steady(
        "inline4", duration_s=2, clock=Clock(hz=4e6, tick=True, counter_bits=16, cylinder1=False)
    )
    simulate(base).write(tmp_path / "tick")
    lines = (tmp_path / "tick" / "log.csv").read_text().splitlines()
    assert lines[1:3] == ["# clock_hz = 4000000", "tick"]
    ticks = np.array(lines[3:], dtype=int)
    assert ticks.max() < 65536
    assert np.any(np.diff(ticks) < 0)
    s = base.but(clock=dataclasses.replace(base.clock, tick=False, period=True))
    simulate(s).write(tmp_path / "period")
    assert (tmp_path / "period" / "log.csv").read_text().splitlines()[1] == "period_us"


def test_cells_agree_with_a_fine_grid():
    """The 2 deg grid's combustion work against 0.1 deg."""
    s = Scenario.steady("inline4")
    c = cylinder_of(s)
    work = []
    for step in (2.0, 0.1):
        edges = -360.0 + step * np.arange(round(720 / step) + 2)
        _, cells = WorkTables(s.gas, c, edges).heat_cells(np.array([-18.0, 5.0]), np.array([55.0, 70.0]))
        work.append(cells.sum(axis=1))
    np.testing.assert_allclose(work[0], work[1], rtol=1e-3)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"misfires": (Misfires(kind="sometimes"),)}, "kind = 'sometimes'"),
        ({"misfires": (Misfires(cylinders=(9,), rate=0.1),)}, "the engine has 1 to 4"),
        ({"programme": ()}, "programme is empty"),
        ({"teeth": ToothErrors(errors_deg=(0.1,))}, "the wheel has 60 positions"),
    ],
)
def test_bad_scenarios(change, match):
    with pytest.raises(InputError, match=match):
        Scenario.steady("inline4").but(**change)


@pytest.mark.parametrize("rpm", [1000, 4000])
def test_inertia_ripple_is_the_same_angle_at_every_speed(rpm):
    """1/2 J w^2 constant: dw/w = -(J2/2 J0) cos 2th, so the angle swings by J2/(4 J0) whatever the speed."""
    # valves that never shut and air everywhere leave the reciprocating masses alone
    gas = GasModel(inlet_closes_deg=-0.1, exhaust_opens_deg=0.1, exhaust_kpa=100.0, crankcase_kpa=100.0)
    step = Phase(duration_s=2.0, rpm=rpm, load_pct=100.0, mode="free", fuel_cut=True)
    s = Scenario(
        engine=prepared_engine("inline4"), programme=(step,), gas=gas, friction=0.0, accessory_nm=0.0
    )
    m = run(s, np.random.default_rng(1))
    n = 5 * 180
    t, a = m.time_s[: n + 1], np.radians(2.0 * np.arange(n + 1))
    swing = a - a[-1] * (t - t[0]) / (t[-1] - t[0])
    second = 2.0 * abs(np.mean(swing[:-1] * np.exp(-2j * a[:-1])))
    # two-term slope: (ds/da)^2 = r^2 (1 - cos 2a)/2 + ..., so J2 = 4 m r^2/2 and J0 gains the same
    j0, j2 = 0.16 + 2 * 0.52 * 0.043**2, 2 * 0.52 * 0.043**2
    assert second == pytest.approx(j2 / (4 * j0), rel=0.03)


def test_jitter_grows_with_the_speed():
    """Edge jitter in time: relative segment-time error in proportion to w (derived)."""
    found = []
    for rpm in (1000, 2000, 4000):
        s = Scenario.steady(
            "inline4", rpm=rpm, duration_s=40, combustion=QUIET, wheel=Wheel.regular(60, 0),
            clock=Clock(hz=1e10, jitter_us=1.0),
        )  # fmt: skip
        m = run(s, np.random.default_rng(1))
        noisy = record(s, m, np.random.default_rng(2), np.random.default_rng(3)).crank_s
        clean = record(s.but(clock=FINE), m, np.random.default_rng(2), np.random.default_rng(3)).crank_s
        length = clean[30:] - clean[:-30]
        found.append(np.std((noisy[30:] - noisy[:-30] - length) / length))
    np.testing.assert_allclose(np.diff(np.log2(found)), 1.0, atol=0.03)


def test_time_inside_a_cell_meets_its_end():
    m = run(Scenario.steady("inline4", rpm=900, load_pct=40, duration_s=2), np.random.default_rng(1))
    i = np.arange(1, len(m.time_s) - 1)
    before = m.time_at_s(i * m.step_deg - 1e-7)
    np.testing.assert_allclose(before, m.time_s[i], atol=1e-9)
    assert np.all(np.diff(m.time_at_s(np.arange(0.5, 5000.0, 0.25))) > 0)


def test_grid_step_does_not_matter():
    """Edges from a 2 deg and a 0.5 deg grid, coasting: a lossless wave sampled between grid points."""
    found = []
    for step in (2.0, 0.5):
        s = lossless("inline4").but(step_deg=step)
        m = run(s, np.random.default_rng(1))
        t = m.time_at_s(np.arange(721.0, 3600.0, 6.0))
        found.append(t - t[0])
    # below a usual timer step of 1 us
    np.testing.assert_allclose(found[0], found[1], atol=5e-7)
