"""Predicted separability against its limits and the quantiles of the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.work import needed_separation, predicted_separation


@pytest.mark.parametrize(
    ("false_alarm", "miss", "needed"),
    # normal quantiles of any table, two by two added: 2.326 at 1 %, 3.090 at 0.1 %, 3.719 at 0.01 %, ...
    [
        (0.01, 0.01, 4.65),
        (0.001, 0.01, 5.42),
        (1e-4, 0.01, 6.05),
        (1e-5, 0.01, 6.59),
        (1e-5, 0.001, 7.36),
        (1e-6, 0.001, 7.84),
    ],
)
def test_needed_for_given_errors(false_alarm: float, miss: float, needed: float):
    assert needed_separation(false_alarm, miss) == pytest.approx(needed, abs=0.006)


def test_combustion_is_the_limit():
    """d' <= 1/COV when every other disturbance is gone [derived]."""
    assert predicted_separation(1000.0, 0.0, 0.05) == pytest.approx(20.0)
    assert predicted_separation(1000.0, 1e-3, 0.05) < 20.0


def test_against_drawn_events():
    rng = np.random.default_rng(5)
    n, w, sd, cov = 200_000, 800.0, 60.0, 0.04
    healthy = w * (1 + cov * rng.normal(size=n)) + sd * rng.normal(size=n)
    missed = sd * rng.normal(size=n)
    measured = (healthy.mean() - missed.mean()) / healthy.std()
    assert predicted_separation(w, sd, cov) == pytest.approx(measured, rel=0.01)


def test_not_a_number_where_no_model_stands():
    got = predicted_separation(np.array([800.0, 800.0]), np.array([np.nan, 80.0]))
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(10.0)
