"""The verdict on shipped scenarios whose truth is known, and on what is missing from a log."""

from __future__ import annotations

import json

import numpy as np


def test_a_dead_cylinder(judged):
    j = judged("dead_cylinder_i4")
    (finding,) = j.verdict["findings"]
    assert (finding["cause"], finding["cylinders"]) == ("misfire", [2])
    assert finding["detail"]["kind"] == "one"
    assert finding["detail"]["steady"] is True
    assert j.misfires[2] > 0.95 * j.log.truth.misfires[2]
    assert sum(n for c, n in j.misfires.items() if c != 2) <= 2


def test_random_misfires_of_one_cylinder(judged):
    j = judged("random_misfire_i4")
    assert j.causes == {"misfire": [3]}
    assert j.verdict["findings"][0]["detail"]["steady"] is False
    assert abs(j.misfires[3] - j.log.truth.misfires[3]) <= 3


def test_companions_with_one_coil(judged):
    j = judged("shared_coil_v8")
    (finding,) = j.verdict["findings"]
    assert finding["cause"] == "misfire"
    assert sorted(finding["cylinders"]) == sorted(c for c, n in j.log.truth.misfires.items() if n)
    assert finding["detail"]["kind"] == "companions"


def test_a_poor_wheel_is_no_misfire(judged):
    j = judged("poor_wheel_v6")
    assert sum(j.log.truth.misfires.values()) == 0
    assert "misfire" not in j.causes, j.verdict["headline"]
    assert "crank_pattern" in j.causes
    (finding,) = [f for f in j.verdict["findings"] if f["cause"] == "crank_pattern"]
    assert finding["detail"]["where"] == "wheel"
    # the monitor of the simulation, which takes the wheel as perfect, accuses these
    accused = {c for c, n in (j.log.counts or {}).items() if n > 50}
    assert set(finding["cylinders"]) <= accused
    assert j.verdict["status"] == "found"


def test_a_weak_cylinder(judged):
    j = judged("weak_cylinder_i4")
    assert j.causes == {"weak_cylinder": [3]}


def test_a_disturbed_signal(judged):
    j = judged("spark_noise_i4")
    assert sum(j.log.truth.misfires.values()) == 0
    assert set(j.causes) == {"sensor_signal"}
    assert j.done.result["signal"]["extra_edges"] + j.done.result["signal"]["resyncs"] > 20


def test_a_stale_pattern_shows_against_the_counts(judged):
    j = judged("stale_pattern_i4", counts=True)
    accused = sorted(c for c, n in (j.log.counts or {}).items() if n > 50)
    assert accused == [1, 4]
    (finding,) = [f for f in j.verdict["findings"] if f["cause"] == "crank_pattern"]
    assert sorted(finding["cylinders"]) == accused
    assert "misfire" not in j.causes
    assert "False detection" in j.verdict["headline"]
    assert "were counted falsely" in j.verdict["headline"]


def test_a_healthy_engine_is_clear(judged):
    j = judged("healthy_v8")
    assert j.verdict["status"] == "clear"
    assert j.verdict["findings"] == []


def test_a_short_log_is_undetermined(judged):
    j = judged("healthy_v8", until_s=8.0)
    assert j.done.result["log"]["turns"] < 200
    assert j.verdict["status"] == "undetermined"
    assert any("200 turns" in m for m in j.verdict["missing"])


def test_a_dead_cylinder_with_injectors_shut_off_is_undetermined(judged):
    """P0363: misfire detected, fueling disabled (SAE J2012 [restated]): the dead cylinder may be a consequence."""
    firm = judged("dead_cylinder_i4")
    assert firm.verdict["status"] == "found"
    j = judged("dead_cylinder_i4", codes=("P0302", "P0363"))
    assert j.verdict["status"] == "undetermined"
    assert any("P0363" in m for m in j.verdict["missing"])
    assert any(c["cause"] == "misfire" and c["cylinders"] == [2] for c in j.verdict["candidates"])


def test_with_the_phase_unknown_both_companions_are_listed(judged):
    j = judged("random_misfire_i4", marks=False)
    assert j.done.result["phase"] == "unknown"
    (finding,) = [f for f in j.verdict["findings"] if f["cause"] == "misfire"]
    assert sorted(finding["cylinders"]) == [2, 3]  # 1-3-4-2: 2 and 3 fire 360 deg apart
    assert "2 or 3" in j.verdict["headline"]
    # events carry the lower companion's number
    assert set(j.done.events.cylinder) == {1, 2}
    assert any("cam" in m for m in j.verdict["missing"])


def test_the_contract_keys_are_all_there(judged):
    result = judged("random_misfire_i4").done.to_dict()
    again = json.loads(json.dumps(result, allow_nan=False))  # no NaN, no numpy type
    assert (again["format"], again["version"]) == ("misfire-analysis", 1)
    want = {
        "log": {"edges", "turns", "duration_s", "speed_rpm"},
        "signal": {"extra_edges", "lost_edges", "resyncs", "turns_set_aside", "notes"},
        "pattern": {
            "learned_from",
            "tooth_error_deg",
            "tooth_error_sd_deg",
            "segment_error_pct",
            "segment_error_sd_pct",
            "stable",
        },
        "windows": {"turns200", "turns1000"},
        "verdict": {"status", "headline", "findings", "candidates", "missing"},
    }
    for part, keys in want.items():
        assert keys <= set(again[part]), part
    assert set(again["log"]["speed_rpm"]) == {"min", "median", "max"}
    assert again["phase"] in ("measured", "assumed", "unknown")
    assert again["pattern"]["learned_from"] in ("fuel_cut", "speed_sweep", "given", "none")
    cylinder = {
        "cylinder", "firings", "misfires", "partial", "rate_pct", "rate_ci95_pct", "misfires_uncorrected",
        "reported", "mean_lost_work", "unusable",
    }  # fmt: skip
    assert [c["cylinder"] for c in again["cylinders"]] == [1, 2, 3, 4]
    assert all(cylinder <= set(c) for c in again["cylinders"])
    finding = {"cause", "cylinders", "confidence", "detail", "evidence", "next_steps"}
    for f in again["verdict"]["findings"]:
        assert finding <= set(f)
        assert 0.95 <= f["confidence"] <= 1
        assert f["evidence"]
        assert f["next_steps"]
    assert isinstance(again["assumptions"], list)


def test_tooth_errors_by_position_with_null_at_the_gap(judged):
    j = judged("random_misfire_i4")
    error = j.done.result["pattern"]["tooth_error_deg"]
    assert len(error) == 60
    assert [p for p, x in enumerate(error) if x is None] == [58, 59]
    known = np.array([x for x in error if x is not None])
    assert abs(known.mean()) < 0.005


def test_event_columns(judged):
    columns = list(judged("random_misfire_i4").done.events.columns)
    assert columns[:9] == [
        "event", "turn", "time_s", "cylinder", "rpm", "load_pct", "acceleration_rad_s2", "lost_work", "state",
    ]  # fmt: skip


def test_rates_and_counts_agree_with_the_events(judged):
    j = judged("random_misfire_i4")
    events = j.done.events
    for c in j.done.result["cylinders"]:
        mine = events[events.cylinder == c["cylinder"]]
        assert c["misfires"] == int((mine.state == "misfire").sum())
        assert c["firings"] == int(mine.state.isin(["firing", "misfire"]).sum())
        assert c["unusable"] == int((mine.state == "unusable").sum())
        assert c["partial"] == int(((mine.state == "firing") & (mine.lost_work >= 0.3)).sum())
        low, high = c["rate_ci95_pct"]
        assert low <= c["rate_pct"] <= high
