"""Closed forms of the slider-crank held to one another."""

import numpy as np
import pytest

from misfire.simulate.mechanics import Crank, energy_fluctuation_j


def test_slopes_are_the_derivatives_of_travel():
    crank = Crank(radius_m=0.043, rod_m=0.143)
    a, h = np.linspace(0.1, 6.1, 50), 1e-4
    slope = (crank.travel_m(a + h) - crank.travel_m(a - h)) / (2 * h)
    curve = (crank.travel_slope_m(a + h) - crank.travel_slope_m(a - h)) / (2 * h)
    np.testing.assert_allclose(crank.travel_slope_m(a), slope, atol=1e-9)
    np.testing.assert_allclose(crank.travel_curve_m(a), curve, atol=1e-9)


def test_two_terms_are_the_first_order_of_the_exact_form():
    a = np.linspace(0.0, 6.2, 60)
    for rod in (4.3, 43.0):
        crank = Crank(radius_m=0.043, rod_m=rod)
        np.testing.assert_allclose(
            crank.two_term_slope_m(a), crank.travel_slope_m(a), atol=0.05 * crank.ratio**3
        )
        np.testing.assert_allclose(
            crank.two_term_curve_m(a), crank.travel_curve_m(a), atol=0.1 * crank.ratio**3
        )


def test_fluctuation_does_not_see_the_mean():
    a = np.linspace(0.0, 2 * np.pi, 3601)
    for mean in (0.0, 300.0):
        assert energy_fluctuation_j(a, mean + 80.0 * np.cos(2 * a)) == pytest.approx(80.0, rel=1e-5)
