"""A fixed sample of bad inputs, through the command line in this process; many more by `python -m tests.robustness`.

Each one ends in a result with every file that was asked for, or in one clear line with exit code 2 or 3: no
traceback, nothing longer than 10 s, nothing above 2 GB, no partial file, nothing from the input that acts.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.robustness.good import every_kind
from tests.robustness.mutations import PLACES
from tests.robustness.run import Bench, Case, call, faults, run

INPUTS = 100


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))


def test_a_fixed_sample_of_bad_inputs(bench: Bench):
    done = run(bench, 0, INPUTS)
    assert done["faults"] == {}
    # the sample holds both: inputs that are refused, and ones that are still answered
    assert done["ends"]["refused"] > 0.3 * INPUTS
    assert done["ends"]["answered"] > 0.1 * INPUTS


@pytest.mark.parametrize("number", [103011, 300409, 302361, 502160, 503065])
def test_inputs_that_once_broke_a_command(bench: Bench, number: int):
    """A pattern without its wheel's positions, a log in which no level is known, tooth errors beyond any circle, short rows,
    a seed below nothing."""
    assert run(bench, number, 1)["faults"] == {}


def test_every_good_file_is_answered(bench: Bench):
    """What the bad ones are made from is good, so a refusal comes from the change."""
    for name in every_kind()["log"]:
        code, _, err, trace = call(["inspect", str(bench.good / name)])
        assert code == 0, (name, err, trace)


@pytest.mark.parametrize("place", [p for p in PLACES if p.__name__ not in ("bomb", "long_line_of_cells")])
@pytest.mark.parametrize("command", ["inspect", "channels", "engine", "counts", "pattern", "job"])
def test_what_is_no_file_of_rows(bench: Bench, command: str, place):
    bench.clear()
    file, result = bench.folder / "bad" / "file", bench.folder / "out" / "result.json"
    place(file)
    log, engine = str(bench.good / "times.csv"), str(bench.good / "engine.toml")
    if command == "inspect":
        args = ["inspect", str(file), "--json", str(result)]
    elif command == "engine":
        args = ["analyse", log, "--engine", str(file), "--json", str(result)]
    else:
        args = ["analyse", log, "--engine", engine, f"--{command}", str(file), "--json", str(result)]
    if command == "job" and place.__name__ == "empty":
        pytest.skip("an empty job file says nothing, and nothing is wrong with it")
    case = Case(f"{command} {place.__name__}", args, [result])
    assert faults(case, bench.folder / "out") == []
    assert not result.exists()


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no users on this system")
def test_an_unreadable_file(tmp_path: Path, bench: Bench):
    """As somebody else where the tests run as root, whom no permission stops."""
    file = tmp_path / "log.csv"
    file.write_text("time_s\n1\n2\n")
    file.chmod(0)
    root = os.geteuid() == 0
    for folder in (tmp_path, *tmp_path.parents):
        if root and not folder.stat().st_mode & stat.S_IXOTH:
            folder.chmod(folder.stat().st_mode | stat.S_IXOTH)
    if root:
        os.seteuid(65534)
    try:
        code, out, err, trace = call(["inspect", str(file)])
    finally:
        if root:
            os.seteuid(0)
    assert (code, out, trace) == (2, "", "")
    assert "Permission denied" in err


TEXT = st.text(st.characters(codec="utf-8"), max_size=60)
ROWS = st.lists(st.one_of(st.floats(), st.integers(), TEXT), max_size=12)


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    head=st.sampled_from(["time_s", "tick", "period_us,signal", "time_s,crank_v", "time_s;crank_v"]),
    rows=ROWS,
)
def test_rows_of_anything(bench: Bench, head: str, rows: list):
    bench.clear()
    file, result = bench.folder / "bad" / "log.csv", bench.folder / "out" / "result.json"
    file.write_text(head + "\n" + "".join(f"{r},{r}\n" for r in rows), "utf-8", errors="replace")
    case = Case("rows", ["inspect", str(file), "--json", str(result)], [result])
    assert faults(case, bench.folder / "out") == []


def test_what_a_file_says_becomes_neither_markup_nor_a_formula(bench: Bench):
    bench.clear()
    bad, out = bench.folder / "bad", bench.folder / "out"
    evil = "<script>alert(1)</script>"
    log = bad / "=cmd|' <img src=x onerror=alert(1)>.csv"
    log.write_bytes((bench.good / "times.csv").read_bytes())
    engine = bad / "engine.toml"
    engine.write_text((bench.good / "engine.toml").read_text().replace("shop car", evil))
    job = bad / "job.toml"
    job.write_text(f"customer = '=1+1'\nvehicle = '{evil}'\n'{evil}' = '{evil}'\n")
    files = [out / "r.json", out / "e.csv", out / "p.html"]
    args = ["analyse", str(log), "--engine", str(engine), "--job", str(job)]
    args += ["--json", str(files[0]), "--events", str(files[1]), "--report", str(files[2])]
    assert faults(Case("evil", args, files), out) == []
    page = files[2].read_text()
    assert "&lt;script&gt;alert(1)" in page
    assert "<img src=x" not in page


@pytest.mark.parametrize(
    ("option", "text", "message"),
    [
        ("--engine", "[engine]\nfiring_order = [1, 3, 4, 2]\nbor_mm = 80\n", "did you mean 'bore_mm'"),
        ("--engine", "[engine]\nfiring_order = [1, 3, 4, 2]\n[weel]\n", "did you mean 'wheel'"),
        ("--engine", "[engine]\nfiring_order = [1, 3, 4, 2]\nstroke_mm = 4000\n", "from 20 to 400"),
        (
            "--engine",
            "[engine]\nfiring_order = [1, 3, 4, 2]\n[cam]\nedges_after_tdc1_deg = [720]\n",
            "below 720",
        ),
        ("--channels", "time_s,colant_c\n0,80\n", "did you mean coolant_c"),
        ("--channels", "time_s,coolant_c\n0,800\n", "outside -60 to 200"),
        ("--channels", "time_s,load\n0,80\n", "did you mean load_pct"),
        ("--channels", "time_s,coolant\n0,80\n", "did you mean coolant_c or coolant_f"),
        ("--counts", "cylinder,misfire\n1,5\n", "'misfire' is unknown; did you mean misfires?"),
        ("--counts", "cylindr,misfires\n1,5\n", "'cylindr' is unknown; did you mean cylinder?"),
        ("--counts", "# montor_ran = yes\ncylinder,misfires\n1,5\n", "did you mean monitor_ran?"),
        ("--counts", "46 AD 0C 24 00 05 00 00 FF FF\n", "names cylinder 12"),
        ("--counts", "cylinder,misfires\n99,5\n", "from 1 to 16"),
        (
            "--pattern",
            '{"format": "misfire-pattern", "tooth_eror_deg": []}',
            "did you mean 'tooth_error_deg'",
        ),
        (
            "--pattern",
            '{"format": "misfire-pattern", "wheel": {"mising": []}}',
            "unknown key 'mising' in wheel; did you mean 'missing'?",
        ),
        (
            "--pattern",
            '{"format": "misfire-pattern", "wheel": {"positions": 2, "missing": []}, "tooth_error_deg": [0, 90], '
            '"tooth_error_sd_deg": [1, 1]}',
            "is 90; write degrees from -20 to 20",
        ),
        (
            "--pattern",
            '{"format": "misfire-pattern", "wheel": {"missing": []}, "tooth_error_deg": [0, 1], "tooth_error_sd_deg": [1, 1]}',
            "the pattern is incomplete ('positions')",
        ),
        (
            "--pattern",
            '{"format": "misfire-pattern", "wheel": {"positions": 3, "missing": []}, "tooth_error_deg": [0, 1], '
            '"tooth_error_sd_deg": [1, 1]}',
            "2 tooth errors for a wheel of 3 positions",
        ),
    ],
)
def test_unknown_keys_and_impossible_values(bench: Bench, option: str, text: str, message: str):
    bench.clear()
    file = bench.folder / "bad" / "file"
    file.write_text(text)
    args = [
        "analyse",
        str(bench.good / "times.csv"),
        "--engine",
        str(bench.good / "engine.toml"),
        option,
        str(file),
    ]
    code, out, err, trace = call(args)
    assert (code, out, trace) == (2, "", "")
    assert message in err
