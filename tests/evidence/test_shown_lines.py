"""The lines that are shown and do not decide: each against values that were put in, or against the simulator's truth."""

from __future__ import annotations

import dataclasses
import json
import math
import re

import numpy as np
import pytest

from misfire.engine import Engine
from misfire.evidence import lines
from misfire.evidence.pooled import Pooled, pool
from misfire.evidence.shifts import sample
from misfire.evidence.spread import load_dependence, two_peaks
from misfire.evidence.steady import companion_splits, speed_law, stays_in_fuel_cut
from misfire.evidence.swing import slow_swing
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import ToothErrors, load_scenario, simulate

FIRING, MISFIRE, MOTORING = 0, 1, 2


def made(cycles: int, *, seed: int = 1, noise: float = 0.03) -> Pooled:
    """A four that fires throughout, from 1000 to 4000 rpm, its normal work growing with speed."""
    rng = np.random.default_rng(seed)
    n = 4 * cycles
    rpm = np.linspace(1000.0, 4000.0, n)
    lost = rng.normal(0, noise, n)
    return Pooled(
        Engine.load("inline4"), True, np.cumsum(30.0 / rpm), np.zeros(n, dtype=np.int64), np.arange(n) % 4, rpm,
        np.linspace(20.0, 80.0, n), lost, lost.copy(), 800.0 + 0.1 * rpm, np.full(n, 5.0), np.zeros(n, dtype=np.int64),
    )  # fmt: skip


def with_(p: Pooled, **change: np.ndarray) -> Pooled:
    return dataclasses.replace(p, **change)


@pytest.mark.parametrize(("lost", "mean", "half"), [((1, 0, 0, 0), 0.5, 0.5), ((1, 0, 1, 0), 1.0, 0.0)])
def test_companion_split(lost, mean, half):
    """(1,0,0,0) in the order 1-3-4-2 gives s = a = 0.5 in the pair 1, 4 and nothing in the other; a pair alike a = 0."""
    p = made(200)
    p = with_(p, lost=p.lost + np.array(lost, dtype=float)[p.place])
    one, other = companion_splits(p)
    assert one.name.startswith("companions cylinder 1 and cylinder 4")
    assert one.value == pytest.approx(half, abs=4 * one.sd)
    assert float(re.search(r"both is ([+-][0-9.]+)", one.says)[1]) == pytest.approx(mean, abs=0.02)
    assert other.value == pytest.approx(0.0, abs=4 * other.sd)


@pytest.mark.parametrize(
    ("law", "exponent", "best"), [(0, -2.0, "lost work"), (2, 0.0, "wheel"), (3, 1.0, "time")]
)
def test_speed_law_finds_the_term_that_was_put_in(law, exponent, best):
    """Relative time error 1/w^2, constant or w is energy w^0, w^2, w^3 [derived]; 0.3 of lost work at middle speed."""
    p = made(600, noise=0.001)
    u = p.rpm / 2500.0
    p = with_(p, normal=np.full(p.rpm.size, 1000.0))
    (row,) = speed_law(with_(p, plain=p.plain + np.where(p.place == 2, 0.3 * u**law, 0.0)))
    assert row.name == "speed exponent, cylinder 4"
    assert row.value == pytest.approx(exponent, abs=max(3 * row.sd, 0.15))
    assert f"best alone {best}" in row.says
    terms = [float(x) for x in re.findall(r"([+-][0-9.]+)±", row.says)]
    for i, value in enumerate(terms):
        assert value == pytest.approx(0.3 if i == (0, 2, 3).index(law) else 0.0, abs=0.02)


def test_speed_law_says_nothing_of_noise_or_of_one_speed():
    p = made(600)
    assert speed_law(p) == []
    dead = with_(p, plain=p.plain + np.where(p.place == 2, 1.0, 0.0))
    assert len(speed_law(dead)) == 1
    assert speed_law(with_(dead, rpm=np.full(p.rpm.size, 2000.0))) == []


