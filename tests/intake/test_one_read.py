"""One read of SAE J1979 service $06 alone: shown as the driving cycle's total, compared with nothing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from misfire.cli import main
from misfire.simulate import load_scenario, simulate

# layout as in SAE J1979, restated: 46 MID TID unit value minimum maximum; $A2 is cylinder 1
READ = "46 A2 0C 24 00 05 00 00 FF FF\n46 A4 0C 24 01 19 00 00 FF FF\n"


def run(args: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> str:
    monkeypatch.setattr("sys.argv", ["misfire", *args])
    with pytest.raises(SystemExit) as end:
        main()
    assert not end.value.code
    return " ".join(capsys.readouterr().out.split())


def test_one_read_is_shown_and_not_compared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    log, counts, result, page = (tmp_path / n for n in ("log.csv", "read.txt", "r.json", "p.html"))
    done = simulate(load_scenario("healthy_i4"))
    log.write_text("time_s\n" + "".join(f"{t:.7f}\n" for t in done.recording.crank_s[:6000]))
    counts.write_text(READ)
    args = ["analyse", str(log), "--engine", "inline4", "--counts", str(counts)]
    said = run([*args, "--json", str(result), "--report", str(page)], monkeypatch, capsys)
    # $05 = 5, $0119 = 281
    for text in (said, " ".join(page.read_text().split())):
        assert "cylinder 1: 5, cylinder 3: 281" in text
        assert "total of a driving cycle, not of this log: it is shown, not compared" in text
        assert "No controller counts were given" not in text
    data = json.loads(result.read_text())
    assert data["reported"]["totals"] == {"1": 5, "3": 281}
    assert {c["reported"] for c in data["cylinders"]} == {None}
    # the same as without: a total that began before the log proves nothing about it
    assert run([*args[:-2], "--json", str(tmp_path / "plain.json")], monkeypatch, capsys)
    plain = json.loads((tmp_path / "plain.json").read_text())
    assert data["verdict"]["findings"] == plain["verdict"]["findings"]


def test_a_reset_of_the_counter_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    log, counts = tmp_path / "log.csv", tmp_path / "c.csv"
    done = simulate(load_scenario("healthy_i4"))
    log.write_text("time_s\n" + "".join(f"{t:.7f}\n" for t in done.recording.crank_s[:6000]))
    counts.write_text("time_s,cylinder,misfires\n0,1,5\n1,1,9\n2,1,3\n")
    said = run(["analyse", str(log), "--engine", "inline4", "--counts", str(counts)], monkeypatch, capsys)
    assert "went back to a lower value (cylinder 1): a reset" in said
