"""Which of the controller's counts stand on firings that burned, and when they are gone: bare numbers."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.comparison.answer import _partly_gone
from misfire.comparison.job import _false
from misfire.comparison.judge import change
from misfire.comparison.side import Counts


def counts(reported: float, found: int, open_: int) -> Counts:
    """One cylinder with 800 firings, of which the controller counted some."""
    one = np.array([[800]])
    none = np.zeros((1, 1), dtype=np.int64)
    return Counts(
        firings=one - open_, found=np.array([[found]]), false=none, partial=none, blocks={},
        reported=np.array([reported]), reported_firings=one, reported_found=np.array([[found]]),
        reported_open=np.array([[open_]]), by_number={1: reported}, monitor_ran=True, at_least=frozenset(), active=one,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("found", "open_", "false"),
    [
        (58, 0, 0.0),  # every count is a misfire of the log
        (0, 0, 58.0),  # none is
        (24, 43, 0.0),  # the rest may lie among the firings that could not be judged
        (24, 0, 34.0),  # there are none such
        (2, 10, 56.0),  # too few of them
    ],
)
def test_counts_are_false_where_the_log_shows_firing(found: int, open_: int, false: float):
    assert _false(counts(58.0, found, open_), 0) == false


@pytest.mark.parametrize(("before", "told"), [(27, True), (6, False)])
def test_false_counts_that_fell_for_sure_do_not_hold_up_the_answer(before: int, told: bool):
    """27 of 1580 before and none of 1585 after: 2^-27, one side alone; six may stay away by luck (2^-6)."""
    fell = change([before], [1580], [0], [1585])
    assert (
        fell.answer(fell.p_value, 0.01) == "not_proven"
    )  # the upper bound of none in 1585 is above a tenth of before
    assert _partly_gone({2: fell}, {2: "not_proven"}) == (([], [2]) if told else ([], []))
