"""Misfire rules, combustion scatter and a pattern that follows speed, held to what their definitions say.

Tolerances are four standard errors of the statistic (derived), so a right model fails once in 16 000 seeds.
"""

import itertools

import numpy as np
import pytest

from misfire.engine import Wheel
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

QUIET = Combustion(cov_full=0.0, cov_idle=0.0, phase_sd_deg=0.0, after_misfire=0.0)


def ramp(misfires, *, rpm=2500, rpm_end=None, load_pct=40, load_end_pct=None):
    step = Phase(duration_s=60.0, rpm=rpm, rpm_end=rpm_end, load_pct=load_pct, load_end_pct=load_end_pct)
    return simulate(
        Scenario(engine=prepared_engine("inline4"), programme=(step,), misfires=(misfires,))
    ).truth


def four_errors(p, n):
    return 4.0 * np.sqrt(p * (1.0 - p) / n)


def test_a_misfire_keeps_to_its_speed_band():
    """Judged by the mean speed where the charge is taken in, a turn before the firing TDC."""
    band = Misfires(cylinders=(2, 3), rate=0.3, from_rpm=2000.0, to_rpm=3000.0)
    t = ramp(band, rpm=1000, rpm_end=4000)
    mine, hit = np.isin(t.cylinder, (2, 3)), t.state == 1
    assert not np.any(hit & ~mine)
    # mean over the turn about a turn before TDC; a misfire there slows it, and the ramp gains 3 1/min a turn
    rpm = np.full(len(hit), np.nan)
    rpm[4:] = 120.0 / (t.tdc_s[4:] - t.tdc_s[:-4])
    seen = rpm[hit & np.isfinite(rpm)]
    assert 1975.0 < seen.min() < 2025.0
    assert 2975.0 < seen.max() < 3025.0
    inside = mine & (rpm > 2025.0) & (rpm < 2975.0)
    assert np.mean(hit[inside]) == pytest.approx(0.3, abs=four_errors(0.3, inside.sum()))


def test_a_misfire_keeps_to_its_load_band():
    t = ramp(
        Misfires(cylinders=(4,), rate=0.4, from_load_pct=50.0, to_load_pct=70.0), load_pct=20, load_end_pct=90
    )
    hit, mine = t.state == 1, t.cylinder == 4
    assert not np.any(hit & ~mine)
    assert np.all((t.load_pct[hit] >= 50.0) & (t.load_pct[hit] < 70.0))
    inside = mine & (t.load_pct >= 50.0) & (t.load_pct < 70.0)
    assert np.mean(hit[inside]) == pytest.approx(0.4, abs=four_errors(0.4, inside.sum()))
    assert t.load_pct[hit].min() < 51.0
    assert t.load_pct[hit].max() > 69.0


