"""Whoever reads the output may leave early, as `| head` does: the command ends quietly and without an error code."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from misfire.cli.demo import demo_folder

DEMO = demo_folder()


@pytest.mark.parametrize(
    "words",
    [
        ["ready", str(DEMO / "before_channels.csv")],
        ["ready", str(DEMO / "before_channels.csv"), "--json", "-"],
        ["engines"],
        ["triage", "P0300", "P0303", "P0304", "--engine", "inline6"],
        ["inspect", "--guide"],
        ["--help"],
        ["ready", "--help"],
    ],
)
def test_a_reader_that_leaves_is_no_error(words: list[str]) -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "misfire", *words],
            stdout=write_end,
            stderr=subprocess.PIPE,
            timeout=120,
            check=False,
        )
    finally:
        os.close(write_end)
    assert (done.returncode, done.stderr) == (0, b"")


def test_without_a_reader_bad_input_is_still_an_error() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        words = [sys.executable, "-m", "misfire", "ready", "nowhere.csv"]
        done = subprocess.run(words, stdout=write_end, stderr=subprocess.PIPE, timeout=120, check=False)
    finally:
        os.close(write_end)
    assert done.returncode == 2
    assert b"nowhere.csv" in done.stderr
