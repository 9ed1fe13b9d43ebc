"""Ended at any moment, by whatever: no row is lost, none is half written, none is made twice."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from misfire.survey.progress import Progress
from misfire.survey.workers import local

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs /proc")


def kept(path: Path) -> list[dict]:
    """Rows of a progress file as they stand in it."""
    if not path.exists():
        return []
    lines = path.read_text("utf-8").split("\n")[:-1]
    return [e for e in map(json.loads, lines) if "row" in e]


def wait_for(what: Callable[[], object], seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


def children(pid: int) -> list[int]:
    """Worker processes of a run, told from the helper process that the interpreter starts beside them."""
    out = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        out += [int(x) for x in (task / "children").read_text().split()]
    return [p for p in out if "resource_tracker" not in Path(f"/proc/{p}/cmdline").read_text()]


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def finish(run: subprocess.Popen[str]) -> str:
    text, said = run.communicate(timeout=120)
    assert run.returncode == 0, said
    return text


@linux
def test_a_killed_worker_changes_no_row(fleet, whole, start, tmp_path):
    table = tmp_path / "rows.csv"
    run = start(str(fleet.folder), "--out", str(table), "--jobs", "2", cwd=fleet.folder.parent)
    wait_for(lambda: len(kept(tmp_path / "rows.csv.progress")) >= 4)
    victims = children(run.pid)
    assert 1 <= len(victims) <= 2
    for pid in victims:
        os.kill(pid, signal.SIGKILL)
    finish(run)
    assert table.read_bytes() == (whole / "all.csv").read_bytes()


@linux
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_an_ended_run_goes_on_with_the_same_rows(fleet, whole, start, tmp_path, how):
    table, progress = tmp_path / "rows.csv", tmp_path / "rows.csv.progress"
    run = start(str(fleet.folder), "--out", str(table), "--jobs", "2", cwd=fleet.folder.parent)
    wait_for(lambda: len(kept(progress)) >= 4)
    workers = children(run.pid)
    assert workers
    if how == signal.SIGINT:
        os.killpg(run.pid, how)  # as a terminal does
    else:
        os.kill(run.pid, how)
    _, said = run.communicate(timeout=60)
    before = kept(progress)
    assert not table.exists()
    if how != signal.SIGKILL:
        assert run.returncode == 130
        assert said.startswith(
            f"misfire: {len(before)} of 9 logs are done and kept; the same command with --resume"
        )
        assert "Traceback" not in said
        assert said.count("\n") <= 2
    wait_for(lambda: not any(map(alive, workers)), 20)
    again = start(str(fleet.folder), "--out", str(table), "--resume", cwd=fleet.folder.parent)
    finish(again)
    assert table.read_bytes() == (whole / "all.csv").read_bytes()
    after = kept(progress)
    assert after[: len(before)] == before
    assert len({e["key"] for e in after}) == len(after) == 9


def test_resume_does_nothing_again_but_what_has_changed(fleet, whole, start, tmp_path):
    (tmp_path / "rows.csv.progress").write_bytes((whole / "all.csv.progress").read_bytes())
    first, other = fleet.folder / "inline4" / "drive0.csv", fleet.folder / "no_engine.csv"
    here = tmp_path / "drive0.csv"
    here.write_bytes(first.read_bytes())
    (tmp_path / "engine.toml").write_bytes((fleet.folder / "inline4" / "engine.toml").read_bytes())
    finish(start(str(other), str(first), str(here), "--out", "rows.csv", "--resume", cwd=tmp_path))
    assert len(kept(tmp_path / "rows.csv.progress")) == 9 + 1


def test_a_new_run_sets_the_rows_of_the_old_one_aside(tmp_path):
    path = tmp_path / "p"
    p = Progress(path, resume=False)
    p.add("k", {"file": "a"})
    p.close()
    for resume, done in ((True, {"k": {"file": "a"}}), (False, {})):
        p = Progress(path, resume=resume)
        assert p.done == done
        p.close()
    assert json.loads((tmp_path / "p.old").read_text("utf-8").splitlines()[1])["row"] == {"file": "a"}


def test_a_progress_file_cut_anywhere_gives_its_whole_rows(tmp_path):
    path = tmp_path / "p"
    p = Progress(path, resume=False)
    for k in range(4):
        p.add(f"key{k}", {"file": f"ä{k}", "misfires": k})
    p.close()
    data = path.read_bytes()
    ends = [i + 1 for i, b in enumerate(data) if b == 10]
    for cut in range(ends[0], len(data) + 1):
        path.write_bytes(data[:cut])
        q = Progress(path, resume=True)
        lines = sum(e <= cut for e in ends) - 1
        # a line that lacks nothing but its end is whole
        assert len(q.done) in (lines, lines + (cut + 1 in ends))
        q.add("more", {"file": "z", "misfires": 9})
        q.close()
        back = Progress(path, resume=True)
        assert back.done == q.done
        assert "more" in back.done
        back.close()


def test_a_file_of_another_kind_is_not_overwritten(tmp_path):
    from misfire.errors import InputError

    path = tmp_path / "rows.csv.progress"
    path.write_text("dear diary\n", "utf-8")
    with pytest.raises(InputError, match="not a survey's progress file"):
        Progress(path, resume=False)
    assert path.read_text("utf-8") == "dear diary\n"


def test_a_job_that_ends_its_process_twice_is_given_up_and_the_others_are_done():
    jobs = ["{'n': 1}", "__import__('os')._exit(3)", "{'n': 2}", "{'n': 3}"]
    rows = dict(local(eval, jobs, 2))
    assert rows == {0: {"n": 1}, 1: None, 2: {"n": 2}, 3: {"n": 3}}


def test_an_error_of_the_tool_itself_ends_the_run_and_its_workers():
    with pytest.raises(ZeroDivisionError):
        list(local(eval, ["1/0", "{}"], 1))
