"""Codes, known cuts and saved patterns on the two sides of a comparison."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from misfire.comparison import CompareOptions, Side, compare
from misfire.errors import InputError
from misfire.onelog import KnownCut

from .conftest import finding, make_log
from .test_command import calls, run  # noqa: F401


def verdict(before: Side, after: Side) -> dict[str, Any]:
    return dict(compare([before], [after], CompareOptions())["verdict"])


def test_each_side_takes_its_own(calls: list[Any], tmp_path: Path) -> None:  # noqa: F811
    saved = tmp_path / "wheel.json"
    saved.write_text(
        json.dumps(
            {
                "format": "misfire-pattern",
                "version": 1,
                "wheel": {"positions": 60, "missing": [58, 59]},
                "tooth_error_deg": [0.0] * 58 + [None, None],
                "tooth_error_sd_deg": [0.003] * 58 + [None, None],
                "turns": 100,
            }
        ),
        "utf-8",
    )
    words = ["--codes-before", "P0300,P0302", "--codes-after", "P0363", "--pattern-after", str(saved)]
    words += ["--known-cut-before", "2:3@41.0-49.5", "--known-cut-before", "2:1@60-61"]
    words += ["--known-cut-after", "4@1-2.5"]
    got = run("compare", "bad.csv,bad.csv", "good.csv", *words, "--json", "-")
    assert got.exit_code == 0, got.exception
    first, second, third = (c[1] for c in calls)
    assert first.codes == second.codes == ("P0300", "P0302")
    assert third.codes == ("P0363",)
    assert first.known_cuts == ()
    assert second.known_cuts == (KnownCut(3, 41.0, 49.5), KnownCut(1, 60.0, 61.0))
    assert third.known_cuts == (KnownCut(4, 1.0, 2.5),)
    assert first.pattern is None
    assert third.pattern.error_deg.size == 58
    calls.clear()
    got = run("compare", "bad.csv", "good.csv", "--pattern", str(saved), "--json", "-")
    assert got.exit_code == 0, got.exception
    assert all(c[1].pattern is not None for c in calls)


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["--known-cut-before", "3@41.0-49.5"], "say which of the 2 logs"),
        (["--known-cut-before", "3:3@41.0-49.5"], "a log's number from 1 to 2"),
        (["--known-cut-after", "9@1-2"], "--known-cut-after 9@1-2: the cylinder must exist"),
        (["--known-cut-after", "soon"], "--known-cut-after soon: write cylinder@from-to"),
        (["--codes-after", "P0309"], "code P0309 names cylinder 9"),
        (["--pattern", "nowhere.json"], "nowhere.json: no such file"),
    ],
)
def test_refused_before_any_log_is_analysed(calls: list[Any], words: list[str], match: str) -> None:  # noqa: F811
    got = run("compare", "bad.csv,bad.csv", "good.csv", *words)
    assert isinstance(got.exception, InputError)
    assert match in str(got.exception)
    assert calls == []


def test_codes_on_firing_cylinders_are_not_gone_because_the_log_shows_none() -> None:
    """The fault was in what the controller stored; no tooth log shows that it is gone."""
    stored = [finding("crank_pattern", 2, 3, where="stored")]
    before = replace(make_log(1, findings=stored), codes=("P0300", "P0302", "P0303"))
    got = verdict(before, make_log(2))
    assert got["answer"] == "not_proven"
    assert "cylinders 2 and 3" in got["headline"]
    assert any("--counts-after" in m for m in got["missing"])
    # with the controller's counts of both sides they decide
    before = replace(
        make_log(1, findings=stored, reported={2: 400, 3: 380}), codes=("P0300", "P0302", "P0303")
    )
    assert verdict(before, make_log(2, reported={}))["answer"] == "cleared"


def test_a_cylinder_that_the_controller_may_have_switched_off_proves_nothing() -> None:
    dead = [finding("misfire", 3, kind="one", steady=True)]
    before = make_log(1, misfire={3: 0.1})
    after = make_log(2, misfire={3: 1.0}, findings=dead)
    assert verdict(before, after)["answer"] == "worse"
    got = verdict(before, replace(after, codes=("P0303", "P0363")))
    assert got["answer"] == "not_proven"
    assert any("P0363" in m for m in got["missing"])
    # one that fires now and then is not switched off
    after = replace(make_log(2, misfire={3: 0.4}), codes=("P0363",))
    assert verdict(before, after)["answer"] == "worse"


def test_a_code_still_stored_is_asked_for_again() -> None:
    before, after = make_log(1, misfire={3: 0.05}), make_log(2)
    got = verdict(before, replace(after, codes=("P0303",)))
    assert got["answer"] == "cleared"
    assert any("cylinder 3 still has one stored" in m for m in got["missing"])
    assert not any("stored" in m for m in verdict(before, after)["missing"])


def test_a_comparison_says_the_rates_at_like_speed_and_load() -> None:
    """Misfires at 20 % above 50 % load on both sides; after, more of that load is driven: raw counts look worse."""

    def rate(_: Any, load: Any) -> Any:
        return np.where(load > 50, 0.2, 0.0)

    before = make_log(1, misfire={3: rate}, load=(10.0, 70.0), turns=8000)
    after = make_log(2, misfire={3: rate}, load=(40.0, 70.0), turns=8000)
    out = compare([before], [after])
    row, got = out["cylinders"][2], out["verdict"]
    raw = [row[k]["misfires"] / row[k]["firings"] for k in ("before", "after")]
    like = row["at_like_speed_and_load"]
    assert raw[1] > 1.4 * raw[0]
    assert like["after_pct"] == pytest.approx(like["before_pct"], rel=0.15)
    assert got["answer"] == "unchanged"
    assert "at like speed and load" in got["headline"]
    assert any("at like speed and load; in all" in r for r in got["reasons"])
