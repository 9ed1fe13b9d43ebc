"""Shipped scenarios, the controller's monitor, signal faults and the sampled waveform."""

import dataclasses
import json
import re
from pathlib import Path

import numpy as np
import pytest

import misfire.simulate
from misfire.engine import Wheel
from misfire.errors import InputError
from misfire.intake import read
from misfire.simulate import (
    Clock,
    Combustion,
    Controller,
    Driveline,
    Fault,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    Torsion,
    load_scenario,
    scenario_names,
    simulate,
)
from misfire.simulate.checks import COUPLINGS, FAULT_KINDS, MISFIRE_KINDS, MODES
from misfire.simulate.controller import monitor
from misfire.simulate.gas import GasModel
from misfire.simulate.motion import run
from misfire.simulate.sensor import record
from misfire.simulate.waveform import KINDS, mark_voltage, waveform, write_waveform_csv


def test_the_library_is_large_enough_and_says_what_it_shows():
    names = scenario_names()
    assert len(names) >= 20
    for n in names:
        assert len(load_scenario(n).title) > 20


def test_the_page_names_every_scenario_and_every_key():
    text = (Path(misfire.simulate.__file__).parent / "scenarios" / "README.md").read_text("utf-8")
    shown = dict(re.findall(r"^\| `([^`]+)` \| (.+) \|$", text, re.MULTILINE))
    assert {n: load_scenario(n).title for n in scenario_names()} == {
        n: shown.get(n) for n in scenario_names()
    }
    word = set(re.findall(r"`\[{0,2}([a-z0-9_]+)\]{0,2}`", text))
    tables = (
        Phase,
        Misfires,
        Combustion,
        GasModel,
        ToothErrors,
        Fault,
        Clock,
        Driveline,
        Torsion,
        Controller,
    )
    for kind in tables:
        for f in dataclasses.fields(kind):
            assert f.name in word, f"{kind.__name__}.{f.name} is not explained"
    for kind in (*MODES, *MISFIRE_KINDS, *FAULT_KINDS, *COUPLINGS):
        assert f'"{kind}"' in text


@pytest.mark.parametrize("name", ["partial_burn_i3", "lost_edges_v8", "stale_pattern_oddfire_v6"])
def test_truth_as_written(name, tmp_path):
    """truth.json: work of every event, misfires, tooth errors, faults, and it agrees with itself."""
    scenario = load_scenario(name)
    done = simulate(scenario)
    done.write(tmp_path)
    truth = json.loads((tmp_path / "truth.json").read_text("utf-8"))
    e = truth["events"]
    assert {len(v) for v in e.values()} == {len(done.truth.tdc_s)}
    work, normal, lost = (np.array(e[k]) for k in ("work_j", "normal_work_j", "lost_work"))
    np.testing.assert_allclose(lost, 1.0 - work / normal, atol=2e-3)
    state, cylinder = np.array(e["state"]), np.array(e["cylinder"])
    for c, n in truth["misfires"].items():
        assert n == np.sum((state == "misfire") & (cylinder == int(c)))
    assert len(truth["tooth_error_deg"]) == len(truth["tooth_positions"]) == done.engine.wheel.teeth
    assert set(truth["faults"]) == {f.kind for f in scenario.faults}
    if name == "lost_edges_v8":
        clean = simulate(scenario.but(faults=()))
        assert sum(truth["faults"].values()) == len(clean.recording.crank_s) - len(done.recording.crank_s)


@pytest.mark.parametrize("name", scenario_names())
def test_every_scenario_runs(name):
    done = simulate(load_scenario(name))
    t = done.truth
    assert np.all(np.diff(done.recording.crank_s) > 0)
    assert np.all(np.diff(t.tdc_s) > 0)
    assert done.recording.crank_s[-1] > 15.0
    assert not t.stopped
    assert t.rpm.min() > 150
    missing = {c for c, n in t.misfires.items() if n > 0}
    told = {c for m in done.scenario.misfires if m.remaining < 0.2 for c in m.cylinders}
    if done.scenario.controller.limp_after == 0:
        if any(m.kind == "coil" for m in done.scenario.misfires):
            told |= {done.engine.companions[c] for c in told}
        assert missing == told


