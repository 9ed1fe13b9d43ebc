"""Outputs are written whole or not at all; progress shows on a terminal and nowhere else."""

from __future__ import annotations

import os
import pty
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from misfire.cli.output import write_text, write_whole
from misfire.cli.ticker import line, ticker
from misfire.errors import InputError
from misfire.intake import progress
from misfire.simulate import load_scenario, simulate

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "datasets" / "demo"
ANALYSE = ["analyse", str(DEMO / "before.csv.gz"), "--engine", str(DEMO / "engine.toml")]


def start(*args: str, **given: object) -> subprocess.Popen[bytes]:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen([sys.executable, "-m", "misfire", *args], env=env, **given)  # type: ignore[call-overload]


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path):
    """A limit on the size of files stands in for the full disk: the write fails half way in the same manner."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(InputError, match=r"cannot be written .*free space"):
            write_text(tmp_path / "result.json", "x" * 5000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, old)
    assert list(tmp_path.iterdir()) == []


def test_a_simulation_writes_all_its_files_or_none(tmp_path: Path):
    done = simulate(load_scenario("dead_cylinder_i4"))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(InputError, match="cannot be written"):
            done.write(tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, old)
    assert list((tmp_path / "out").iterdir()) == []
    assert {p.name for p in done.write(tmp_path / "out")} == {p.name for p in (tmp_path / "out").iterdir()}


def test_what_was_there_stays_when_the_writing_fails(tmp_path: Path):
    target = tmp_path / "result.json"
    target.write_text("old")

    def half(path: Path) -> None:
        path.write_text("ne")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(target, half)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["result.json"]


def test_a_device_is_written_to_and_never_replaced(tmp_path: Path):
    write_text("/dev/null", "x")
    assert Path("/dev/null").is_char_device()
    with pytest.raises(InputError, match="No space left"):
        write_text("/dev/full", "x")
    (tmp_path / "real.json").write_text("old")
    (tmp_path / "link.json").symlink_to(tmp_path / "real.json")
    write_text(tmp_path / "link.json", "new")
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_text() == "new"


def test_a_standard_output_that_is_full_is_one_line():
    with open("/dev/full", "wb") as full:
        done = start("engines", "--json", "-", stdout=full, stderr=subprocess.PIPE)
        _, err = done.communicate(timeout=60)
    assert done.returncode == 2
    assert err.decode().count("\n") == 1
    assert b"No space left" in err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_run_leaves_nothing_behind(tmp_path: Path, number: signal.Signals):
    """Stopped while the events are being written: the pipe below keeps the writer waiting there."""
    code = (
        "import sys, time\n"
        "import misfire.cli.output as o\n"
        "from misfire.cli import main\n"
        "def slow(target, events):\n"
        "    def fill(p):\n"
        "        p.write_text('half'); print('writing', file=sys.stderr, flush=True); time.sleep(60)\n"
        "    o.write_whole(target, fill)\n"
        "o.write_events = slow\n"
        f"sys.argv = ['misfire', *{ANALYSE!r}, '--events', {str(tmp_path / 'events.csv')!r}]\n"
        "main()\n"
    )
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.Popen(
        [sys.executable, "-c", code], env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert done.stderr is not None
    assert b"writing" in done.stderr.readline()
    done.send_signal(number)
    _, err = done.communicate(timeout=60)
    assert done.returncode == 130
    assert err.decode() == "misfire: stopped\n"
    assert list(tmp_path.iterdir()) == []


def test_the_line_of_progress():
    assert line("reading log.csv", 0.427, 12.3) == "reading log.csv  43 %, 12 s"
    assert line("reading \x1b[31mred", None, 1.0) == "reading ?[31mred, 1 s"
    assert len(line("x" * 300, 1.0, 99999.0)) < 80


def test_progress_on_a_terminal_only(capfd: pytest.CaptureFixture[str]):
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as terminal:
        assert terminal.isatty()
        with ticker(terminal, first_s=0.0):
            progress.step("reading log.csv", 0.25)
            time.sleep(1.5)
    shown = os.read(master, 4096).decode()
    os.close(master)
    assert "reading log.csv  25 %" in shown
    # taken away at the end
    assert shown.rstrip(" ").endswith("\r")
    with ticker(first_s=0.0):
        time.sleep(0.5)
    assert capfd.readouterr() == ("", "")