@pytest.mark.parametrize(
    ("name", "who", "low", "high"),
    [("dead_cylinder_i4", "cylinder 2", -2.1, -1.3), ("poor_wheel_v6", "cylinder [25]", -0.2, 0.2)],
)
def test_speed_exponent_of_a_simulated_engine(judged, name, who, low, high):
    """Lost work -2, along the zero-load line -1.4; a wheel error 0 [derived]."""
    (row,) = speed_law(pool(judged(name).done.logs))
    assert re.fullmatch(f"speed exponent, {who}", row.name)
    assert low < row.value < high


@pytest.mark.parametrize(("rpm", "what"), [(1500.0, "motoring"), (220.0, "cranking")])
def test_what_stays_in_fuel_cut(rpm, what):
    """One place lacks a tenth of a combustion while none fires; all else falls with a slow trend that is no place's."""
    p = made(300)
    rng = np.random.default_rng(4)
    cut = np.arange(p.rpm.size) >= 800
    energy = (
        np.where(p.place == 1, -100.0, 0.0)
        + rng.normal(0, 20.0, p.rpm.size)
        + np.linspace(0, 500, p.rpm.size)
    )
    p = with_(p, state=np.where(cut, MOTORING, FIRING), energy=energy, normal=np.full(p.rpm.size, 1000.0))
    (row,) = [m.shown() for m in stays_in_fuel_cut(with_(p, rpm=np.where(cut, rpm, 2000.0)))]
    assert row.name == f"work that stays away while {what}, cylinder 3"
    assert row.value == pytest.approx(0.1, abs=4 * row.sd)
    assert row.sd < 0.008


def test_a_wheel_error_in_fuel_cut_accuses_nobody():
    """An offset that both companions share, which is what a tooth error gives, leaves the pairs alike."""
    p = made(300)
    rng = np.random.default_rng(6)
    cut = np.arange(p.rpm.size) >= 800
    energy = np.where(p.place % 2 == 1, -100.0, 0.0) + rng.normal(0, 20.0, p.rpm.size)
    p = with_(p, state=np.where(cut, MOTORING, FIRING), energy=energy, normal=np.full(p.rpm.size, 1000.0))
    (row,) = [m.shown() for m in stays_in_fuel_cut(p)]
    assert row.value < 4 * row.sd
    assert row.p > 0.01


@pytest.mark.parametrize("layout", ["inline3", "inline5"])
def test_without_companions_nothing_is_said_of_fuel_cut(layout):
    """The wheel is not told from a leak there."""
    p = made(300)
    cut = np.arange(p.rpm.size) >= 800
    p = with_(p, state=np.where(cut, MOTORING, FIRING))
    few = Engine.load(layout)
    place = np.arange(p.rpm.size) % few.cylinders
    assert stays_in_fuel_cut(dataclasses.replace(p, engine=few, place=place)) == []


def test_two_peaks():
    """Normal peaks at 0 and 1, both 0.1 wide: D = sqrt(2) / sqrt(0.02) = 10; one peak has none."""
    p = made(400, noise=0.1)
    rng = np.random.default_rng(5)
    missed = (rng.random(p.rpm.size) < 0.2) & (p.place == 0)
    (row,) = two_peaks(with_(p, lost=p.lost + missed), 0)
    assert row.value == pytest.approx(10.0, abs=3 * row.sd)
    share = 100 * missed.sum() / (p.place == 0).sum()
    assert float(re.match(r"([0-9.]+) %", row.says)[1]) == pytest.approx(share, abs=0.3)
    (row,) = two_peaks(p, 0)
    assert row.value == 0.0


