"""The pages in a real browser: drawn, silent, without requests, nothing cut off, whole on paper.

Needs playwright and Debian's chromium; without them these tests skip and say so. The accessibility rules are those
of axe-core, whose script axe-playwright-python carries.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from misfire.cli.demo import demo
from misfire.intake.counts import Counts
from misfire.pipeline import AnalyseOptions, analyse
from misfire.report import analysis_page, comparison_page, survey_page
from misfire.simulate import load_scenario, simulate
from tests.report.samples import KINDS

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None:
    pytest.skip("no chromium on this machine", allow_module_level=True)

HOSTILE = "</script><script>window.hit=1</script><img src=x onerror='window.hit=1'>\u202etxet"
WIDTHS = (375, 768, 1440)

# Text that leaves the window, words in a drawing that leave it or lie on each other. Boxes that scroll on
# purpose are left out.
PROBE = """() => {
 const out = [], wide = document.documentElement.clientWidth;
 if (document.documentElement.scrollWidth > wide) out.push("page wider than the window");
 for (const e of document.querySelectorAll("h1,h2,h3,p,li,dt,dd,summary,caption,button,.answer,.plot")) {
  if (e.closest(".scroll") || e.closest("svg") || e.closest("details:not([open]) > :not(summary)")) continue;
  const r = e.getBoundingClientRect();
  if (r.width && (r.right > wide + 1 || r.left < -1)) out.push("outside: " + e.textContent.slice(0, 60));
  if (r.width && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflow === "hidden")
   out.push("cut off: " + e.textContent.slice(0, 60));
 }
 for (const plot of document.querySelectorAll(".plot")) {
  const box = plot.getBoundingClientRect(), labels = [];
  for (const t of plot.querySelectorAll("text")) {
   const r = t.getBoundingClientRect();
   if (!r.width || !t.textContent.trim()) continue;
   if (r.left < box.left - 1 || r.right > box.right + 1 || r.top < box.top - 1 || r.bottom > box.bottom + 1)
    out.push(plot.id + " cut off: " + t.textContent);
   for (const [q, text] of labels)
    if (r.left < q.right - 1 && q.left < r.right - 1 && r.top < q.bottom - 3 && q.top < r.bottom - 3)
     out.push(plot.id + " overlap: " + text + " / " + t.textContent);
   labels.push([r, t.textContent]);
  }
 }
 return out;
}"""
# Marks (subpaths and boxes of what was drawn from data) in the one picture of each figure that is shown.
POINTS = """() => Object.fromEntries([...document.querySelectorAll(".plot")].map(p => {
 const shown = [...p.querySelectorAll("svg")].filter(s => s.getBoundingClientRect().width > 0);
 if (shown.length !== 1) return [p.id, -shown.length];
 const marks = e => e.tagName === "rect" ? 1 : e.getAttribute("d").split("M").length - 1;
 return [p.id, [...shown[0].querySelectorAll(".m")].reduce((n, e) => n + marks(e), 0)];
}))"""


@pytest.fixture(scope="module")
def samples() -> ModuleType:
    path = Path(__file__).parents[1] / "report" / "samples.py"
    spec = importlib.util.spec_from_file_location("report_samples", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as p:
        launched = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--headless"])
        yield launched
        launched.close()


class Opened:
    """A page that was opened from disk; everything that it said or asked for is kept."""

    def __init__(self, browser: Any, file: Path, width: int = 1440) -> None:
        self.page = browser.new_page(viewport={"width": width, "height": 900})
        self.said: list[str] = []
        self.page.on("console", lambda m: self.said.append(m.text))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on("request", self._asked)
        self.own = file.as_uri()
        self.page.goto(self.own)

    def _asked(self, request: Any) -> None:
        if request.url != self.own and not request.url.startswith(("data:", "blob:")):
            self.said.append(f"request to {request.url}")


@pytest.fixture(scope="module")
def plain(samples: ModuleType, browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """The page of a misfire, opened once for the tests that only look at it."""
    file = tmp_path_factory.mktemp("plain") / "report.html"
    file.write_text(analysis_page(*samples.sample("misfire"), samples.JOB), "utf-8")
    opened = Opened(browser, file)
    yield opened
    opened.page.close()


@pytest.fixture(scope="module")
def eight(samples: ModuleType, browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """The page of an engine of eight cylinders."""
    file = tmp_path_factory.mktemp("eight") / "report.html"
    file.write_text(analysis_page(*samples.sample("misfire", 8), samples.JOB), "utf-8")
    opened = Opened(browser, file, 375)
    yield opened
    opened.page.close()


def check(opened: Opened) -> None:
    assert opened.said == []
    for width in WIDTHS:
        opened.page.set_viewport_size({"width": width, "height": 900})
        points = opened.page.evaluate(POINTS)
        assert points
        assert all(n > 3 for n in points.values()), points
        assert opened.page.evaluate(PROBE) == [], f"at {width} px"
    assert opened.said == []


@pytest.mark.parametrize("kind", KINDS)
def test_analysis_page(samples: ModuleType, browser: Any, tmp_path: Path, kind: str) -> None:
    file = tmp_path / "report.html"
    file.write_text(analysis_page(*samples.sample(kind), samples.JOB), "utf-8")
    opened = Opened(browser, file, 375)
    check(opened)
    opened.page.close()


# scenario -> what its page answers; the demonstration has the wheel alone and a wheel with a misfire
SHIPPED = {
    "driveline_judder_i4": "driveline",
    "limp_mode_i4": "controller may have shut them off",
    "leak_fired_and_motored_i5": "Weak cylinder",
    "lost_edges_v8": "signal is disturbed",
    "partial_burn_i3": "every cylinder fires",
}


@pytest.mark.parametrize("scenario", SHIPPED)
def test_pages_of_simulated_logs(browser: Any, tmp_path: Path, scenario: str) -> None:
    """The longest texts that the analysis itself writes for each cause, on screen at three widths and on paper."""
    done = simulate(load_scenario(scenario))
    counts = Counts(dict(done.counts), dict(done.counts), "during_log", True) if done.counts else None
    found = analyse(done.recording, AnalyseOptions(done.engine), channels=[done.channels], counts=counts)
    result = found.to_dict()
    assert SHIPPED[scenario].lower() in result["verdict"]["headline"].lower()
    file = tmp_path / "report.html"
    file.write_text(analysis_page(result, found.events), "utf-8")
    opened = Opened(browser, file, 375)
    check(opened)
    on_paper(opened, "A4")
    opened.page.close()


def test_pages_of_the_demonstration(browser: Any, tmp_path: Path) -> None:
    """Real numbers, not a sample's: what `misfire demo` writes."""
    demo(tmp_path)
    for name in ("demo_before.html", "demo_compare.html"):
        opened = Opened(browser, tmp_path / name, 375)
        check(opened)
        opened.page.close()


