"""Pulses that carry the direction of rotation, from the file to numbered teeth."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.intake import read
from misfire.intake.direction import direction_pulses
from tests.crank.motion import Passes, check, motion, passes, restart, running, stall

FORWARD_S, BACKWARD_S = 45e-6, 90e-6  # low times of a common sensor type (common practice, no source)


def pulse_log(log: Passes) -> np.ndarray:
    """Both edges of every pulse [s]."""
    width = np.where(log.forward, FORWARD_S, BACKWARD_S)
    return np.column_stack([log.time_s, log.time_s + width]).ravel()


def rocking(wheel: Wheel, run_s: float = 1.0) -> Passes:
    phases = [(run_s, running(750)), *stall(750, back_turns=0.06), (0.7, lambda t: 0 * t), *restart(800)]
    return passes(wheel, *motion(*phases, (0.6, running(2400))), centre=True)


@pytest.mark.parametrize("shape", [(60, 2), (36, 1)])
@pytest.mark.parametrize("run_s", [1.01, 1.03, 1.06])
def test_backward_pulses_do_not_shift_the_numbering(tmp_path, shape, run_s):
    wheel = Wheel.regular(*shape)
    log = rocking(wheel, run_s)
    assert (~log.forward).sum() >= 1
    file = tmp_path / "log.csv"
    ticks = np.rint(pulse_log(log) * 1e8).astype(np.int64)
    file.write_text("# clock_hz = 100000000\ntick\n" + "\n".join(map(str, ticks.tolist())) + "\n")
    recording = read(file)
    # every tooth once, in the order of rotation
    number = dict(zip(np.rint(log.time_s * 1e8).astype(np.int64).tolist(), log.number.tolist(), strict=True))
    kept = [number[round(x * 1e8)] for x in recording.crank_s]
    assert kept == sorted(set(log.number.tolist()))
    assert any("backward" in n for n in recording.notes)
    crank = number_edges(recording.crank_s, wheel)
    exact = Passes(np.rint(log.time_s * 1e8) / 1e8, log.number, log.forward)
    assert check(crank, exact) > 0.7 * recording.crank_s.size


def test_pulses_of_forward_running_only_are_known_by_their_constant_length():
    log = passes(Wheel.regular(60, 2), *motion((0.5, running(800)), (0.5, running(3000))), centre=True)
    pulses = direction_pulses(pulse_log(log))
    assert pulses is not None
    np.testing.assert_allclose(pulses.begin_s, log.time_s, atol=0)
    assert not pulses.backward.any()


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("rpm", [(1000, 1000), (800, 3000)])
def test_teeth_logged_with_both_edges_are_no_pulses(share, rpm):
    wheel = Wheel.regular(60, 2)
    time_s, turns = motion((1.0, running(rpm[0])), (0.6, running(rpm[1])))
    front = passes(wheel, time_s, turns)
    back = np.interp(front.number / 60 + share / 60, turns, time_s)
    assert direction_pulses(np.unique(np.concatenate([front.time_s, back[back < time_s[-1]]]))) is None
    assert direction_pulses(front.time_s) is None
