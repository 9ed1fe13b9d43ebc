"""What edges are tied to, and whether the crank follows them."""

from __future__ import annotations

import dataclasses
import sys

import numpy as np
import pytest

from misfire.evidence import disturbance, followed
from misfire.evidence.circular import rayleigh
from misfire.evidence.followed import SHARE, answers_deg
from misfire.evidence.lines import strongest_line
from misfire.evidence.shifts import sample
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Fault, Misfires, load_scenario, simulate


def source_of(logs):
    return disturbance(logs, [sample(one) for one in logs]).source


@pytest.mark.parametrize("n", [10, 20, 100])
@pytest.mark.parametrize("places", [None, np.arange(58) * 6.0])
def test_the_circular_test_errs_as_often_as_it_says(n, places):
    """Uniform angles, also on the teeth of a 60-2 wheel only: p below 5 % in 5 % of the cases, and so on."""
    rng = np.random.default_rng(7)
    p = []
    for _ in range(4000):
        a = rng.uniform(0, 360, n) if places is None else rng.choice(places, n)
        p.append(rayleigh(a, 360.0, places).p)
    for level in (0.05, 0.01):
        sd = np.sqrt(level * (1 - level) / len(p))
        assert abs(np.mean(np.array(p) < level) - level) < 4 * sd


def test_the_circular_test_against_exact_quantiles():
    """n R^2 of ten uniform angles: the 95 and 99 % points of 200,000 draws have the p they should have."""
    from misfire.evidence.circular import rayleigh_p

    rng = np.random.default_rng(1)
    length = np.abs(np.exp(2j * np.pi * rng.random((200_000, 10))).mean(axis=1))
    for level in (0.05, 0.01):
        assert rayleigh_p(10, float(np.quantile(10 * length**2, 1 - level))) == pytest.approx(level, rel=0.06)


def test_a_line_against_the_reference_spectrum():
    """Amplitude and place of a sine in noise, held against scipy.signal.lombscargle."""
    from scipy.signal import lombscargle

    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(0, 40.0, 60_000))
    v = 0.3 * np.sin(2 * np.pi * 430.0 * x) + rng.normal(0, 1.0, x.size)
    line = strongest_line(x, v, 35.0, 700.0, 10.0)
    assert line is not None
    assert line.frequency == pytest.approx(430.0, abs=line.resolution)
    assert line.p < 1e-12
    f = np.array([429.0, 430.0, 431.0])
    reference = 2 * np.sqrt(lombscargle(x, v, 2 * np.pi * f) / x.size)
    assert np.argmax(reference) == 1
    assert line.amplitude == pytest.approx(reference[1], abs=3 * line.sd)


def test_noise_alone_has_no_line():
    rng = np.random.default_rng(3)
    low = 0
    for _ in range(60):
        x = np.sort(rng.uniform(0, rng.uniform(20, 90), rng.integers(60, 800)))
        line = strongest_line(x, np.ones(x.size), 20.0, 700.0, 10.0)
        assert line is not None
        low += line.p < 1e-3
    assert low == 0


@pytest.mark.parametrize(
    ("name", "kind", "word"),
    [
        ("alternator_hum_i4", "geared", "16.60 times a turn"),
        ("starter_hum_i4", "frequency", "430.0 Hz"),
        ("spark_noise_i4", "cylinder", "spark of cylinder 1"),
        ("lost_edges_v8", "random", "no angle"),
    ],
)
def test_the_source_of_a_disturbance_is_named(judged, name, kind, word):
    source = source_of(judged(name).done.logs)
    assert source is not None
    assert source.kind == kind
    assert word in source.words


@pytest.mark.parametrize("name", ["healthy_i4", "random_misfire_i4", "poor_wheel_v6", "rough_road_i4"])
def test_a_sound_signal_has_no_source(judged, name):
    assert source_of(judged(name).done.logs) is None


@pytest.mark.parametrize("name", ["alternator_hum_i4", "magnetised_wheel_i4"])
def test_edges_that_the_crank_does_not_follow_are_no_firm_misfire(judged, name):
    j = judged(name)
    assert sum(j.log.truth.misfires.values()) == 0
    assert set(j.causes) == {"sensor_signal"}, j.verdict["headline"]
    said = followed(j.done.logs)
    if name == "magnetised_wheel_i4":  # some of its turns pass for misfires by their lost work alone
        assert any(f.refuted for f in said.values())
        assert any("crank signal" in m for m in j.verdict["missing"])
    assert all(f.refuted for f in said.values())