@pytest.mark.parametrize(("rate", "length"), [(0.01, 8), (0.05, 3)])
def test_bursts(rate, length):
    """Runs of whole bursts (one may follow at once on another); each free firing begins one with the stated chance."""
    s = Scenario.steady(
        "v6", rpm=5000, load_pct=60, duration_s=90, seed=3,
        misfires=(Misfires(kind="burst", cylinders=(1, 6), rate=rate, length=length),),
    )  # fmt: skip
    t = simulate(s).truth
    assert {c for c, n in t.misfires.items() if n} == {1, 6}
    begun = free = missed = 0
    for cylinder in (1, 6):
        runs = [(k, len(list(g))) for k, g in itertools.groupby(t.state[t.cylinder == cylinder] == 1)]
        # the first and the last may be cut by the ends of the log
        runs = runs[1:-1]
        assert all(n % length == 0 for k, n in runs if k)
        begun += sum(n // length for k, n in runs if k)
        missed += sum(n for k, n in runs if k)
        free += sum(n for k, n in runs if not k)
    assert begun > 20
    chances = free + begun
    assert begun / chances == pytest.approx(rate, abs=four_errors(rate, chances))
    # renewal: a burst of L, then (1 - p)/p firings on average
    share = length / (length + (1.0 - rate) / rate)
    assert missed / (missed + free) == pytest.approx(share, rel=4.0 / np.sqrt(begun))


def cycles(correlation, cov=0.05):
    """Combustion work of each cylinder's firings at one point, shape (cycles, cylinders)."""
    c = Combustion(cov_full=cov, cov_idle=cov, phase_sd_deg=0.0, correlation=correlation)
    t = simulate(Scenario.steady("inline4", rpm=5000, load_pct=80, duration_s=120, combustion=c)).truth
    n = min(np.sum(t.cylinder == k) for k in range(1, 5))
    return np.column_stack([t.work_j[t.cylinder == k][:n] for k in range(1, 5)])


@pytest.mark.parametrize("correlation", [0.0, 0.4, -0.3])
def test_scatter_from_cycle_to_cycle(correlation):
    """First-order autoregression a cylinder: spread COV, correlation r at one cycle, r^2 at two; cylinders apart.

    Standard errors: Bartlett's formula for r (bounded by 1/sqrt n), the variance of a correlated sample.
    """
    work = cycles(correlation)
    n = len(work)
    spread = np.std(work, axis=0) / np.mean(work, axis=0)
    grown = (1.0 + correlation**2) / (1.0 - correlation**2)
    np.testing.assert_allclose(spread, 0.05, rtol=4.0 * np.sqrt(grown / (2.0 * n)))
    away = work - work.mean(axis=0)
    for lag, expected in ((1, correlation), (2, correlation**2)):
        found = np.sum(away[lag:] * away[:-lag], axis=0) / np.sum(away**2, axis=0)
        np.testing.assert_allclose(found, expected, atol=4.0 * np.sqrt(grown / n))
    between = np.corrcoef(away.T)[np.triu_indices(4, 1)]
    assert np.max(np.abs(between)) < 4.0 * np.sqrt(grown / n)


def test_scatter_bounds_what_can_be_told_apart():
    """d' of fired against missed work is 1/COV with every other disturbance removed (derived)."""
    c = Combustion(cov_full=0.08, cov_idle=0.08, phase_sd_deg=0.0, after_misfire=0.0)
    s = Scenario.steady(
        "inline4", rpm=5000, load_pct=80, duration_s=120, combustion=c, misfires=(Misfires(rate=0.05),)
    )
    t = simulate(s).truth
    fired, missed = t.lost_work[t.state == 0], t.lost_work[t.state == 1]
    assert (missed.mean() - fired.mean()) / fired.std() == pytest.approx(
        1 / 0.08, rel=4.0 / np.sqrt(2.0 * len(fired))
    )


def test_scatter_grows_towards_no_load():
    """COV at full load and at none as stated, between them with the square of what is missing to full load."""
    c = Combustion(cov_full=0.02, cov_idle=0.10, phase_sd_deg=0.0)
    for load, cov in ((100, 0.02), (50, 0.04), (20, 0.02 + 0.08 * 0.64)):
        t = simulate(Scenario.steady("inline4", rpm=5000, load_pct=load, duration_s=40, combustion=c)).truth
        assert np.std(t.lost_work) == pytest.approx(cov, rel=4.0 / np.sqrt(2.0 * len(t.lost_work)))


def test_a_pattern_that_grows_with_speed():
    """Of the stated standard deviation a 1000/min, the same shape at every speed, and so are the edges moved."""
    found = []
    for rpm in (1000, 2000, 4000):
        s = Scenario.steady(
            "inline4", rpm=rpm, load_pct=40, duration_s=4, combustion=QUIET, wheel=Wheel.regular(60),
            clock=Clock(jitter_us=0.0, hz=1e10),
        )  # fmt: skip
        clean, hurt = simulate(s), simulate(s.but(teeth=ToothErrors(speed_deg_per_1000=0.04)))
        errors = hurt.truth.tooth_error_deg
        found.append(errors)
        # angle = time moved times the speed of that moment, tooth by tooth
        first, last = clean.recording.crank_s, hurt.recording.crank_s
        speed = 360.0 / (first[660:1260] - first[600:1200])
        moved = ((last - first)[600:1200] * speed).reshape(10, 60).mean(axis=0)
        at = clean.edges.nominal_deg[len(clean.edges.nominal_deg) - len(first) + 600]
        tooth = (round((at - 120.0) / 6.0) + np.arange(60)) % 60
        np.testing.assert_allclose(moved - moved.mean(), errors[tooth], atol=0.1 * np.std(errors))
    # 1000/min on average, the median over the wave 1 % above it
    np.testing.assert_allclose(found[1], 2.0 * found[0], rtol=0.02)
    np.testing.assert_allclose(found[2], 4.0 * found[0], rtol=0.02)
    drawn = []
    for seed in range(24):
        s = Scenario.steady("inline4", load_pct=40, duration_s=1, combustion=QUIET, seed=seed)
        drawn.append(simulate(s.but(teeth=ToothErrors(speed_deg_per_1000=0.04))).truth.tooth_error_deg)
    assert np.sqrt(np.mean(np.square(drawn))) == pytest.approx(0.12, rel=4.0 / np.sqrt(2.0 * np.size(drawn)))
