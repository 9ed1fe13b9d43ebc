"""With the phase unknown a name stands for two companions, 360 deg apart: half the firing order further."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from misfire.engine import Engine
from misfire.verdict.finding import both_companions, listed, name_of, pair_of


@pytest.mark.parametrize(
    ("order", "label", "pair"),
    [
        ([1, 3, 4, 2], "A", ["A", "C"]),
        ([1, 3, 4, 2], "B", ["B", "D"]),
        ([1, 5, 3, 6, 2, 4], "A", ["A", "D"]),
        ([1, 8, 4, 3, 6, 5, 7, 2], "C", ["C", "G"]),
        ([1, 8, 4, 3, 6, 5, 7, 2], 5, [5, 8]),
        ([1, 5, 3, 6, 2, 4], 2, [2, 5]),
        ([1, 2, 3], 2, [2]),
        ([1, 2, 3], "B", ["B"]),
    ],
)
def test_pairs(order: list[int], label: int | str, pair: list[int | str]) -> None:
    """Companions of 1-8-4-3-6-5-7-2: (1,6)(5,8)(4,7)(2,3); an inline three has none (derived)."""
    engine = Engine.from_order(order)
    assert pair_of(SimpleNamespace(phase="unknown", engine=engine), label) == pair
    assert pair_of(SimpleNamespace(phase="measured", engine=engine), label) == [label]


def test_words() -> None:
    assert (name_of(3), name_of("B")) == ("cylinder 3", "place B")
    assert (listed([4]), listed([1, 4]), listed([1, 2, "C"])) == ("4", "1 and 4", "1, 2 and C")
    ev = SimpleNamespace(engine=Engine.from_order([1, 3, 4, 2]))
    assert both_companions([1, 4], ev)
    assert not both_companions([1, 3], ev)
    assert not both_companions([1, 4, 2], ev)
    assert not both_companions(["A", "C"], ev)