def test_load_dependence():
    p = made(400)
    high = p.load_pct > 50.0
    missed = high & (p.place == 3) & (np.arange(p.rpm.size) % 20 == 3)
    p = with_(p, lost=p.lost + missed, state=np.where(missed, MISFIRE, FIRING))
    (row,) = load_dependence(p, 3)
    assert row.value == pytest.approx(0.2, abs=4 * row.sd)
    assert f"misfires {missed.sum()} of" in row.says
    assert load_dependence(with_(p, load_pct=np.full(p.rpm.size, 40.0)), 3) == []


@pytest.mark.parametrize("hz", [2.5, 6.0])
def test_slow_swing(hz):
    """Speed that swings by 2 % at a frequency that the crank does not know: rms 2 / sqrt(2) = 1.41 %."""
    p = made(1500)
    t = np.arange(p.rpm.size) * 0.012
    rpm = 2500.0 * (1 + 0.02 * np.sin(2 * np.pi * hz * t) + 0.01 * np.sin(2 * np.pi * p.place / 4))
    row = slow_swing(with_(p, time_s=t, rpm=rpm)).shown()
    assert float(re.search(r"at ([0-9.]+) Hz", row.says)[1]) == pytest.approx(hz, abs=0.4)
    # the mean over a cycle takes a little of a fast swing
    assert row.value == pytest.approx(100 * 0.02 / math.sqrt(2) * np.sinc(hz * 0.048), rel=0.05)


def test_the_driveline_of_a_simulated_car_swings_at_its_own_frequency(judged):
    """`misfire_in_gear_i4`: natural frequency of the driveline 5 Hz."""
    j = judged("misfire_in_gear_i4")
    row = slow_swing(pool(j.done.logs)).shown()
    assert float(re.search(r"at ([0-9.]+) Hz", row.says)[1]) == pytest.approx(5.0, abs=1.0)


def order_rows(**change) -> dict[str, tuple[float, float]]:
    scenario = dataclasses.replace(load_scenario("partial_burn_i3"), misfires=(), faults=(), **change)
    done = simulate(scenario)
    found = analyse(done.recording, AnalyseOptions(done.engine), channels=[done.channels])
    rows = {s.name: (s.value, s.sd) for s in lines(found.logs).shown if s.name.startswith("order test")}
    assert len(sample(found.logs[0]).rows) > 200
    return {k.split(", ")[1]: v for k, v in rows.items()}


def test_order_test_tells_a_cylinder_from_the_wheel_without_companions():
    """An inline three: a weak cylinder on half orders, a run-out of the wheel on whole ones, neither on none [derived]."""
    base = load_scenario("partial_burn_i3")
    good = ToothErrors(sd_deg=0.0)
    weak = order_rows(
        teeth=good, combustion=dataclasses.replace(base.combustion, cylinder_factors={"2": 0.6})
    )
    wheel = order_rows(teeth=ToothErrors(runout_mm=0.3, radius_mm=75.0))
    sound = order_rows(teeth=good)
    beyond = weak["half orders"][0] - sound["half orders"][0]
    assert beyond > 3 * weak["half orders"][1]
    assert wheel["half orders"][0] == pytest.approx(sound["half orders"][0], abs=0.05 * beyond)
    # run-out e/r as an angle, root mean square
    assert wheel["whole orders"][0] == pytest.approx(math.degrees(0.3 / 75.0) / math.sqrt(2), rel=0.15)
    assert sound["whole orders"][0] < 0.2 * wheel["whole orders"][0]


@pytest.mark.parametrize(
    "name", ["healthy_v8", "dead_cylinder_i4", "alternator_hum_i4", "misfire_i5_36-1", "single_cylinder"]
)
def test_every_row_has_its_uncertainty_and_fits_the_result(judged, name):
    rows = judged(name).verdict["evidence"]
    json.dumps(rows, allow_nan=False)
    assert len({r["name"] + r["says"] for r in rows}) == len(rows)
    ours = [s.row() for s in lines(judged(name).done.logs).shown]
    assert all(r in rows for r in ours)
    assert all(r["sd"] >= 0 for r in ours)
    assert all(len(r["says"]) <= 200 for r in rows)