def test_eight_cylinders(eight: Opened) -> None:
    check(eight)


@pytest.mark.parametrize("answer", ["not_proven", "misfire_remains"])
def test_comparison_page(samples: ModuleType, browser: Any, tmp_path: Path, answer: str) -> None:
    file = tmp_path / "report.html"
    file.write_text(comparison_page(*samples.comparison(answer), samples.JOB), "utf-8")
    opened = Opened(browser, file, 375)
    check(opened)
    opened.page.close()


def test_hostile_text_is_text(samples: ModuleType, browser: Any, tmp_path: Path) -> None:
    result, events = samples.sample("misfire")
    events["cylinder"] = events["cylinder"].astype(object).replace({2: HOSTILE, 4: "W" * 500})
    result["cylinders"][1]["cylinder"] = HOSTILE
    result["cylinders"][3]["cylinder"] = "W" * 500
    result["verdict"]["headline"] = HOSTILE + "W" * 300
    result["verdict"]["evidence"][0]["name"] = HOSTILE
    result["assumptions"] = [HOSTILE]
    result["inputs"][0]["file"] = HOSTILE
    file = tmp_path / "report.html"
    file.write_text(analysis_page(result, events, {"number": HOSTILE, HOSTILE: "W" * 300}), "utf-8")
    opened = Opened(browser, file, 375)
    assert opened.said == []
    assert opened.page.evaluate("window.hit") is None
    assert "<img src=x" in opened.page.inner_text(".headline")
    assert opened.page.evaluate("document.querySelectorAll('img').length") == 0
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 375
    # The whole of a name does not fit a drawing; what fits is shown as it is written.
    assert "</script>" in (opened.page.text_content("#plot-distribution") or "")
    opened.page.close()


