"""The terminal output: short, narrow, fast to import, and safe against text from outside."""

from __future__ import annotations

import subprocess
import sys
from types import ModuleType
from typing import Any

import pytest

from misfire.report import comparison_text, terminal_text
from misfire.report.terminal import cells
from misfire.report.words import cause, clean, number, row_name, span, titled

KINDS = ("misfire", "pattern", "stored", "clear", "undetermined", "sensor", "weak", "places")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [40, 80, 120])
def test_answer_first_and_within_the_screen(samples: ModuleType, kind: str, width: int) -> None:
    result, _ = samples.sample(kind)
    lines = terminal_text(result, width=width).splitlines()
    assert len(lines) <= 40
    assert max(cells(line) for line in lines) <= width
    word = {"clear": "CLEAR", "undetermined": "NOT DECIDED"}.get(kind, "FOUND")
    assert word in lines[0]
    text = " ".join(" ".join(lines).split())
    assert result["verdict"]["headline"] in text
    for c in result["cylinders"]:
        head = next(i for i, line in enumerate(lines) if line.split()[:2] == ["cyl", "firings"])
        row = next(w for w in map(str.split, lines[head:]) if w[:1] == [str(c["cylinder"])])
        assert row[1].replace(",", "") == str(c["firings"])
        assert row[2].replace(",", "") == str(c["misfires"])


def test_next_steps_stand_before_the_table(samples: ModuleType) -> None:
    text = terminal_text(samples.sample("misfire")[0])
    assert text.index("Swap the coil") < text.index("firings  misfires")
    text = terminal_text(samples.sample("undetermined")[0])
    assert text.index("coast-down in fuel cut from") < text.index("firings  misfires")


def test_many_cylinders_and_long_lists_keep_to_forty_lines(samples: ModuleType) -> None:
    result, _ = samples.sample("misfire")
    one = result["cylinders"][2]
    result["cylinders"] = [{**one, "cylinder": k, "misfires": int(k == 23)} for k in range(1, 25)]
    result["assumptions"] = [f"Assumption {k} " + "long words " * 20 for k in range(30)]
    finding = result["verdict"]["findings"][0]
    finding["next_steps"] = [f"Step {k} " + "and so on " * 30 for k in range(30)]
    lines = terminal_text(result).splitlines()
    assert len(lines) <= 40
    assert any(line.split()[:1] == ["23"] for line in lines)
    assert sum("more" in line and "report" in line for line in lines) >= 2


def test_colour_only_when_asked(samples: ModuleType) -> None:
    result, _ = samples.sample("misfire")
    assert "\x1b" not in terminal_text(result)
    assert "\x1b[31m" in terminal_text(result, colour=True)


def test_text_from_outside_cannot_steer_the_terminal(samples: ModuleType) -> None:
    result, _ = samples.sample("misfire")
    result["verdict"]["headline"] = "a\x1b[2J\x07b\u202ec\r\nd"
    result["assumptions"] = ["\x9b31mred", "x" * 5000, "漢字" * 60]
    text = terminal_text(result)
    assert not any(c in text for c in "\x1b\x07\r\x9b\u202e")
    assert "d" in text.splitlines()[0]
    assert max(cells(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize("result", [{}, {"verdict": None, "cylinders": None, "signal": {"notes": "one"}}])
def test_absent_parts_are_no_error(result: dict[str, Any]) -> None:
    assert "NOT DECIDED" in terminal_text(result)


@pytest.mark.parametrize("answer", ["cleared", "misfire_remains", "not_proven"])
def test_comparison(samples: ModuleType, answer: str) -> None:
    comparison = samples.comparison(answer)[0]
    text = comparison_text(comparison)
    word = {"cleared": "CLEARED", "misfire_remains": "A TRUE MISFIRE REMAINS", "not_proven": "NOT PROVEN"}
    assert word[answer] in text.splitlines()[0]
    assert len(text.splitlines()) <= 40
    assert max(map(cells, text.splitlines())) <= 80
    assert ("11,980 firings (2,995" in text) == (answer == "not_proven")


def test_comparison_of_nothing() -> None:
    assert "NOT PROVEN" in comparison_text({})


def test_neither_plotly_nor_pandas_is_imported() -> None:
    code = (
        "import sys; from misfire.report import terminal_text, comparison_text; terminal_text({}); "
        "comparison_text({}); bad = {'plotly', 'pandas', 'numpy'} & set(sys.modules); "
        "sys.exit(str(bad) if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# Plain rounding to three significant digits; checked by hand.
@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (12.249, "12.2"), (0.0312, "0.0312"), (1234.6, "1,235"), (-1.93, "-1.93"), (None, "–")],
)
def test_number(value: float | None, text: str) -> None:
    assert number(value) == text


def test_not_a_number_is_a_dash() -> None:
    assert number(float("nan")) == number(float("inf")) == "–"


def test_clean_cuts_visibly() -> None:
    assert len(clean("x" * 999, 50)) == 50
    assert clean("x" * 999, 50).endswith("…")


@pytest.mark.parametrize(
    ("pair", "text"),
    [
        ((0.00007, 0.0155), "0.00007 to 0.0155"),
        ((0.0, 0.0155), "0 to 0.0155"),
        ((3e-9, 2.5), "<0.000001 to 2.5"),
        ((2.1e-6, 3.04e-6), "2.1e-06 to 3.0e-06"),
        ((0.5, 1234.4), "0.5 to 1,234"),
        ((None, 1.0), "–"),
    ],
)
def test_both_ends_of_an_interval_are_written_alike(pair: tuple[Any, Any], text: str) -> None:
    assert span(pair) == text


@pytest.mark.parametrize(
    ("rows", "label", "name"),
    [
        ([{"cylinder": 1, "either": [1, 4]}, {"cylinder": 2, "either": [2, 3]}], 2, "2/3"),
        ([{"cylinder": "B", "either": ["B", "D"]}], "B", "B/D"),
        ([{"cylinder": 2}], 2, "2"),
        ([], "<b>", "<b>"),
    ],
)
def test_a_row_that_counts_two_companions_names_both(
    rows: list[dict[str, Any]], label: int | str, name: str
) -> None:
    assert row_name({"cylinders": rows}, label) == name


def test_one_of_two_is_said_with_or_and_places_are_no_cylinders() -> None:
    one = {"cause": "misfire", "cylinders": ["A", "C"], "detail": {"kind": "one"}}
    assert cause(one) == "true misfire, places A or C"
    both = {"cause": "misfire", "cylinders": [2, 3], "detail": {"kind": "companions"}}
    assert cause(both) == "true misfire, cylinders 2 and 3"
    assert (titled("3"), titled("A/C")) == ("cylinder 3", "place A/C")
