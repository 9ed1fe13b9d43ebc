"""The same rows through a Dask cluster of two workers on this machine."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from misfire.cli import main

distributed = pytest.importorskip("distributed", reason="the fleet extra is not installed")


ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    logging.getLogger("distributed").setLevel(logging.ERROR)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        yield cluster.scheduler_address


def run(monkeypatch: pytest.MonkeyPatch, *args: str) -> object:
    monkeypatch.setattr("sys.argv", ["misfire", "survey", *args])
    with pytest.raises(SystemExit) as end:
        main()
    return end.value.code


def test_rows_are_those_of_the_local_pool(fleet, whole, address, monkeypatch, tmp_path):
    table = tmp_path / "rows.csv"
    monkeypatch.chdir(fleet.folder.parent)
    assert run(monkeypatch, str(fleet.folder), "--out", str(table), "--scheduler", address) in (0, None)
    assert table.read_bytes() == (whole / "all.csv").read_bytes()


def test_a_worker_killed_on_the_cluster_changes_no_row(fleet, whole, address, monkeypatch, tmp_path):
    table = tmp_path / "rows.csv"
    with distributed.Client(address, set_as_default=False) as client:
        pids = list(client.run(os.getpid).values())
    assert len(set(pids)) == 2

    def kill() -> None:
        progress = Path(f"{table}.progress")
        while not progress.exists() or progress.read_text("utf-8").count("\n") < 3:
            threading.Event().wait(0.02)
        os.kill(pids[0], signal.SIGKILL)

    killer = threading.Thread(target=kill, daemon=True)
    killer.start()
    assert run(monkeypatch, str(fleet.folder), "--out", str(table), "--scheduler", address) in (0, None)
    killer.join(10)
    assert not killer.is_alive()
    assert table.read_bytes() == (whole / "all.csv").read_bytes()


def test_no_scheduler_is_one_line(fleet, monkeypatch, capsys, tmp_path):
    code = run(
        monkeypatch, str(fleet.folder), "--out", str(tmp_path / "r.csv"), "--scheduler", "tcp://127.0.0.1:9"
    )
    out, err = capsys.readouterr()
    assert code == 2
    assert err.count("\n") == 1
    assert "no Dask scheduler answers there" in err
    assert out == ""


def test_a_scheduler_that_goes_away_is_one_line_and_the_rows_so_far_are_kept(
    fleet, whole, start, monkeypatch, tmp_path
):
    logging.getLogger("distributed").setLevel(logging.ERROR)
    table, progress = tmp_path / "rows.csv", tmp_path / "rows.csv.progress"
    args = [
        "--no-dashboard",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--scheduler-file",
        str(tmp_path / "s.json"),
    ]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", *args], **quiet)
    worker = None
    try:
        wait_for((tmp_path / "s.json").exists)
        address = json.loads((tmp_path / "s.json").read_text("utf-8"))["address"]
        command = [
            sys.executable,
            "-m",
            "distributed.cli.dask_worker",
            address,
            "--nworkers",
            "1",
            "--nthreads",
            "1",
        ]
        worker = subprocess.Popen([*command, "--no-dashboard"], env=ENVIRONMENT, **quiet)
        run = start(str(fleet.folder), "--out", str(table), "--scheduler", address, cwd=fleet.folder.parent)
        wait_for(lambda: progress.exists() and progress.read_text("utf-8").count("\n") >= 3)
        scheduler.kill()
        out, said = run.communicate(timeout=120)
        assert run.returncode == 2
        assert said.count("\n") == 1
        assert "went away" in said
        assert out == ""
        assert not table.exists()
        again = start(str(fleet.folder), "--out", str(table), "--resume", cwd=fleet.folder.parent)
        _, said = again.communicate(timeout=120)
        assert again.returncode == 0, said
        assert table.read_bytes() == (whole / "all.csv").read_bytes()
    finally:
        for process in (scheduler, worker):
            if process is not None:
                process.kill()
                process.wait()


def wait_for(what, seconds=60.0):
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)
