"""A fixed small sample of the detection benchmark; the whole: `python -m tests.benchmarks.detection --cells 0`.

The cells are those that a seed gives, not picked by their outcome; truth comes from the simulator.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[3]))

from tests.benchmarks.detection.cells import DEVELOPED_ON, JUDGED_ON, every_cell, some_cells
from tests.benchmarks.detection.measure import Result, run, separation


@pytest.fixture(scope="module")
def results() -> list[Result]:
    done = [run(c, 800) for c in some_cells(DEVELOPED_ON + JUDGED_ON, 5, 31)]
    return [r for r in done if np.isfinite(r.ours) and np.isfinite(r.ceiling)]


def test_between_the_plain_measure_and_the_ceiling(results: list[Result]):
    assert len(results) >= 3
    # bounds below what these five cells gave when written (about 5 and 0.55); the aim is 2.5 and 0.8 over the map
    assert np.median([r.ours / r.plain for r in results]) > 2.5
    ratio = [r.ours / r.ceiling for r in results]
    assert np.median(ratio) > 0.45
    # nobody beats the ceiling by more than chance and a fit on few events allow
    assert max(ratio) < 1.5


def test_the_predicted_separability_is_of_the_measured_size(results: list[Result]):
    share = [r.predicted / r.ours for r in results if np.isfinite(r.predicted)]
    assert share
    assert 0.5 < np.median(share) < 2.0


def test_separation_of_known_populations():
    """Two normal populations three standard deviations apart."""
    rng = np.random.default_rng(0)
    x = np.concatenate([rng.normal(3.0, 1.0, 4000), rng.normal(0.0, 1.0, 4000)])
    first = np.arange(8000) < 4000
    assert separation(x, first, ~first) == pytest.approx(3.0, abs=0.1)


def test_every_cell_of_the_map_once():
    cells = every_cell(JUDGED_ON, 3)
    assert len({c.name for c in cells}) == len(cells)
    assert len({c.seed for c in cells}) == len(cells)
    assert not [c for c in cells if c.gear and c.rpm < 1000]
