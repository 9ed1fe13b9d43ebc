"""The command `misfire simulate`, called as the function it is."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from misfire.errors import InputError

FILE = Path(__file__).parents[2] / "misfire" / "cli" / "simulate.py"


@pytest.fixture(scope="module")
def command():
    pytest.importorskip("misfire.cli.output")
    spec = importlib.util.spec_from_file_location("simulate_command", FILE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.simulate


def test_writes_what_it_says(command, tmp_path, capsys):
    target = tmp_path / "r.json"
    command(
        "random_misfire_i4", out=tmp_path / "log", seed=3, json_=str(target), waveform="hall", waveform_s=0.5
    )
    said = capsys.readouterr().out
    result = json.loads(target.read_text())
    assert result["format"] == "misfire-simulation"
    assert result["seed"] == 3
    for f in result["files"]:
        assert Path(f).stat().st_size > 50
        assert f"wrote {f}" in said
    truth = json.loads((tmp_path / "log" / "truth.json").read_text())
    assert truth["misfires"] == result["misfires"]
    assert result["misfires"]["3"] > 20
    head = (tmp_path / "log" / "counts.csv").read_text().splitlines()
    assert head[:2] == ["# monitor_ran = yes", "cylinder,misfires"]
    voltage = np.loadtxt(tmp_path / "log" / "waveform.csv", delimiter=",", skiprows=1)
    assert voltage[-1, 0] == pytest.approx(0.5, abs=1e-3)


def test_list(command, capsys):
    command(list_=True)
    assert "healthy_i4" in capsys.readouterr().out
    command(list_=True, json_="-")
    assert len(json.loads(capsys.readouterr().out)["scenarios"]) >= 20


def test_keys_and_a_file_to_start_from(command, tmp_path, capsys, monkeypatch):
    """What --show prints is a scenario file that gives the same log."""
    monkeypatch.chdir(tmp_path)
    command(keys=True)
    assert "`duration_s`" in capsys.readouterr().out
    command("launch_clutch_i4", show=True)
    (tmp_path / "mine.toml").write_text(capsys.readouterr().out, "utf-8")
    assert list(tmp_path.iterdir()) == [tmp_path / "mine.toml"]
    command("mine.toml", out=tmp_path / "a")
    command("launch_clutch_i4", out=tmp_path / "b")
    logs = [(tmp_path / x / "log.csv").read_text().splitlines()[1:] for x in "ab"]
    assert logs[0] == logs[1]


@pytest.mark.parametrize(
    ("kw", "match"),
    [
        ({}, "name a scenario"),
        ({"scenario": "nothing_like_it", "show": True}, "no such shipped scenario"),
        ({"scenario": "nothing_like_it"}, "no such scenario"),
        ({"scenario": "healthy_i4", "seed": -1}, "--seed -1"),
        ({"scenario": "healthy_i4", "waveform": "laser"}, "--waveform laser"),
    ],
)
def test_wrong_use(command, kw, match):
    with pytest.raises(InputError, match=match):
        command(**kw)
