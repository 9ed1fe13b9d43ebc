"""An engine that is not the one in the log: another number of cylinders, another firing order."""

from __future__ import annotations

import pytest

from misfire.engine import Engine
from misfire.intake.counts import Counts
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import load_scenario, simulate


@pytest.fixture(scope="module")
def four():
    return simulate(load_scenario("random_misfire_i4"))


@pytest.mark.parametrize("layout", ["inline6", "v6"])
def test_another_number_of_cylinders_is_not_judged(four, layout: str) -> None:
    verdict = analyse(four.recording, AnalyseOptions(Engine.load(layout))).result["verdict"]
    assert (verdict["status"], verdict["findings"]) == ("undetermined", [])
    assert "check the engine given" in verdict["headline"]
    assert any("does not move like that of 6 cylinders" in line for line in verdict["missing"])


def test_the_right_number_is_judged_without_any_angle(four) -> None:
    """The drive goes to 4500 1/min; the truth has one misfiring cylinder, known but for its companion."""
    result = analyse(four.recording, AnalyseOptions(Engine.load("inline4"))).result
    (finding,) = result["verdict"]["findings"]
    assert finding["cause"] == "misfire"
    assert 3 in finding["cylinders"]
    missed = sum(c["misfires"] for c in result["cylinders"])
    assert abs(missed - sum(four.truth.misfires.values())) <= 3


def exchanged(four, order: tuple[int, ...]):
    """The log judged in another firing order, with the counts of a controller that is right."""
    e = four.engine
    engine = Engine.from_order(order, wheel=e.wheel, mark_after_tdc1_deg=e.mark_after_tdc1_deg)
    told = {c: n for c, n in four.truth.misfires.items()}
    return analyse(
        four.recording, AnalyseOptions(engine), counts=Counts(told, told, "during_log", True)
    ).result


def test_a_wrong_firing_order_is_no_stored_pattern(four) -> None:
    """Cylinder 3 under the name of 2: as many misfires as the controller counts, on another cylinder."""
    verdict = exchanged(four, (1, 2, 4, 3))["verdict"]
    assert [f["cause"] for f in verdict["findings"]] == ["misfire"]
    assert "Check the firing order" in verdict["findings"][0]["next_steps"][0]


def test_the_right_firing_order_is_not_doubted(four) -> None:
    result = exchanged(four, four.engine.firing_order)
    (finding,) = result["verdict"]["findings"]
    assert (finding["cause"], finding["cylinders"]) == ("misfire", [3])
    assert not any("Check the firing order" in s for s in finding["next_steps"])
    assert any("firing order 1-3-4-2" in a for a in result["assumptions"])
