"""Every event has a speed, at the ends of a log and beside lost edges too."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.work import Laid, measure_turns
from tests.crank.motion import motion, passes, running


@pytest.mark.parametrize("shape", [(60, 2), (36, 1), (24, 1)])
def test_the_speed_of_events_at_the_ends_and_beside_lost_edges(shape: tuple[int, int]):
    """At 1200 1/min throughout, logs that begin and end anywhere with edges lost near their ends: 1200 at every event."""
    wheel = Wheel.regular(*shape)
    log = passes(wheel, *motion((2.0, running(1200, 0.0))))
    engine = Engine.from_order((1, 3, 4, 2))
    for cut in range(2 * shape[0]):
        at = np.arange(log.time_s.size)
        keep = (at >= cut) & (at < log.time_s.size - cut)
        keep[[cut + 5, -cut - 4]] = False
        crank = number_edges(log.time_s[keep], wheel)
        second = np.arange(crank.turns) % 2 == 1
        events = measure_turns(crank, Laid(engine, 75.0, second, GasShape()))
        np.testing.assert_allclose(events.rpm, 1200.0, rtol=0.01)