def test_learn_story():
    """One wheel, every cylinder fires; the stale pattern accuses companions, the learn clears them."""
    before, after = (simulate(load_scenario(f"{n}_pattern_i4")) for n in ("stale", "learned"))
    np.testing.assert_allclose(before.truth.tooth_error_deg, after.truth.tooth_error_deg)
    assert sum(before.truth.misfires.values()) == sum(after.truth.misfires.values()) == 0
    accused = {c for c, n in before.counts.items() if n > 50}
    assert len(accused) == 2
    assert before.engine.companions[min(accused)] == max(accused)
    assert max(after.counts.values()) < 0.01 * max(before.counts.values())


def test_monitor_counts_real_misfires_and_can_be_suspended():
    s = Scenario.steady(
        "v6", rpm=2500, duration_s=20, misfires=(Misfires(cylinders=(5,), rate=0.08),),
        controller=Controller(enabled=True),
    )  # fmt: skip
    done = simulate(s)
    assert done.counts[5] == pytest.approx(done.truth.misfires[5], abs=2)
    assert sum(done.counts.values()) - done.counts[5] <= 3
    off = simulate(s.but(controller=Controller(enabled=True, monitor=False)))
    assert set(off.counts.values()) == {0}


def test_limp_mode_makes_dead_cylinders_afterwards():
    done = simulate(load_scenario("limp_mode_i4"))
    t = done.truth
    assert done.truth.notes
    shut = float(t.notes[0].split(" at ")[1].split()[0])
    assert not np.any(t.state[t.tdc_s < shut] == 1)
    cylinder = int(t.notes[0].split("cylinder ")[1].split()[0])
    later = (t.tdc_s > shut + 1.0) & (t.cylinder == cylinder) & (t.state != 2)
    assert set(t.state[later]) == {1}


@pytest.mark.parametrize("form", ["energy", "segment_time"])
@pytest.mark.parametrize(("rpm", "load"), [(800, 25), (2500, 50), (5500, 40)])
def test_monitor_on_odd_firing(rpm, load, form):
    """Intervals of 90 and 150 deg: real misfires counted on their cylinder, none on a healthy engine."""
    s = Scenario.steady(
        "v6_oddfire", rpm=rpm, load_pct=load, duration_s=12, misfires=(Misfires(cylinders=(2,), rate=0.08),),
        controller=Controller(enabled=True, form=form),
    )  # fmt: skip
    done = simulate(s)
    assert done.truth.misfires[2] > 5
    assert done.counts[2] == pytest.approx(done.truth.misfires[2], abs=1)
    assert sum(done.counts.values()) == done.counts[2]
    assert sum(simulate(s.but(misfires=())).counts.values()) == 0


def test_the_monitor_knows_the_uneven_wave(monkeypatch):
    """The map of the healthy drop takes out what unequal segments show at speed: 0.23 of a firing's work."""
    quiet = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0)
    s = Scenario.steady("v6_oddfire", rpm=6000, load_pct=40, duration_s=3, combustion=quiet)
    rng = [np.random.default_rng(k) for k in range(4)]
    motion = run(s, rng[0])
    sensed = record(s, motion, rng[1], rng[2])

    def mean_loss():
        loss = monitor(s, motion, sensed, rng[3]).loss
        return [float(np.nanmean(loss[motion.events["cylinder"] == c])) for c in range(1, 7)]

    np.testing.assert_allclose(mean_loss(), 0.0, atol=0.01)
    monkeypatch.setattr("misfire.simulate.controller._healthy_drop_j", lambda *a: 0.0)
    assert np.ptp(mean_loss()) > 0.4


def test_stale_pattern_on_odd_firing_accuses_cylinders_that_fire():
    done = simulate(load_scenario("stale_pattern_oddfire_v6"))
    assert sum(done.truth.misfires.values()) == 0
    assert max(done.counts.values()) > 50


def test_a_learn_with_the_disturbance_still_there_clears_for_a_time_only():
    """What was learned fits while the magnetised spot is there; when it goes, companions are accused again."""
    scenario = load_scenario("learned_with_disturbance_i4")
    done = simulate(scenario)
    assert sum(done.truth.misfires.values()) == 0
    assert max(done.counts.values()) > 50
    always = simulate(scenario.but(teeth=dataclasses.replace(scenario.teeth, spot_to_s=np.inf)))
    assert max(always.counts.values()) < 0.02 * max(done.counts.values())


