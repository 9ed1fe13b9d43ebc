"""A comparison's page shows all logs of a side, and exact intervals on what the controller counted."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from misfire.comparison import CompareOptions, compare, pooled
from misfire.report.figures_compare import patterns, rates
from misfire.report.figures_events import strips
from misfire.report.firings import read_firings

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.comparison.conftest import finding, make_log


def drawn(figure: Any, name: str) -> Any:
    """The trace of that name."""
    return next(t for t in figure.plot.data if t.name == name)


def test_every_log_of_a_side_is_drawn_and_none_over_another() -> None:
    logs = [make_log(s, turns=200, misfire={c: 0.2}) for s, c in ((1, 2), (2, 3), (3, 3))]
    result, events = pooled(logs)
    f = read_firings(result, events)
    assert f is not None
    assert len(events) == sum(len(s.events) for s in logs)
    assert (np.diff(f.time_s) > 0).all()
    lengths = [float(np.ptp(s.events["time_s"])) for s in logs]
    assert float(np.ptp(f.time_s)) == pytest.approx(sum(lengths) + 2.0)  # a second between two logs
    figure = strips(result, f)
    assert "3 logs stand one after another" in figure.reading
    missed = [t for t in figure.plot.data if t.name == "misfire"]
    assert sum(len(t.x) for t in missed) == sum(int((s.events["state"] == "misfire").sum()) for s in logs)
    alone = read_firings(logs[0].result, logs[0].events)
    assert alone is not None
    assert alone.starts_s == ()


def test_the_pattern_shown_is_the_mean_of_the_logs_weighted_with_their_certainty() -> None:
    logs = [make_log(s) for s in (1, 2)]
    for s, (level, sd) in zip(logs, ((0.10, 0.004), (0.16, 0.002)), strict=True):
        s.result["pattern"]["tooth_error_deg"][17] = level
        s.result["pattern"]["tooth_error_sd_deg"][17] = sd
    result, _ = pooled(logs)
    # weights 1/16 and 1/4, one to four: 0.10/5 + 0.16*4/5
    assert result["pattern"]["tooth_error_deg"][17] == pytest.approx(0.148, abs=1e-6)
    figure = patterns(result, make_log(3).result)
    assert drawn(figure, "before").y[17] == pytest.approx(0.148, abs=1e-4)


def test_findings_and_inputs_of_all_logs_are_kept() -> None:
    logs = [make_log(1, findings=[finding("misfire", 3)]), make_log(2, findings=[finding("misfire", 3)])]
    logs.append(make_log(3, findings=[finding("sensor_signal")]))
    for k, s in enumerate(logs):
        s.result["inputs"] = [{"file": f"{k}.csv", "sha256": "0", "bytes": 1}]
        s.result["log"] = {"edges": 10 + k, "turns": 5, "duration_s": 1.5, "files": [f"{k}.csv"]}
    result, _ = pooled(logs)
    assert [f["cause"] for f in result["verdict"]["findings"]] == ["misfire", "sensor_signal"]
    assert [i["file"] for i in result["inputs"]] == ["0.csv", "1.csv", "2.csv"]
    assert (result["log"]["edges"], result["log"]["duration_s"]) == (33, 4.5)
    firings = [r["firings"] for r in result["cylinders"]]
    assert firings == [sum(s.result["cylinders"][i]["firings"] for s in logs) for i in range(4)]


def test_the_controllers_counts_carry_exact_intervals() -> None:
    """Against the reference library (test only): proportion_confint, method "beta", is Clopper-Pearson."""
    from statsmodels.stats.proportion import proportion_confint

    low, high = (100.0 * x for x in proportion_confint(15, 400, method="beta"))
    before = make_log(1, turns=800, reported={2: 15})
    after = make_log(2, turns=800, reported={})
    assert before.result["cylinders"][1]["firings"] == 400
    out = compare([before], [after], CompareOptions())
    own = out["cylinders"][1]["before"]
    assert own["reported_firings"] == 400
    assert own["reported_ci95_pct"] == pytest.approx([low, high], abs=1e-9)
    # none of 400: the upper end is 1 - 0.025^(1/400) (arithmetic)
    none = out["cylinders"][1]["after"]["reported_ci95_pct"]
    assert none == pytest.approx([0.0, 100.0 * (1.0 - 0.025 ** (1 / 400))], abs=1e-9)
    figure = rates(out, before.result, after.result)
    trace = drawn(figure, "the controller reported, before")
    at = list(trace.x).index(pytest.approx(3.75))
    assert trace.error_x.arrayminus[at] == pytest.approx(3.75 - low, abs=1e-5)
    assert trace.error_x.array[at] == pytest.approx(high - 3.75, abs=1e-5)
    assert "exact (Clopper-Pearson" in figure.reading
    rows = {r[0]: r for r in figure.tables[1].rows}
    assert rows["2"][1:5] == ["15", "400", "3.75", f"{low:.2f} to {high:.2f}"]


def test_more_counts_than_firings_have_no_rate() -> None:
    out = compare([make_log(1, turns=800, reported={2: 5000})], [make_log(2, turns=800, reported={})])
    own = out["cylinders"][1]["before"]
    assert own["reported"] == 5000
    assert own["reported_ci95_pct"] is None
    assert own["reported_rate_pct"] is None
