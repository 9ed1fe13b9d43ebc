"""The benchmark's own parts on a small log: joints that are none, the two plain methods, a whole small run."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.intake import read
from misfire.simulate import load_scenario, simulate
from misfire.simulate.scenario import Phase
from tests.benchmarks.speed import __main__ as command
from tests.benchmarks.speed.logs import Loop, loop, write_engine, write_log
from tests.benchmarks.speed.run import Row, one_size, plain_reference

SHORT = (
    Phase(duration_s=3.0, rpm=800, mode="governed"),
    Phase(duration_s=3.0, rpm=1500, load_pct=30),
    Phase(duration_s=4.0, rpm=800, mode="governed"),
)


@pytest.fixture(scope="module")
def short():
    log = simulate(load_scenario("random_misfire_i4").but(programme=SHORT, seed=3))
    return log, loop(log)


def test_copies_join_without_a_fault(short, tmp_path):
    log, part = short
    file = tmp_path / "log.csv"
    made = write_log(file, part, 3 * part.crank.size)
    recording = read(file)
    assert recording.crank_s.size == made == 3 * part.crank.size
    crank = number_edges(recording.crank_s, log.engine.wheel)
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (0, 0, 0)
    assert part.turns % 2 == 0
    # the interval across a joint is a gap like its neighbours
    t = recording.crank_s
    for at in (part.crank.size, 2 * part.crank.size):
        gap, before = t[at] - t[at - 1], t[at - 58] - t[at - 59]
        assert gap == pytest.approx(before, rel=0.05)
    marks = recording.cylinder1_s
    assert marks is not None
    turns = np.diff(np.searchsorted(t, marks)) / log.engine.wheel.teeth
    assert np.abs(turns - 2).max() < 0.03  # one mark a cycle, over the joints too


def test_the_plain_method_is_the_same_both_ways(short, tmp_path):
    log, part = short
    write_log(tmp_path / "log.csv", part, part.crank.size)
    write_engine(tmp_path / "engine.toml", log)
    ratio, error = plain_reference(tmp_path / "log.csv", tmp_path / "engine.toml")
    assert error < 1e-12
    assert ratio > 1  # tens of times on a long log


def test_the_table(short, monkeypatch, capsys):
    log, part = short
    rows = {
        n: Row(n, 4e-4 * n, 1.0, 1.0 + 2e-6 * n, 1.0, 99.0, 1e-7 * n, 9e-7 * n, 77.0) for n in (10**6, 10**7)
    }
    monkeypatch.setattr("tests.benchmarks.speed.logs.minute", lambda: log)
    monkeypatch.setattr("tests.benchmarks.speed.logs.loop", lambda _: part)
    monkeypatch.setattr("tests.benchmarks.speed.run.one_size", lambda _f, _p, _e, edges, _c: rows[edges])
    monkeypatch.setattr("sys.argv", ["speed", "--edges", "1000000", "10000000"])
    command.main()
    said = capsys.readouterr().out
    assert "| 1000000 | 400 | 1 | 3.00 | 1.00 | 99 | 0.10 + 0.90 | 3.00 |" in said
    assert "exponent 0.85" in said  # log10(21 / 3) = 0.845
    assert "real time over processor time: 190" in said  # 4000 s in 21 s


def test_a_run_leaves_no_file_behind(short, tmp_path):
    log, part = short
    write_engine(tmp_path / "engine.toml", log)
    row = one_size(tmp_path, part, tmp_path / "engine.toml", 10_000)
    assert row.edges >= 10_000
    assert row.cpu_s > 0
    assert row.peak_mb > 50
    assert {"imports", "crank", "work", "total"} <= set(row.stages_s)
    assert [p.name for p in tmp_path.iterdir()] == ["engine.toml"]
    assert dataclasses.asdict(row)["pandas_write_s"] > 0
    assert isinstance(part, Loop)
