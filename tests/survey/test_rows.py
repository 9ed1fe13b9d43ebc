"""Which logs, which rows: the row of a log says what `analyse` says, and a bad log is a row with its reason."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from misfire.cli import main
from misfire.engine import Engine
from misfire.errors import InputError
from misfire.pipeline import AnalyseOptions, analyse_files
from misfire.report import survey_page, survey_text
from misfire.survey.columns import COLUMNS, error_row, frame
from misfire.survey.jobs import Job, find_jobs
from misfire.survey.one import survey_one


def rows_of(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


def test_a_row_for_every_log_and_none_for_what_lies_beside(fleet, whole):
    rows = rows_of(whole / "all.csv")
    names = [r["file"].removeprefix(str(fleet.folder.parent) + "/") for r in rows]
    assert sorted(names) == sorted([*fleet.good, *fleet.bad])
    assert list(rows[0]) == list(COLUMNS)


def test_the_row_says_what_analyse_says(fleet, whole):
    log = fleet.folder / "v8" / "drive1.csv"
    done = analyse_files(
        [str(log)],
        AnalyseOptions(
            Engine.load(fleet.folder / "v8" / "engine.toml"),
            channels=str(log.with_name("drive1_channels.csv")),
            counts=str(log.with_name("drive1_counts.csv")),
        ),
    ).to_dict()
    row = next(r for r in rows_of(whole / "all.csv") if r["file"] == str(log))
    assert row["status"] == done["verdict"]["status"] == "found"
    assert row["headline"] == done["verdict"]["headline"]
    assert row["causes"].split(";") == [f["cause"] for f in done["verdict"]["findings"]]
    assert row["cylinders"].split(";")[0] == "5"
    by_cylinder = {str(c["cylinder"]): c["misfires"] for c in done["cylinders"]}
    assert row["misfires_by_cylinder"] == " ".join(f"{k}:{v}" for k, v in by_cylinder.items())
    assert int(row["misfires"]) == sum(by_cylinder.values()) > 5
    assert int(row["reported"]) == 17
    assert float(row["duration_s"]) == pytest.approx(done["log"]["duration_s"], rel=1e-5)
    assert row["sha256"] == done["inputs"][0]["sha256"]
    assert row["error"] == row["error_kind"] == ""


def test_a_bad_log_is_a_row_with_its_reason(fleet, whole):
    rows = {r["file"].removeprefix(str(fleet.folder.parent) + "/"): r for r in rows_of(whole / "all.csv")}
    for name, reason in zip(
        fleet.bad, ("no engine is known", "no time column", "cannot be unpacked"), strict=True
    ):
        row = rows[name]
        assert row["status"] == "error"
        assert reason in row["error"]
        assert row["error_kind"] == "input"
        assert row["misfires"] == row["rate_pct"] == "", "what is not known is empty, not zero"
    for name in fleet.good:
        assert rows[name]["status"] != "error"


def test_table_json_terminal_and_page_hold_the_same_numbers(whole):
    rows = rows_of(whole / "all.csv")
    told = json.loads((whole / "all.json").read_text("utf-8"))
    assert told["format"] == "misfire-survey"
    page = (whole / "all.html").read_text("utf-8")
    text = " ".join((whole / "stdout.txt").read_text("utf-8").split())
    for row, log in zip(rows, told["logs"], strict=True):
        for name, column in COLUMNS.items():
            want = log[name]
            if column.kind == "text" or want is None:
                assert row[name] == (want or "")
            else:
                assert float(row[name]) == pytest.approx(want, rel=1e-5)
        if log["status"] == "found":
            assert f"><bdi>{log['misfires']:,} of {log['firings']:,}</bdi></td>" in page
    found = sum(log["status"] == "found" for log in told["logs"])
    headline = f"{len(rows)} logs: a cause found in {found}"
    assert headline in text
    assert headline in page


def test_parquet_holds_typed_numbers(whole, tmp_path):
    pd = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    told = json.loads((whole / "all.json").read_text("utf-8"))["logs"]
    frame(told).to_parquet(tmp_path / "t.parquet", index=False)
    back = pd.read_parquet(tmp_path / "t.parquet")
    assert str(back["misfires"].dtype) == "Int64"
    assert back["misfires"].isna().sum() == sum(r["status"] == "error" for r in told) == 3
    assert back["misfires"].sum() == sum(r["misfires"] or 0 for r in told)


def test_engine_given_wins_and_the_nearest_file_is_taken_without(fleet, tmp_path):
    four = Engine.load("inline4")
    assert all(j.engine is four and j.engine_file is None for j in find_jobs([str(fleet.folder)], four))
    jobs = {Path(j.path).name: j for j in find_jobs([str(fleet.folder / "v8")])}
    assert jobs["drive0.csv"].engine_file == str(fleet.folder / "v8" / "engine.toml")
    assert jobs["drive0.csv"].channels == str(fleet.folder / "v8" / "drive0_channels.csv")
    assert jobs["drive1.csv"].counts == str(fleet.folder / "v8" / "drive1_counts.csv")
    assert find_jobs([str(fleet.folder / "v8")], beside=False)[0].channels is None
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "engine.toml").write_text("")
    (tmp_path / "deep" / "er" / "a.csv").write_text("x")
    (tmp_path / "deep" / "er" / "b.csv").write_text("x")
    (tmp_path / "deep" / "er" / "b_engine.toml").write_text("")
    a, b = find_jobs([str(tmp_path)])
    assert a.engine_file == str(tmp_path / "engine.toml")
    assert b.engine_file == str(tmp_path / "deep" / "er" / "b_engine.toml")
    # the folder given bounds the search: an engine of somebody else further up is not taken
    assert find_jobs([str(tmp_path / "deep")])[0].engine_file is None


def test_a_log_named_twice_is_one_row(fleet):
    one = str(fleet.folder / "v8" / "drive0.csv")
    assert len(find_jobs([one, one, str(fleet.folder / "v8")])) == len(find_jobs([str(fleet.folder / "v8")]))


def test_the_table_of_an_earlier_survey_is_no_log(fleet, whole, tmp_path):
    (tmp_path / "last_month.csv").write_bytes((whole / "all.csv").read_bytes())
    (tmp_path / "drive.csv").write_bytes((fleet.folder / "v8" / "drive0.csv").read_bytes())
    assert [Path(j.path).name for j in find_jobs([str(tmp_path)])] == ["drive.csv"]


def test_folder_without_a_log_is_an_error(tmp_path):
    with pytest.raises(InputError, match="no log in this folder"):
        find_jobs([str(tmp_path)])


def test_a_row_changes_its_key_with_everything_it_depends_on(fleet, tmp_path):
    log = tmp_path / "a.csv"
    log.write_text("x")
    job = Job("a.csv", str(log), Engine.load("inline4"))
    keys = {job.key("1"), job.key("2"), Job("a.csv", str(log), Engine.load("v8")).key("1")}
    (tmp_path / "c.csv").write_text("y")
    keys.add(Job("a.csv", str(log), Engine.load("inline4"), channels=str(tmp_path / "c.csv")).key("1"))
    log.write_text("xx")
    keys.add(job.key("1"))
    assert len(keys) == 5
    assert Job("other/name.csv", str(log), Engine.load("inline4")).key("1") == job.key("1")


def test_counts_of_a_cylinder_that_does_not_exist_are_an_error_row(fleet, tmp_path):
    log = fleet.folder / "inline4" / "drive0.csv"
    (tmp_path / "k.csv").write_text("cylinder,misfires\n7,3\n")
    row = survey_one(Job("drive0.csv", str(log), Engine.load("inline4"), counts=str(tmp_path / "k.csv")))
    assert row["error_kind"] == "input"
    assert "cylinder 7" in row["error"]


HOSTILE = (
    "<script>alert(1)</script>.csv",
    "=HYPERLINK(1).csv",
    "a\u202eb\nc\x1b[2J.csv",
    "bad\udcff.csv",
    "W" * 300,
)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(name):
    row = error_row(name, "0.1.0", f"{name}: no such file", "input")
    table = frame([row]).to_csv(index=False)
    assert "\n=" not in table
    assert ",=" not in table
    text, page = survey_text([row]), survey_page([row])
    assert "\x1b" not in text
    assert "\u202e" not in text + page
    assert "<script>alert" not in page
    assert max(map(len, text.splitlines())) <= 80


def test_the_terminal_keeps_to_forty_lines(whole):
    rows = json.loads((whole / "all.json").read_text("utf-8"))["logs"] * 40
    lines = survey_text(rows, ["a.csv", "b.parquet", "c.html"]).splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80
    assert any("more in the table" in line for line in lines)
    assert lines[-1] == "written: c.html"


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["nothing_here.csv", "--out", "rows.txt"], "rows.txt.*csv or .parquet"),
        (["x.csv", "--jobs", "0"], "--jobs 0"),
        (["x.csv", "--jobs", "2", "--scheduler", "tcp://127.0.0.1:1"], "exclude each other"),
        (["x.csv", "--engine", "inlein4"], "inlein4"),
    ],
)
def test_wrong_use_is_one_line_before_any_work(args, message, monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", ["misfire", "survey", *args])
    with pytest.raises(SystemExit) as end:
        main()
    err = capsys.readouterr().err
    assert end.value.code == 2
    assert err.count("\n") == 1
    assert re.search(message, err)
    assert list(tmp_path.iterdir()) == []
