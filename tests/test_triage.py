"""What codes say for a firing order. Code names: SAE J2012 / ISO 15031-6, restated."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from misfire.engine import Engine
from misfire.errors import InputError
from misfire.triage import code_name, triage

FOUR = Engine.from_order([1, 3, 4, 2])
V6 = Engine.from_order([1, 2, 3, 4, 5, 6])


@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("P0300", "multiple"),
        ("P0301", "cylinder 1 misfire"),
        ("P0312", "cylinder 12 misfire"),
        ("P0313", "low fuel"),
        ("P0314", "not specified"),
        ("P0315", "not learned"),
        ("P0316", "first 1000"),
        ("P0335", "crankshaft position sensor A circuit: malfunction"),
        ("P0336", "range"),
        ("P0339", "intermittent"),
        ("P0340", "camshaft position sensor A circuit: malfunction"),
        ("P0344", "intermittent"),
        ("P0016", "correlation"),
        ("P0363", "fueling disabled"),
    ],
)
def test_code_names(code: str, word: str) -> None:
    assert word in str(code_name(code))


@pytest.mark.parametrize("code", ["P0345", "P0334", "P0171", "P0020", "P0317", "C0300", "P030A"])
def test_other_codes_have_no_name_here(code: str) -> None:
    assert code_name(code) is None


@pytest.mark.parametrize(
    ("order", "codes", "picture", "pairs"),
    [
        ([1, 2, 3, 4, 5, 6], ["P0300", "P0302", "P0305"], "companions", [[2, 5]]),
        ([1, 5, 3, 6, 2, 4], ["P0300", "P0302", "P0305"], "companions", [[2, 5]]),
        ([1, 3, 4, 2], ["P0300", "P0301", "P0304"], "companions", [[1, 4]]),
        ([1, 3, 4, 2], ["P0300", "P0301", "P0303"], "several", []),
        ([1, 3, 4, 2], ["P0303"], "one", []),
        ([1, 2, 3], ["P0302", "P0303"], "several", []),
        ([1, 3, 4, 2], ["P0300"], "unnamed", []),
        ([1, 3, 4, 2], ["P0301", "P0302", "P0303", "P0304"], "every", [[1, 4], [2, 3]]),
        ([1, 3, 4, 2], ["P0300", "P0302", "P0335"], "signal", []),
        ([1, 3, 4, 2], ["P0016", "P0302", "P0303"], "signal", [[2, 3]]),
        ([1, 3, 4, 2], ["P0171"], "none", []),
    ],
)
def test_pictures(order: list[int], codes: list[str], picture: str, pairs: list[list[int]]) -> None:
    got = triage(codes, Engine.from_order(order))
    assert (got["picture"], got["companions"]) == (picture, pairs)


def test_companions_are_checked_before_parts_but_shared_parts_are_named() -> None:
    got = triage(["P0300", "P0302", "P0305"], V6)
    assert "before buying parts" in got["headline"]
    text = " ".join(got["says"])
    for word in ("stale stored pattern", "shared coil", "head gasket", "shared runner"):
        assert word in text
    assert "freeze frame" in got["next_steps"][0]
    assert got["accused"] == [2, 5]


def test_neighbours_on_a_four() -> None:
    assert any("neighbours" in s for s in triage(["P0302", "P0303"], FOUR)["says"])
    assert not any("neighbours" in s for s in triage(["P0301", "P0304"], FOUR)["says"])


@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("P0315", "zero counts prove nothing"),
        ("P0363", "consequence"),
        ("P0313", "little fuel"),
        ("P0335", "settle this before any misfire code"),
        ("P0340", "name the companion"),
        ("P0017", "do not agree"),
        ("P0171", "service manual"),
    ],
)
def test_each_special_code_is_spoken_of(code: str, word: str) -> None:
    assert word in " ".join(triage(["P0301", code], FOUR)["says"])
    assert word not in " ".join(triage(["P0301"], FOUR)["says"])


def test_without_a_firing_order_nothing_is_said_of_companions() -> None:
    got = triage(["P0302", "P0305"], None)
    assert got["companions"] == []
    assert "--engine" in " ".join(got["says"])
    assert "no two of them companions" not in got["headline"]


@pytest.mark.parametrize(
    ("codes", "match"),
    [
        (["P0305"], "names cylinder 5"),
        (["P03"], "no trouble code"),
        ([""], "no code given"),
        (["P9999"], "P9999"),
    ],
)
def test_wrong_codes(codes: list[str], match: str) -> None:
    with pytest.raises(InputError, match=match):
        triage(codes, FOUR)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            [f"P{n:04d}" for n in (*range(300, 307), *range(313, 317), *range(335, 345), 16, 363, 420)]
        ),
        min_size=1,
    )
)
def test_any_set_has_an_answer_and_order_does_not_change_the_picture(codes: list[str]) -> None:
    got, turned = triage(codes, V6), triage([c.lower() for c in reversed(codes)], V6)
    assert got["headline"]
    assert got["next_steps"]
    assert got["cannot_say"]
    assert got["cautions"]
    assert (got["picture"], got["accused"]) == (turned["picture"], turned["accused"])
    assert len(got["codes"]) == len(set(codes))
