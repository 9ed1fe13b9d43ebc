"""A log measured in parts gives the events of the log measured whole."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import misfire.work.events as work
from misfire.crank import number_edges
from misfire.engine import Engine, Wheel
from misfire.gas import GasShape
from misfire.work import Laid
from tests.crank.motion import motion, passes, running


@pytest.mark.parametrize("order", [(1, 3, 4, 2), (1,), (1, 5, 3, 6, 2, 4)])
def test_parts_and_whole_agree(monkeypatch, order):
    wheel = Wheel.regular(60, 2)
    log = passes(wheel, *motion((6.0, running(1200, 0.03))))
    gone = np.isin(log.number, [60 * 31 + 7, 60 * 57 + 30])  # two lost edges, one beside a border
    crank = number_edges(log.time_s[~gone], wheel)
    engine = Engine.from_order(order)
    second = np.arange(crank.turns) % 2 == 1
    error = np.random.default_rng(1).normal(0, 0.02, wheel.teeth)
    args = (
        Laid(engine, 75.0, second, GasShape()),
        work.Teeth(error, 0.01, work.Apparent(error, 0.1 * error)),
    )
    args = (crank, *args)
    monkeypatch.setattr(work, "_PART_TURNS", 29)
    # the scatter of the edges sets the ridge and is judged by part: held, so that the parts alone are compared
    monkeypatch.setattr(work, "time_noise_s", lambda grid: 1e-7)
    # how the log moves is read from each part on its own, see test_motion
    monkeypatch.setattr(work, "sharpen", lambda *a: (a[2].energy, np.full(a[2].energy.size, np.nan)))
    parts = work.measure_turns(*args)
    monkeypatch.setattr(work, "_PART_TURNS", 10**9)
    whole = work.measure_turns(*args)
    for f in dataclasses.fields(whole):
        a, b = getattr(whole, f.name), getattr(parts, f.name)
        assert a.shape == b.shape, f.name
        if a.dtype.kind == "f":
            np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-5, err_msg=f.name)
        else:
            np.testing.assert_array_equal(a, b, err_msg=f.name)
