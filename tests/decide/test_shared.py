"""What companions share may be the wheel: the better of the two is the measure (companion split, derived)."""

from __future__ import annotations

import numpy as np
import pytest

from misfire.decide.wheel import shared_offsets
from misfire.engine import Engine

FOUR = Engine.from_order([1, 3, 4, 2])


@pytest.mark.parametrize(
    ("place_lost", "shared", "ambiguous"),
    [
        # in firing order 1, 3, 4, 2: companions are the first and third, the second and fourth
        ([0.5, 0.0, 0.3, 0.1], [0.3, 0.0, 0.3, 0.0], (0, 2)),
        ([0.9, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0], ()),
        ([0.2, -0.2, 0.2, -0.2], [0.2, -0.2, 0.2, -0.2], ()),
        ([0.0, 1.0, 0.0, 0.9], [0.0, 0.9, 0.0, 0.9], (1, 3)),
    ],
)
def test_companions_share_what_the_better_one_lacks(
    place_lost: list[float], shared: list[float], ambiguous: tuple[int, ...]
) -> None:
    found, open_ = shared_offsets(np.array(place_lost), FOUR, False)
    assert found.tolist() == pytest.approx(shared)
    assert open_ == ambiguous
    known, nothing = shared_offsets(np.array(place_lost), FOUR, True)
    assert known.tolist() == [0.0] * 4
    assert nothing == ()


def test_without_companions_nothing_is_shared() -> None:
    found, open_ = shared_offsets(np.array([0.9, 0.8, 0.0]), Engine.from_order([1, 3, 2]), False)
    assert found.tolist() == [0.0] * 3
    assert open_ == ()
