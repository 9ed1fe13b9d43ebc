"""A commanded cut ties names to places: the log alone knows TDC modulo one firing interval only."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from misfire.errors import InputError
from misfire.onelog import KnownCut, study
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import Misfires, Phase, Scenario, Simulated, prepared_engine, simulate


def log(cylinder: int) -> Simulated:
    """An inline six at one speed with an injector off from second 8 to 12."""
    return simulate(
        Scenario(
            engine=prepared_engine("inline6"),
            programme=(Phase(duration_s=20.0, rpm=1500, load_pct=45),),
            misfires=(Misfires(kind="dead", cylinders=(cylinder,), from_s=8.0, to_s=12.0),),
        )
    )


def blind(done: Simulated) -> tuple:
    """The recording without marks, and the engine without the wheel's offset."""
    recording = dataclasses.replace(done.recording, cam_s=None, cylinder1_s=None)
    wheel = dataclasses.replace(done.engine.wheel, first_tooth_after_tdc1_deg=None)
    return recording, dataclasses.replace(
        done.engine, wheel=wheel, cam_edges_deg=None, mark_after_tdc1_deg=None
    )


@pytest.mark.parametrize("cylinder", [1, 2, 3, 5])
def test_every_event_gets_its_own_cylinder(cylinder: int) -> None:
    done = log(cylinder)
    recording, engine = blind(done)
    found = study(recording, engine, known_cuts=(KnownCut(cylinder, 8.0, 12.0),))
    assert found.phase.named
    assert found.phase.status == "measured"
    at = np.searchsorted(done.truth.tdc_s, found.events.time_s - 0.004)
    same = np.abs(done.truth.tdc_s[at] - found.events.time_s) < 0.004
    assert same.mean() > 0.98
    order = np.array(engine.firing_order)
    np.testing.assert_array_equal(order[found.events.place][same], done.truth.cylinder[at][same])
    assert found.label.tolist() == order[found.events.place].tolist()


def test_a_cut_that_contradicts_the_engine_file_is_refused() -> None:
    done = log(3)
    with pytest.raises(InputError, match="cylinder 3 lost its work then, not 5; correct the cut"):
        study(done.recording, done.engine, known_cuts=(KnownCut(5, 8.0, 12.0),))


def test_a_cut_outside_the_log_is_refused() -> None:
    """Seconds of another clock, as a tester's own; inside one of two pooled logs is inside."""
    done = log(2)
    short = dataclasses.replace(done.recording, crank_s=done.recording.crank_s[:9000])
    options = AnalyseOptions(done.engine, known_cuts=(KnownCut(2, 108.0, 112.0),))
    with pytest.raises(InputError, match=r"2@108-112 lies outside the log, which runs from 0\.0 to 20\.\d s"):
        analyse(done.recording, options)
    inside = AnalyseOptions(done.engine, known_cuts=(KnownCut(2, 8.0, 12.0),))
    assert short.crank_s[-1] < 8.0
    with pytest.raises(InputError, match="lies outside the log"):
        analyse(short, inside)
    assert analyse([short, done.recording], inside).result["verdict"]["findings"] == []