def test_counts_on_screen_are_those_of_the_json(samples: ModuleType, plain: Opened) -> None:
    result, _ = samples.sample("misfire")
    rows = plain.page.locator("#counts tbody tr").all_inner_texts()
    for row, c in zip(rows, result["cylinders"], strict=True):
        shown = row.replace(",", "").split("\t")
        assert shown[1:3] == [str(c["firings"]), str(c["misfires"])]
        assert shown[5:7] == [str(c["misfires_uncorrected"]), "–"]


def test_both_schemes_are_readable(plain: Opened) -> None:
    page = plain.page
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        for part in ("body", ".answer .word", "figcaption p", "a.skip", ".plot text", "summary"):
            own = "fill" if "text" in part else "color"
            back = ground
            if part == "a.skip":
                back = page.evaluate("getComputedStyle(document.querySelector('a.skip')).backgroundColor")
            ink = page.evaluate(f"getComputedStyle(document.querySelector({part!r})).{own}")
            # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
            assert contrast(ink, back) >= 4.5, (scheme, part, ink, back)
        assert contrast(ground, "rgb(255, 255, 255)") > 10 or scheme == "light"
    page.emulate_media(color_scheme="light")


def contrast(one: str, two: str) -> float:
    """Contrast ratio of two CSS rgb() colours, WCAG 2.2 definition of relative luminance."""

    def light(text: str) -> float:
        rgb = [int(v) / 255 for v in re.findall(r"\d+", text)[:3]]
        lin = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in rgb]
        return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]

    a, b = sorted((light(one), light(two)))
    return (b + 0.05) / (a + 0.05)


def on_paper(opened: Opened, paper: str) -> None:
    """Set the page as a printer does; every figure is whole, nothing leaves the paper."""
    # Width and height inside margins of 12 mm, in CSS px.
    wide, high = {"A4": (703, 1031), "Letter": (725, 965)}[paper]
    opened.page.emulate_media(media="print")
    opened.page.set_viewport_size({"width": wide, "height": high})
    tall = opened.page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('figure')].map(f => [f.id, f.offsetHeight]))"
    )
    assert max(tall.values()) <= high, tall
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= wide
    points = opened.page.evaluate(POINTS)
    assert all(n > 3 for n in points.values()), points
    assert opened.page.evaluate(PROBE) == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_has_every_figure_whole(eight: Opened, paper: str) -> None:
    opened = eight
    # tables that a reader opened on the screen stay off the paper, where they would not fit
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => {d.open = true})")
    on_paper(opened, paper)
    pdf = opened.page.pdf(format=paper)
    streams = [zlib_or_empty(s) for s in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.S)]
    assert sum(len(s) for s in streams) > 50_000  # the drawings are vectors in it
    # our own aim: a report that a customer leafs through; each figure one above the other took 11 to 13
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 8
    left = opened.page.evaluate(
        "new Set([...document.querySelectorAll('figure')].map(f => f.offsetLeft)).size"
    )
    assert left == 2, "figures stand two abreast"
    opened.page.emulate_media(media="screen")


