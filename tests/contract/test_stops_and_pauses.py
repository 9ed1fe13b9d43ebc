"""Names stay with their cylinders over standstills and pauses; what no mark tells is set aside, never guessed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from misfire.engine import Wheel
from misfire.pipeline import AnalyseOptions, analyse
from misfire.simulate import load_scenario, simulate
from tests.crank.motion import motion, passes, restart, running, stall


@pytest.fixture(scope="module")
def log():
    """One cylinder of four misfires in 8 % of its firings; one mark a cycle."""
    return simulate(load_scenario("random_misfire_i4"))


def misfires(log, crank_s, mark_s):
    recording = dataclasses.replace(log.recording, crank_s=crank_s, cylinder1_s=mark_s)
    done = analyse(recording, AnalyseOptions(log.engine)).result
    return done, {c["cylinder"]: c["misfires"] for c in done["cylinders"]}


def test_recording_in_blocks(log):
    def kept(x):
        return x[x % 2.37 < 2.0]

    done, counted = misfires(log, kept(log.recording.crank_s), kept(log.recording.cylinder1_s))
    share = kept(log.truth.tdc_s[log.truth.state == 1]).size
    assert done["phase"] == "measured"
    assert counted[1] == counted[2] == counted[4] == 0
    assert 0.8 * share <= counted[3] <= share  # events at the ends of a block have no edges around them
    assert done["signal"]["resyncs"] == 0
    assert any("pauses" in n for n in done["signal"]["notes"])


def test_a_stall_with_rock_back_between_two_drives(log):
    between = passes(
        Wheel.regular(60, 2),
        *motion(
            (0.3, running(800)), *stall(800, 0.06), (1.0, lambda t: 0 * t), *restart(800), (0.3, running(800))
        ),
    )
    first, marks = log.recording.crank_s, log.recording.cylinder1_s
    stopped = np.concatenate((first, first[-1] + 0.5 + between.time_s))
    shift = stopped[-1] + 0.5 - first[0]
    done, counted = misfires(
        log, np.concatenate((stopped, first + shift)), np.concatenate((marks, marks + shift))
    )
    _, single = misfires(log, first, marks)
    assert counted == {c: 2 * n for c, n in single.items()}
    assert done["phase"] == "measured"
    assert any("stood still" in n for n in done["signal"]["notes"])
    assert {f["cause"] for f in done["verdict"]["findings"]} == {"misfire"}


def test_a_block_without_marks_is_set_aside(log):
    crank, marks = log.recording.crank_s, log.recording.cylinder1_s
    pause = (crank > 15.0) & (crank < 15.4)
    done, counted = misfires(log, crank[~pause], marks[marks < 15.0])
    before = int(np.sum(log.truth.tdc_s[log.truth.state == 1] < 15.0))
    assert counted[1] == counted[2] == counted[4] == 0
    assert 0.7 * before <= counted[3] <= before
    assert done["signal"]["turns_set_aside"] > 500
    assert any("set aside" in a for a in done["assumptions"])
