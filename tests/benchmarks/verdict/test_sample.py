"""A fixed small sample of the verdict benchmark; the whole: `python -m tests.benchmarks.verdict --seeds 500`.

The seeds follow one another and were not picked by their outcome. Expected values come from the simulator's
truth through `judge.due`, never from an earlier answer of the tool.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[3]))

from misfire.simulate import Misfires, Scenario, ToothErrors, simulate
from tests.benchmarks.verdict import undecidable
from tests.benchmarks.verdict.judge import due, false_shares
from tests.benchmarks.verdict.run import grade, line, run_one
from tests.benchmarks.verdict.scenarios import draw

SAMPLE = range(132, 142)


@pytest.mark.parametrize("seed", SAMPLE)
def test_no_firm_finding_is_wrong(seed: int) -> None:
    """Every finding with confidence of at least 0.95 names a true cause and the right cylinders."""
    run = run_one(seed)
    assert grade(run) not in ("crash", "simulator"), run
    assert not run["wrong"], line(run)


@pytest.mark.parametrize("seed", range(6))
def test_a_log_without_an_answer_is_left_undecided(seed: int) -> None:
    """Two each of a dead coil pair and a bad wheel at one speed, and of ten seconds of clean idle."""
    kind, status, line_ = undecidable.run(seed)
    assert kind in undecidable.KINDS
    assert status == "undetermined", line_


def test_the_same_seed_gives_the_same_case() -> None:
    """A finding can be reproduced from its seed alone."""
    assert draw(7).scenario == draw(7).scenario
    assert draw(7).scenario != draw(8).scenario


def test_truth_alone_decides_what_is_due() -> None:
    """A dead cylinder has to be found as that, a healthy engine asks for nothing."""
    case = draw(0, "none", "steady")
    sick = Scenario.steady("inline4", duration_s=6.0, misfires=(Misfires(kind="dead", cylinders=(3,)),))
    assert due(case, simulate(sick)).must == {"misfire": {3}}
    assert due(case, simulate(Scenario.steady("inline4", duration_s=6.0))).must == {}


def test_false_shares_follow_the_wheel() -> None:
    """One turn of run-out accuses the pair at its steepest side only, and from a high speed on.

    Run-out e/r sin(angle): over a four's 180 deg segments the error of one segment is +2 e/r and of the next
    -2 e/r at the worst phase, so the two pairs carry opposite signs [derived].
    """
    teeth = ToothErrors(runout_mm=0.4, runout_at_deg=30.0)
    slow = simulate(Scenario.steady("inline4", rpm=1000, load_pct=50, duration_s=5.0, teeth=teeth))
    fast = simulate(Scenario.steady("inline4", rpm=6000, load_pct=25, duration_s=3.0, teeth=teeth))
    assert false_shares(slow).max() == 0.0
    share = false_shares(fast)
    accused = share.max(axis=0) > 0.5
    # companions share every tooth, so they are accused together
    assert accused[0] == accused[3]
    assert accused[1] == accused[2]
    assert np.count_nonzero(accused) >= 2
