"""The demonstration logs against their own known truth (invented data: it shows the path works, not how well)."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from misfire.cli import main
from misfire.cli.demo import demo_folder, take
from misfire.comparison import CompareOptions, Side, compare

CODES = ("P0300", "P0303", "P0304")


def analysed(name: str, codes: tuple[str, ...] = ()) -> tuple[Side, dict]:
    folder = demo_folder()
    return take(name, codes), json.loads((folder / f"{name}_truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def before():
    return analysed("before", CODES)


@pytest.fixture(scope="module")
def after():
    return analysed("after")


@pytest.fixture(scope="module")
def both():
    return analysed("two_faults")


def found(side: Side) -> dict[str, int]:
    return {str(c["cylinder"]): c["misfires"] for c in side.result["cylinders"]}


def test_every_known_misfire_is_found_on_its_cylinder_and_none_is_invented(before, after, both):
    for side, truth in (before, after, both):
        assert found(side) == truth["misfires"]
        # most firings are judged: a log of which little is used would find nothing either
        assert all(c["firings"] > 0.95 * truth["firings"]["1"] for c in side.result["cylinders"])
    assert sum(both[1]["misfires"].values()) > 50


def test_two_faults_are_told_apart(both):
    causes = {f["cause"]: f for f in both[0].result["verdict"]["findings"]}
    assert causes["misfire"]["cylinders"] == [5]
    assert causes["crank_pattern"]["cylinders"] == [3, 4]
    assert causes["crank_pattern"]["detail"]["where"] == "wheel"
    assert set(causes) == {"misfire", "crank_pattern"}


def test_the_story_general_code_no_true_misfire_learned_and_cleared(before, after):
    result = before[0].result
    assert sum(before[1]["misfires"].values()) == 0
    (finding,) = result["verdict"]["findings"]
    assert finding["cause"] == "crank_pattern"
    assert finding["cylinders"] == [3, 4]
    assert finding["detail"]["counted_falsely"] is True
    assert [c["reported"] > 100 for c in result["cylinders"]] == [False, False, True, True, False, False]
    answer = compare([before[0]], [after[0]], CompareOptions())
    assert answer["verdict"]["answer"] == "cleared"
    assert [c["cylinder"] for c in answer["cylinders"] if c["answer"] == "cleared"] == [3, 4]


def test_learned_spacing_is_the_sensed_one(before, both):
    for side, truth in (before, both):
        positions = np.array(truth["tooth_positions"])
        learned = np.array([side.result["pattern"]["tooth_error_deg"][p] for p in positions])
        sensed = np.array(truth["tooth_error_deg"])
        # the tool takes orders 3, 6, 9 ... out; run-out is order 1
        a = np.radians(positions * 6.0)
        first = np.column_stack([np.cos(a), np.sin(a), np.ones_like(a)])
        got = np.linalg.lstsq(first, learned, rcond=None)[0][:2]
        want = np.linalg.lstsq(first, sensed, rcond=None)[0][:2]
        assert np.hypot(*want) > 0.1
        np.testing.assert_allclose(got, want, atol=0.01)


def test_what_the_command_shows_and_writes(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setattr("sys.argv", ["misfire", "demo", "--out", str(tmp_path)])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code in (0, None)
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    # each step is an answer of its own
    assert max(len(part.splitlines()) for part in re.split(r"^\d\. ", text, flags=re.M)) <= 40
    one_line = " ".join(text.split())
    assert "cylinders 3 and 4 fire and were counted falsely" in one_line
    assert re.search(r"No true misfire: 0 of [\d,]+ judged firings failed", one_line)
    assert "CLEARED" in one_line
    truth, seen = (re.findall(r"\d+", line) for line in text.splitlines() if line.startswith("misfires, "))
    assert truth == seen == ["0", "0", "0", "0", "98", "0"]
    for name in ("demo_before.html", "demo_compare.html", "demo_two_faults.html"):
        assert str(tmp_path / name) in text or name in text
        page = (tmp_path / name).read_text("utf-8")
        assert page.startswith("<!DOCTYPE html>")
        assert len(page) < 8e6


def test_the_manual_quotes_the_demonstration(before):
    """The first result of README, word by word."""
    from misfire.report.terminal import terminal_text

    manual = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
    quoted = re.search(r"```\n(■ FOUND.*?)```", manual, re.S)
    assert quoted is not None
    assert terminal_text(before[0].result).startswith(quoted[1])
