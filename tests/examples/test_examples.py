"""Every script in examples/ runs, stays short, and says what its simulated truth says."""

from __future__ import annotations

import importlib.util
import json
import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest

FOLDER = Path(__file__).resolve().parents[2] / "examples"
SCRIPTS = sorted(p.name for p in FOLDER.glob("*.py"))


def main_of(name: str) -> Callable[..., None]:
    spec = importlib.util.spec_from_file_location(name.removesuffix(".py"), FOLDER / name)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.main  # type: ignore[no-any-return]


def test_each_script_is_short_and_named_in_the_readme() -> None:
    assert len(SCRIPTS) == 5
    listed = re.findall(r"^\| `(\w+\.py)", (FOLDER / "README.md").read_text("utf-8"), re.M)
    assert sorted(listed) == SCRIPTS
    for name in SCRIPTS:
        assert len((FOLDER / name).read_text("utf-8").splitlines()) < 40, name


def test_analyse_a_log(capsys: pytest.CaptureFixture[str]) -> None:
    # truth of that log: cylinder 5 misfires, 3 and 4 fire and are counted falsely
    main_of("analyse_a_log.py")()
    out = capsys.readouterr().out
    missed = {int(c): int(n) for c, n in re.findall(r"cylinder (\d): (\d+) of \d+ firings missed", out)}
    assert sorted(missed) == [1, 2, 3, 4, 5, 6]
    truth = json.loads((FOLDER.parent / "datasets" / "demo" / "two_faults_truth.json").read_text("utf-8"))[
        "misfires"
    ]
    # four of five is a floor for an example, our own choice; tests of the decision ask for more
    assert 0.8 * truth["5"] <= missed[5] <= truth["5"] + 1
    assert missed[3] <= 1
    assert missed[4] <= 1
    assert "True misfire in cylinder 5" in out.splitlines()[0]


def test_judge_a_relearn(capsys: pytest.CaptureFixture[str]) -> None:
    main_of("judge_a_relearn.py")()
    assert capsys.readouterr().out.splitlines()[0] == "cleared"


def test_read_a_waveform(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    target = tmp_path / "waveform.csv"
    main_of("read_a_waveform.py")(str(target))
    out = capsys.readouterr().out
    assert target.read_text("utf-8").startswith("time_s,crank_v\n")
    edges = re.search(r"(\d+) edges read, (\d+) simulated", out)
    assert edges is not None
    # the record may cut the first and the last edge or two
    assert 0 <= int(edges[2]) - int(edges[1]) <= 4
    # order 1-3-4-2: 2 and 3 are companions, and a waveform without cam cannot part them
    assert "cylinders 2 or 3" in out
    assert "cam signal" in out


def test_draw_one_figure(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    target = tmp_path / "figure.html"
    main_of("draw_one_figure.py")(str(target))
    assert f"wrote {target}" in capsys.readouterr().out
    page = target.read_text("utf-8")
    assert "lost work [0 normal, 1 none]" in page
    assert '"name":"misfire"' in page
    assert "<script src=" not in page


def test_simulate_a_fault(capsys: pytest.CaptureFixture[str]) -> None:
    main_of("simulate_a_fault.py")()
    out = capsys.readouterr().out
    rows = {
        int(c): (int(true), int(found))
        for c, true, found in re.findall(r"cylinder (\d): (\d+) misfires in truth, (\d+) found", out)
    }
    assert sorted(rows) == list(range(1, 9))
    assert rows[3][0] > 30
    assert all(true == 0 for c, (true, _) in rows.items() if c != 3)
    for true, found in rows.values():
        assert abs(true - found) <= 1


def test_the_case_study_is_what_its_command_makes(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    main_of("case_study/make.py")(str(tmp_path))
    assert "5 pictures" in capsys.readouterr().out
    made, kept = tmp_path / "README.md", FOLDER / "case_study" / "README.md"
    again = "the analysis has changed: run python examples/case_study/make.py and read what it wrote"
    # words to the letter; numbers may drift by a twentieth before the pictures and the table must be made again
    number = r"\b\d+(?:\.\d+)?\b"
    texts = [p.read_text("utf-8") for p in (made, kept)]
    assert re.sub(number, "N", texts[0]) == re.sub(number, "N", texts[1]), again
    now, then = ([float(x) for x in re.findall(number, t)] for t in texts)
    assert now == pytest.approx(then, rel=0.05, abs=1), again
    shown = re.findall(r"!\[.+\]\(([\w-]+\.svg)\)", kept.read_text("utf-8"))
    assert len(shown) == 5
    for name in shown:
        for folder in (tmp_path, FOLDER / "case_study"):
            root = ElementTree.parse(folder / name).getroot()
            assert root.tag == "{http://www.w3.org/2000/svg}svg"
            marks = [p for p in root.iter("{http://www.w3.org/2000/svg}path") if p.get("class") == "m"]
            assert sum((p.get("d") or "").count("M") for p in marks) > 10, name
    # truth of the demonstration: nobody misfires, 3 and 4 are counted falsely
    truth = json.loads((FOLDER.parent / "datasets" / "demo" / "before_truth.json").read_text("utf-8"))
    rows = dict(re.findall(r"^\| (\d) \| \d+ \| (\d+) \|", made.read_text("utf-8"), re.M))
    assert {c: int(k) for c, k in rows.items()} == truth["misfires"]