def test_the_place_of_the_moving_edges_is_named(judged):
    """The spot of `magnetised_wheel_i4` is centred on position 50, four positions wide."""
    for one in followed(judged("magnetised_wheel_i4").done.logs).values():
        assert abs(one.tooth - 50) <= 2


@pytest.mark.parametrize(
    "name", ["random_misfire_i4", "shared_coil_v8", "idle_misfire_boxer4", "misfire_oddfire_v6"]
)
def test_the_crank_follows_true_misfires(judged, name):
    j = judged(name)
    true = {c for c, n in j.log.truth.misfires.items() if n}
    of = followed(j.done.logs)
    assert set(of) == true
    for one in of.values():
        assert one.share > SHARE
        assert not one.refuted
    rows = [r for r in j.verdict["evidence"] if "that the crank follows" in r["name"]]
    assert len(rows) == len(true)
    assert all(r["sd"] > 0 for r in rows)


def test_weak_and_partial_burns_beside_the_misfires_refute_nothing(judged):
    """The leaking cylinder lacks a third of its work in every firing, and misfires at idle."""
    of = followed(judged("compression_leak_i4").done.logs)
    assert set(of) == {4}
    assert not of[4].refuted
    assert of[4].share > SHARE


def test_a_late_burn_is_still_followed(judged):
    """The limit leaves room for a combustion of another shape than the generic one."""
    log = judged("random_misfire_i4").done.logs[0]
    a, b = answers_deg(log), answers_deg(log, late=True)
    for one, other in zip(a, b, strict=True):
        x, y = one.ravel(), other.ravel()
        assert (x @ y) ** 2 / ((x @ x) * (y @ y)) > 0.98 > SHARE


def test_a_true_misfire_beside_edges_that_move_is_still_found():
    """A magnetised spot accuses 1 and 4 for twelve seconds; cylinder 1 misfires besides, before and after, 4 never."""
    spot = load_scenario("magnetised_wheel_i4")
    true = Misfires(kind="random", cylinders=(1,), rate=0.04)
    log = simulate(dataclasses.replace(spot, seed=903, misfires=(true,)))
    found = analyse(log.recording, AnalyseOptions(log.engine), channels=[log.channels]).result["verdict"]
    causes = {f["cause"]: f["cylinders"] for f in found["findings"]}
    assert causes == {"misfire": [1], "sensor_signal": []}, found["headline"]
    (finding,) = [f for f in found["findings"] if f["cause"] == "misfire"]
    assert finding["detail"]["misfires"] <= sum(log.truth.misfires.values())


def test_turns_whose_speed_changes_are_not_asked(judged, monkeypatch):
    """With every turn's speed said to change too much nothing is left to judge by, and nothing is said."""
    logs = judged("random_misfire_i4").done.logs
    assert followed(logs)
    monkeypatch.setattr(sys.modules["misfire.evidence.followed"], "STEADY", 0.0)
    assert followed(logs) == {}


def test_misfires_far_from_every_healthy_turn_are_not_held_against_them(monkeypatch):
    """Dead up to 3000/min, healthy above: the healthy wave, drawn out to lower speeds, would say "edges alone"."""
    dead = Misfires(kind="dead", cylinders=(5,), to_rpm=3000.0)
    log = simulate(dataclasses.replace(load_scenario("shared_coil_v8"), misfires=(dead,)))
    logs = analyse(log.recording, AnalyseOptions(log.engine)).logs
    assert not any(f.refuted for f in followed(logs).values())
    module = sys.modules["misfire.evidence.followed"]
    monkeypatch.setattr(module, "_within", lambda x, known, factor: np.ones(x.shape, dtype=bool))
    assert [f.refuted for f in followed(logs).values()] == [True]


@pytest.mark.parametrize(
    ("fault", "kind", "word"),
    [
        (Fault(kind="extra_hum", hz=50.0, rate=0.1), "mains", "at 50.0 Hz, 50 Hz"),
        (Fault(kind="extra_hum", per_turn=8.9, rate=0.02), "geared", "8.90 times a turn"),
        (Fault(kind="extra_spark", rate=0.03, count=1, angle_deg=-12.0), "firing", "spark of every cylinder"),
        (Fault(kind="lost_tooth", position=33, rate=0.1), "turn", "position 33"),
        (Fault(kind="extra", per_s=4.0), "random", "no angle"),
    ],
)
def test_faults_of_known_source(fault, kind, word):
    scenario = dataclasses.replace(load_scenario("healthy_i4"), seed=88, faults=(fault,))
    log = simulate(scenario)
    found = analyse(log.recording, AnalyseOptions(log.engine), channels=[log.channels])
    source = source_of(found.logs)
    assert source is not None
    assert source.kind == kind, source.words
    assert word in source.words
