"""The same rows through a Dask cluster of two workers on this machine."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from misfire.cli import main

distributed = pytest.importorskip("distributed", reason="the fleet extra is not installed")


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
    import os
    import signal
    import threading

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
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    code = run(
        monkeypatch, str(fleet.folder), "--out", str(tmp_path / "r.csv"), "--scheduler", "tcp://127.0.0.1:9"
    )
    out, err = capsys.readouterr()
    assert code == 2
    assert err.count("\n") == 1
    assert "no Dask scheduler answers there" in err
    assert out == ""
