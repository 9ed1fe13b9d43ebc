"""Page, terminal and JSON of one command hold the same numbers: the three are parsed and compared."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from statsmodels.stats.proportion import proportion_confint

from misfire.cli import main
from misfire.cli.demo import demo_folder
from misfire.report.words import number, span

DEMO = demo_folder()


class Tables(HTMLParser):
    """The tables of a page as lists of rows of cells."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[list[list[str]]] = []
        self._cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.found.append([])
        elif tag == "tr":
            self.found[-1].append([])
        elif tag in ("th", "td"):
            self.found[-1][-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("th", "td"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        if self._cell:
            self.found[-1][-1][-1] += data


def run(
    words: list[str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[dict, list[list[list[str]]]]:
    made = ["--json", str(folder / "r.json"), "--report", str(folder / "r.html")]
    monkeypatch.setattr("sys.argv", ["misfire", *words, *made, "--engine", str(DEMO / "engine.toml")])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code in (0, None)
    tables = Tables()
    tables.feed((folder / "r.html").read_text("utf-8"))
    return json.loads((folder / "r.json").read_text("utf-8")), tables.found


def whole(text: str) -> int:
    return int(text.replace(",", ""))


def fact(page: str, name: str) -> str:
    """The value beside a name in the page's lists of facts."""
    found = re.search(rf"<dt>{name}</dt><dd><bdi>([^<]*)</bdi>", page)
    assert found is not None, name
    return found[1]


def test_analyse(monkeypatch, capsys, tmp_path):
    words = ["analyse", str(DEMO / "two_faults.csv.gz"), "--counts", str(DEMO / "two_faults_counts.csv")]
    result, tables = run(words, tmp_path, monkeypatch)
    text = capsys.readouterr().out
    page = (tmp_path / "r.html").read_text("utf-8")
    on_page = {r[0]: r for r in next(t for t in tables if "Misfires found" in t[0])[1:]}
    intervals = {r[0]: r for r in next(t for t in tables if "Misfires found (%)" in t[0])[1:]}
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if line.split()[:2] == ["cyl", "firings"])
    for c in result["cylinders"]:
        row = on_page[str(c["cylinder"])]
        shown = next(line.split() for line in lines[head:] if line.split()[:1] == [row[0]])
        assert whole(shown[1]) == whole(row[1]) == c["firings"]
        assert whole(shown[2]) == whole(row[2]) == c["misfires"]
        assert shown[3] == row[3]
        assert float(row[3]) == pytest.approx(c["rate_pct"], rel=5e-3, abs=1e-9)
        assert " ".join(shown[4:7]) == row[4]
        low, high = (float(x) for x in row[4].split(" to "))
        assert [low, high] == pytest.approx(c["rate_ci95_pct"], rel=5e-3, abs=1e-9)
        assert whole(shown[7]) == whole(row[5]) == c["misfires_uncorrected"]
        assert whole(shown[8]) == whole(row[6]) == c["reported"]
        assert whole(shown[9]) == whole(row[7]) == c["partial"]
        assert float(row[8]) == pytest.approx(c["mean_lost_work"], abs=6e-4)
        assert whole(row[9]) == c["unusable"]
        ends = proportion_confint(c["reported"], c["firings"] + c["unusable"], method="beta")
        assert c["reported_ci95_pct"] == pytest.approx([100 * x for x in ends], abs=1e-9)
        for k, key in enumerate(("rate_ci95_pct", "uncorrected_ci95_pct", "reported_ci95_pct")):
            assert intervals[row[0]][k + 1] == span(c[key])
    assert sum(c["misfires"] for c in result["cylinders"]) > 50
    one_line, log, signal = " ".join(text.split()), result["log"], result["signal"]
    edges, turns, low, high = (
        whole(x)
        for x in re.findall(r"Log: ([\d,]+) edges, ([\d,]+) turns, .* s, ([\d,]+) to ([\d,]+) rpm", one_line)[
            0
        ]
    )
    assert edges == whole(fact(page, "Edges")) == log["edges"]
    assert turns == whole(fact(page, "Turns")) == round(log["turns"])
    assert f"{low:,} to {high:,} rpm" in fact(page, "Speed")
    assert (low, high) == (round(log["speed_rpm"]["min"]), round(log["speed_rpm"]["max"]))
    said = re.search(r"Signal: ([\d,]+) edges too many, ([\d,]+) lost, ([\d,]+) turns set aside", one_line)
    assert said is not None
    for shown, name, key in zip(
        said.groups(),
        ("Edges too many", "Edges lost", "Turns set aside"),
        ("extra_edges", "lost_edges", "turns_set_aside"),
        strict=True,
    ):
        assert whole(shown) == whole(fact(page, name)) == signal[key]
    unusable = re.search(r"([\d,]+) firings not usable", one_line)
    assert unusable is not None
    assert whole(unusable[1]) == sum(c["unusable"] for c in result["cylinders"])
    headline = result["verdict"]["headline"]
    assert headline in " ".join(text.split())
    assert headline.replace("'", "&#x27;") in page
    for f in result["verdict"]["findings"]:
        sure = f"{100 * f['confidence']:.1f} %"
        assert sure in text
        assert sure in page


def test_compare(monkeypatch, capsys, tmp_path):
    words = ["compare", str(DEMO / "before.csv.gz"), str(DEMO / "after.csv.gz")]
    words += [
        "--counts-before",
        str(DEMO / "before_counts.csv"),
        "--counts-after",
        str(DEMO / "after_counts.csv"),
    ]
    result, tables = run(words, tmp_path, monkeypatch)
    text = " ".join(capsys.readouterr().out.split())
    page = (tmp_path / "r.html").read_text("utf-8")
    on_page = {r[0]: r for r in next(t for t in tables if "Misfires before" in t[0])[1:]}
    for c in result["cylinders"]:
        row = on_page[str(c["cylinder"])]
        b, a, like = c["before"], c["after"], c["at_like_speed_and_load"]
        assert row[2].replace(",", "") == f"{b['misfires']} of {b['firings']}"
        assert row[3].replace(",", "") == f"{a['misfires']} of {a['firings']}"
        assert row[5].replace(",", "") == f"{b['reported']} \u2192 {a['reported']}"
        ratio = re.search(
            rf"\b{c['cylinder']} [\d,]+ \(\d+\) [\d,]+ [\d,]+ \(\d+\) [\d,]+ \w+ ([\d.]+|\u2013)", text
        )
        assert ratio is not None
        assert ratio[1] == row[6]
        assert (
            row[6] == "\u2013" if c["ratio"] is None else float(row[6]) == pytest.approx(c["ratio"], rel=5e-3)
        )
        # the terminal writes count and, where counts of the controller are judged, the true ones in brackets
        said = rf"\b{b['reported']} \({b['misfires']}\) {b['reported_firings']}\b"
        assert re.search(said, text.replace(",", "")), row
        assert row[9] == f"{number(like['before_pct'])} \u2192 {number(like['after_pct'])}"
    assert result["verdict"]["headline"] in text
    assert result["verdict"]["headline"] in page


def test_no_true_misfire_is_said_with_the_same_number(monkeypatch, capsys, tmp_path):
    words = ["analyse", str(DEMO / "before.csv.gz"), "--counts", str(DEMO / "before_counts.csv")]
    result, _ = run(words, tmp_path, monkeypatch)
    said = re.compile(r"No true misfire: 0 of ([\d,]+) judged firings failed")
    counts = [said.search(t) for t in (capsys.readouterr().out, (tmp_path / "r.html").read_text("utf-8"))]
    judged = sum(c["firings"] for c in result["cylinders"])
    assert [whole(m[1]) for m in counts if m] == [judged, judged]