@pytest.mark.parametrize(
    ("fault", "sign"),
    [
        (Fault(kind="lost", rate=0.01), -1),
        (Fault(kind="lost_tooth", position=3, rate=0.5), -1),
        (Fault(kind="extra", per_s=20.0), 1),
        (Fault(kind="extra_spark", rate=0.1, count=2), 1),
        (Fault(kind="extra_hum", hz=100.0, rate=0.5), 1),
    ],
)
def test_edges_lost_and_added(fault, sign):
    s = Scenario.steady("inline4", duration_s=5)
    clean, hurt = simulate(s), simulate(s.but(faults=(fault,)))
    found = len(hurt.recording.crank_s) - len(clean.recording.crank_s)
    assert found == sign * hurt.truth.faults[fault.kind]
    assert abs(found) > 10


@pytest.mark.parametrize("kind", ["hum", "jitter", "shift_spark"])
def test_edges_moved(kind):
    s = Scenario.steady("inline4", duration_s=5, clock=Clock(jitter_us=0.0))
    fault = Fault(kind=kind, amplitude_us=8.0, from_s=2.0, to_s=4.0)
    clean, hurt = simulate(s), simulate(s.but(faults=(fault,)))
    moved = np.abs(hurt.recording.crank_s - clean.recording.crank_s)
    t = clean.recording.crank_s
    assert moved[(t < 1.99) | (t > 4.01)].max() < 1e-7
    assert moved[(t > 2.01) & (t < 3.99)].max() > 7e-6


def test_wobble_grows_with_speed():
    """Once a turn, as large as stated at 1000/min, three times that at 3000; fastest where the gap is smallest."""
    found = []
    for rpm in (1000, 3000):
        s = Scenario.steady("inline4", rpm=rpm, duration_s=3, wheel=Wheel.regular(60))
        done = simulate(s.but(teeth=ToothErrors(wobble_deg=0.2, wobble_at_deg=90.0)))
        found.append(
            2.0 * np.mean(done.truth.tooth_error_deg * np.exp(-1j * np.radians(6.0 * np.arange(60))))
        )
    np.testing.assert_allclose(np.abs(found), [0.2, 0.6], rtol=0.02)
    # -A sin(a - 90 deg) = A cos a
    np.testing.assert_allclose(np.angle(found), 0.0, atol=1e-6)


def test_hum_geared_to_the_crank():
    """An alternator's ripple: the same moves at the same angles whatever the speed, and as many false edges a turn."""
    for rpm in (1200, 3600):
        s = Scenario.steady(
            "inline4", rpm=rpm, duration_s=4, clock=Clock(jitter_us=0.0, hz=1e9), wheel=Wheel.regular(60)
        )
        clean = simulate(s).recording.crank_s
        hum = Fault(kind="hum", per_turn=12.0, amplitude_us=5.0)
        moved = simulate(s.but(faults=(hum,))).recording.crank_s - clean
        np.testing.assert_allclose(moved[60:-60], moved[:-120], atol=0.02e-6)
        assert moved.max() == pytest.approx(5e-6 * np.sin(np.radians(72.0)), rel=0.01)
        extra = simulate(s.but(faults=(Fault(kind="extra_hum", per_turn=0.7371),))).recording.crank_s
        assert len(extra) - len(clean) == pytest.approx(0.7371 * len(clean) / 60, abs=2)


def test_a_moved_edge_is_seen_by_the_controller():
    """The alternator's ripple makes it count although every cylinder fires; without the ripple it does not."""
    scenario = load_scenario("alternator_hum_i4")
    done, calm = simulate(scenario), simulate(scenario.but(faults=()))
    assert sum(done.truth.misfires.values()) == 0
    assert sum(done.counts.values()) > 50
    assert sum(calm.counts.values()) < 5


def test_first_tooth_as_on_a_measured_pickup():
    """First interval 0.83 of a pitch at 1300/min, 0.72 at 2950 (one-cylinder recordings): the first tooth comes late."""
    teeth = load_scenario("single_cylinder").teeth
    for rpm, ratio in ((1300, 0.83), (2950, 0.72)):
        s = Scenario.steady("inline6", rpm=rpm, load_pct=40, duration_s=3, seed=2)
        teeth = dataclasses.replace(teeth, sd_deg=0.0)
        edges = [simulate(s.but(teeth=t)).recording.crank_s for t in (teeth, ToothErrors())]
        first = [np.diff(e[58 * 4 : 58 * 24].reshape(-1, 58), axis=1) for e in edges]
        found = np.min(np.mean(first[0], axis=0) / np.mean(first[1], axis=0))
        assert found == pytest.approx(ratio, abs=0.015)


