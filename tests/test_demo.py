"""The demonstration log against its own known truth (invented data: it shows the path works, not how well)."""

from __future__ import annotations

import json

import numpy as np
import pytest

from misfire.cli.demo import demo_folder
from misfire.engine import Engine
from misfire.pipeline import AnalyseOptions, analyse_files


@pytest.fixture(scope="module")
def before():
    folder = demo_folder()
    done = analyse_files(
        [str(folder / "before.csv.gz")],
        AnalyseOptions(
            Engine.load(folder / "engine.toml"),
            channels=str(folder / "before_channels.csv"),
            counts=str(folder / "before_counts.csv"),
        ),
    )
    return done, json.loads((folder / "before_truth.json").read_text("utf-8"))


def test_every_known_misfire_is_found_on_its_cylinder_and_none_is_invented(before):
    done, truth = before
    found = {str(c["cylinder"]): c["misfires"] for c in done.result["cylinders"]}
    assert found == truth["misfires"]
    assert sum(found.values()) > 50


def test_the_pattern_fault_is_named_with_its_companions(before):
    done, _ = before
    causes = {f["cause"]: f for f in done.result["verdict"]["findings"]}
    assert causes["misfire"]["cylinders"] == [5]
    assert causes["crank_pattern"]["cylinders"] == [3, 4]
    assert causes["crank_pattern"]["detail"]["where"] == "wheel"
    assert set(causes) == {"misfire", "crank_pattern"}


def test_learned_spacing_is_the_sensed_one(before):
    done, truth = before
    positions = np.array(truth["tooth_positions"])
    learned = np.array([done.result["pattern"]["tooth_error_deg"][p] for p in positions])
    sensed = np.array(truth["tooth_error_deg"])
    # the tool takes orders 3, 6, 9 ... out; run-out is order 1
    a = np.radians(positions * 6.0)
    first = np.column_stack([np.cos(a), np.sin(a), np.ones_like(a)])
    got = np.linalg.lstsq(first, learned, rcond=None)[0][:2]
    want = np.linalg.lstsq(first, sensed, rcond=None)[0][:2]
    assert np.hypot(*want) > 0.1
    np.testing.assert_allclose(got, want, atol=0.01)