def zlib_or_empty(data: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(data)
    except zlib.error:
        return b""


def test_page_with_every_figure_is_open_in_under_three_seconds(plain: Opened) -> None:
    # the aim of the issue; the pictures are part of the page, so its load event has all of them. The best of
    # three: what else the machine does is not the page's doing.
    took = []
    for _ in range(3):
        plain.page.reload()
        took.append(plain.page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd"))
    assert 0 < min(took) < 3000, took
    assert all(n > 3 for n in plain.page.evaluate(POINTS).values())


def test_a_figure_opens_for_a_closer_look_and_closes_again(
    samples: ModuleType, browser: Any, tmp_path: Path
) -> None:
    file = tmp_path / "report.html"
    file.write_text(analysis_page(*samples.sample("misfire"), samples.JOB), "utf-8")
    opened = Opened(browser, file)
    page, figure = opened.page, opened.page.locator("figure#strips")
    assert page.evaluate("typeof window.Plotly") == "undefined"
    figure.get_by_role("button").focus()
    page.keyboard.press("Enter")
    figure.locator(".live .main-svg").first.wait_for(timeout=60_000)
    assert figure.locator(".live .points path").count() > 100
    assert not figure.locator(".plot").is_visible()
    page.emulate_media(media="print")
    assert figure.locator(".plot").is_visible()
    assert not figure.locator(".live").is_visible()
    page.emulate_media(media="screen")
    figure.get_by_role("button", name="Back to the picture").click()
    assert figure.locator(".plot").is_visible()
    assert figure.locator(".live").count() == 0
    assert opened.said == []
    page.close()


def test_the_page_is_whole_without_scripts(samples: ModuleType, browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(analysis_page(*samples.sample("pattern"), samples.JOB), "utf-8")
    page = browser.new_page(java_script_enabled=False, viewport={"width": 1440, "height": 900})
    page.goto(file.as_uri())
    for svg in page.locator(".plot svg.wide").all():
        box = svg.bounding_box()
        assert box["width"] > 900
        assert box["height"] > 150
    assert not page.locator(".closer").first.is_visible()
    page.close()


def test_keyboard_reaches_answer_and_tables(plain: Opened) -> None:
    page = plain.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    seen = set()
    for _ in range(25):
        page.keyboard.press("Tab")
        seen.add(page.evaluate("document.activeElement.tagName + document.activeElement.className"))
    assert {"DIVscroll", "SUMMARY"} <= seen


@pytest.mark.parametrize("kind", ["misfire", "pattern", "undetermined", "sensor", "comparison", "survey"])
def test_no_serious_accessibility_fault(samples: ModuleType, browser: Any, tmp_path: Path, kind: str) -> None:
    axe = importlib.util.find_spec("axe_playwright_python")
    if axe is None or not axe.submodule_search_locations:
        pytest.skip("axe-playwright-python, which carries the axe-core script, is not installed")
    rules = (Path(axe.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8")
    file = tmp_path / "report.html"
    if kind == "comparison":
        page = comparison_page(*samples.comparison(), samples.JOB)
    elif kind == "survey":
        page = survey_page(samples.survey_rows())
    else:
        page = analysis_page(*samples.sample(kind), samples.JOB)
    file.write_text(page, "utf-8")
    opened = Opened(browser, file)
    opened.page.evaluate("document.querySelectorAll('details').forEach(d => {d.open = true})")
    opened.page.evaluate(rules)
    for scheme in ("light", "dark"):
        opened.page.emulate_media(color_scheme=scheme)
        # colours alone differ in the dark
        only = "{runOnly: ['color-contrast']}" if scheme == "dark" else "{}"
        found = opened.page.evaluate(f"axe.run(document, {only}).then(r => r)")
        assert len(found["passes"]) >= (1 if scheme == "dark" else 15), "the rules did run"
        serious = [
            (v["id"], v["nodes"][0]["html"][:120])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert serious == [], scheme
    opened.page.close()


def test_axe_sees_a_fault(browser: Any) -> None:
    """The test above can fail: text without contrast and an image without a name are reported."""
    axe = importlib.util.find_spec("axe_playwright_python")
    if axe is None or not axe.submodule_search_locations:
        pytest.skip("axe-playwright-python, which carries the axe-core script, is not installed")
    page = browser.new_page()
    page.set_content("<main><p style='color:#eee;background:#fff'>faint</p><div role='img'></div></main>")
    page.evaluate((Path(axe.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8"))
    found = {v["id"] for v in page.evaluate("axe.run().then(r => r.violations)")}
    assert {"color-contrast", "role-img-alt"} <= found
    page.close()


@pytest.mark.parametrize("count", [0, 1, 400])
def test_survey_page(samples: ModuleType, browser: Any, tmp_path: Path, count: int) -> None:
    file = tmp_path / "survey.html"
    file.write_text(survey_page(samples.survey_rows(count)), "utf-8")
    opened = Opened(browser, file, 375)
    for width in WIDTHS:
        opened.page.set_viewport_size({"width": width, "height": 900})
        assert opened.page.evaluate(PROBE) == [], f"at {width} px"
    assert opened.said == []
    assert opened.page.evaluate("window.hit") is None
    opened.page.close()