def test_moving_patterns():
    base = Scenario.steady("inline4", duration_s=20, clock=Clock(jitter_us=0.0, hz=1e9))
    spot = ToothErrors(spot_deg=0.5, spot_position=20, spot_width=2.0, spot_from_s=10.0)
    clean, hurt = simulate(base), simulate(base.but(teeth=spot))
    moved = hurt.recording.crank_s - clean.recording.crank_s
    t = clean.recording.crank_s
    assert np.max(np.abs(moved[t < 9.99])) < 2e-9
    # 0.5 deg at 3000/min is 27.8 us
    assert np.max(moved[t > 10.0]) == pytest.approx(27.8e-6, rel=0.03)
    gap = simulate(base.but(teeth=ToothErrors(gap_shift_deg=-1.0, gap_shift_deg_per_1000=-0.3)))
    moved = gap.recording.crank_s - clean.recording.crank_s
    assert np.min(moved) == pytest.approx(-1.6 / 360 * 0.02, rel=0.03)
    assert np.mean(np.abs(moved) > 1e-6) == pytest.approx(1 / 58, rel=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_waveform_crosses_at_the_edges(kind):
    done = simulate(Scenario.steady("inline4", rpm=2000, duration_s=3, clock=Clock(jitter_us=0.0, hz=1e9)))
    t, v = waveform(done, kind, from_s=1.0, to_s=1.5, noise_v=0.0, rise_us=20.0)
    x = v - 2.5 if kind == "hall" else -v
    i = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0) & (np.diff(x) > 0.1))
    found = t[i] - x[i] * (t[1] - t[0]) / (x[i + 1] - x[i])
    true = done.recording.crank_s
    true = true[(true > t[0]) & (true < t[-1])]
    assert len(found) == len(true)
    np.testing.assert_allclose(found, true, atol=1e-7)


@pytest.mark.parametrize("kind", KINDS)
def test_waveform_is_read_back(kind, tmp_path):
    """Crank, cam and cylinder-1 voltages through the reader, at the threshold it chooses: the log's own edges."""
    s = Scenario.steady(
        "v6",
        rpm=1500,
        duration_s=2,
        clock=Clock(jitter_us=0.0, hz=1e9, cam=True),
        teeth=ToothErrors(sd_deg=0.03),
    )
    done = simulate(s)
    t, v = waveform(done, kind, from_s=0.5, to_s=1.5)
    write_waveform_csv(
        tmp_path / "w.csv", t, v,
        cam_v=mark_voltage(t, done.recording.cam_s), cylinder1_v=mark_voltage(t, done.recording.cylinder1_s),
    )  # fmt: skip
    found_log = read(tmp_path / "w.csv")
    real = done.recording

    def inside(x):
        return x[(x > 0.55) & (x < 1.45)]

    found, true = inside(found_log.crank_s), inside(real.crank_s)
    assert len(found) == len(true)
    # a variable-reluctance pickup may be read at another level: the same delay everywhere
    away = found - true
    assert np.std(away) < 3e-6
    for mark in ("cam_s", "cylinder1_s"):
        np.testing.assert_allclose(inside(getattr(found_log, mark)), inside(getattr(real, mark)), atol=1e-5)


def test_waveform_amplitude_grows_with_speed():
    peak = []
    for rpm in (1000, 3000):
        done = simulate(Scenario.steady("inline4", rpm=rpm, duration_s=2, load_pct=50))
        peak.append(np.max(waveform(done, "vr", from_s=1.0, noise_v=0.0)[1]))
    assert peak[1] / peak[0] == pytest.approx(3.0, rel=0.1)


def test_bad_scenario_files(tmp_path):
    cases = {
        "layout = 'inline4'": "programme is missing",
        "layot = 'inline4'": "did you mean 'layout'",
        "[[programme]]\nduration_s = 5\nrpm = 'fast'": "rpm = 'fast'",
        "[[programme]]\nduration = 5\nrpm = 1000": "did you mean 'duration_s'",
        "[[programme]]\nrpm = 1000\nload_pct = 20": "duration_s",
        "[[programme]\n": "not valid TOML",
        "layout = 'inline44'": "did you mean",
    }
    for i, (text, match) in enumerate(cases.items()):
        path = tmp_path / f"s{i}.toml"
        path.write_text(text)
        with pytest.raises(InputError, match=match):
            load_scenario(path)
    with pytest.raises(InputError, match="did you mean 'healthy_i4'"):
        load_scenario("healthy_14")
