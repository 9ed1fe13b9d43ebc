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


@pytest.mark.parametrize("first_deg", [80.0, 200.0, 300.0])
def test_a_cut_ties_names_where_the_place_is_right_by_chance(first_deg: float) -> None:
    """An inline three has no companions: its cycle is measured without names, and the cut gives them."""
    engine = prepared_engine("inline3")
    assert engine.wheel is not None
    engine = engine.with_wheel(dataclasses.replace(engine.wheel, first_tooth_after_tdc1_deg=first_deg))
    done = simulate(
        Scenario(
            engine=engine,
            programme=(Phase(duration_s=20.0, rpm=1500, load_pct=45),),
            misfires=(Misfires(kind="dead", cylinders=(1,), from_s=8.0, to_s=12.0),),
        )
    )
    recording, engine = blind(done)
    found = analyse(recording, AnalyseOptions(engine, known_cuts=(KnownCut(1, 8.0, 12.0),)))
    assert found.logs[0].phase.named
    assert found.result["verdict"]["findings"] == []


def test_what_is_known_of_a_place_turns_with_its_name() -> None:
    """Cylinder 2 gives too little work throughout: after the tie by a cut of cylinder 3 it is still cylinder 2."""
    done = simulate(
        Scenario(
            engine=prepared_engine("inline6"),
            programme=(Phase(duration_s=20.0, rpm=1500, load_pct=45),),
            misfires=(
                Misfires(kind="dead", cylinders=(3,), from_s=8.0, to_s=12.0),
                Misfires(kind="dead", cylinders=(2,), remaining=0.7),
            ),
        )
    )
    recording, engine = blind(done)
    found = study(recording, engine, known_cuts=(KnownCut(3, 8.0, 12.0),))
    assert engine.firing_order[int(np.argmax(found.decision.place_lost))] == 2


def test_a_second_cut_that_contradicts_the_first_is_refused() -> None:
    done = simulate(
        Scenario(
            engine=prepared_engine("inline6"),
            programme=(Phase(duration_s=26.0, rpm=1500, load_pct=45),),
            misfires=(
                Misfires(kind="dead", cylinders=(1,), from_s=8.0, to_s=12.0),
                Misfires(kind="dead", cylinders=(5,), from_s=16.0, to_s=20.0),
            ),
        )
    )
    recording, engine = blind(done)
    right = (KnownCut(1, 8.0, 12.0), KnownCut(5, 16.0, 20.0))
    assert study(recording, engine, known_cuts=right).phase.status == "measured"
    with pytest.raises(InputError, match=r"known cut 3@16-20: cylinder 5 lost its work then, not 3"):
        study(recording, engine, known_cuts=(right[0], KnownCut(3, 16.0, 20.0)))


def test_a_cut_belongs_to_one_of_several_logs() -> None:
    """Of two logs that run at the same seconds one has the cut, the other true misfires of that cylinder then."""
    cut = log(3)
    true = simulate(
        dataclasses.replace(
            cut.scenario, seed=7, misfires=(Misfires(cylinders=(3,), rate=0.3, from_s=8.0, to_s=12.0),)
        )
    )
    both = [cut.recording, true.recording]
    with pytest.raises(InputError, match=r"2 logs run then; say which, for example 2:3@8-12"):
        analyse(both, AnalyseOptions(cut.engine, known_cuts=(KnownCut(3, 8.0, 12.0),)))
    said = analyse(both, AnalyseOptions(cut.engine, known_cuts=(KnownCut(3, 8.0, 12.0, 1),))).result
    missed = {c["cylinder"]: c["misfires"] for c in said["cylinders"]}
    assert missed[3] == pytest.approx(true.truth.misfires[3], abs=3)
    with pytest.raises(InputError, match="there is no log 3"):
        analyse(both, AnalyseOptions(cut.engine, known_cuts=(KnownCut(3, 8.0, 12.0, 3),)))
