"""The figure of lost work over speed and load: every cell in its place, its number where it fits, legible grounds."""

from __future__ import annotations

import copy
import itertools
import re
from types import ModuleType
from typing import Any

import pytest

from misfire.report.drawing import WIDTHS, pictures
from misfire.report.figures_map import LEAST, lost_work_map
from misfire.report.style import CSS, HOT, SHADES


def picture(result: dict[str, Any], width: str) -> str:
    figure = lost_work_map(result)
    assert figure.plot is not None
    one = re.search(rf'<svg class="{width}".*?</svg>', pictures(figure.plot, "map", figure.small), re.S)
    assert one is not None
    return one[0]


def boxes(svg: str) -> list[dict[str, str]]:
    return [dict(re.findall(r'([\w-]+)="([^"]*)"', r)) for r in re.findall(r'<rect class="m" ([^>]*)/>', svg)]


def numbers(svg: str) -> list[str]:
    """Words of the boxes: lost work with its point, or a cross with a share."""
    words = re.findall(r">([^<]*)</text>", svg)
    return [t for t in words if re.fullmatch(r"−?\d?\.\d\d|✕(<?\d+%)?", t.replace("&lt;", "<"))]


def cells(result: dict[str, Any], least: int = LEAST) -> list[dict[str, Any]]:
    return [c for c in result["lost_work_map"]["cells"] if c["firings"] >= least]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(("kind", "cylinders"), [("misfire", 4), ("weak", 6), ("clear", 8), ("places", 4)])
def test_each_cell_with_enough_firings_is_one_box(
    samples: ModuleType, kind: str, cylinders: int, width: str
) -> None:
    result, _ = samples.sample(kind, cylinders)
    drawn = boxes(picture(result, width))
    mine = cells(result)
    assert len(drawn) == len(mine) > 3 * cylinders
    assert len({(b["x"], b["y"]) for b in drawn}) == len(drawn)
    framed = [c for c in mine if c["misfires"] >= 0.01 * c["firings"]]
    assert sum(b.get("stroke") == HOT for b in drawn) == len(framed)
    assert bool(framed) == (kind in ("misfire", "places"))


@pytest.mark.parametrize(
    ("width", "across", "up"), [("wide", "speed_rpm", "load"), ("narrow", "load", "speed_rpm")]
)
def test_columns_and_rows_are_speeds_and_loads(samples: ModuleType, width: str, across: str, up: str) -> None:
    """More speed lies further right and more load higher up; on the phone it is the other way round."""
    result, _ = samples.sample("clear")
    one = [c for c in cells(result) if c["cylinder"] == 1]
    result["lost_work_map"]["cells"] = one
    drawn = boxes(picture(result, width))
    for (c, b), (d, e) in itertools.combinations(list(zip(one, drawn, strict=True)), 2):
        right, high = c[across][0] - d[across][0], c[up][0] - d[up][0]
        assert (float(b["x"]) - float(e["x"])) * right > 0 or right == 0
        assert (float(e["y"]) - float(b["y"])) * high > 0 or high == 0


def test_the_number_in_a_box_is_its_mean_and_under_it_the_share_of_misfires(samples: ModuleType) -> None:
    result, _ = samples.sample("misfire")
    shown = numbers(picture(result, "wide"))
    for c in cells(result):
        mean = f"{c['fired_lost_work']:.2f}".replace("-0.00", "0.00").replace("-", "−")
        assert mean in shown
    hit = [c for c in cells(result) if c["misfires"]]
    assert {c["cylinder"] for c in hit} == {3}
    said = sorted(f"✕{100 * c['misfires'] / c['firings']:.0f}%" for c in hit)
    assert sorted(t for t in shown if t[0] == "✕") == said


def test_an_eight_keeps_its_numbers_on_phone_and_paper(samples: ModuleType) -> None:
    """There the speeds stand upright, and a box holds one number: the misfires where there are some."""
    result, _ = samples.sample("weak", 8)
    narrow = numbers(picture(result, "narrow"))
    short = [f"{c['fired_lost_work'] + 0.0:.2f}".replace("-0.00", "0.00") for c in cells(result)]
    assert sorted(t.replace("−", "-") for t in narrow) == sorted(short)
    result, _ = samples.sample("misfire", 8)
    narrow = numbers(picture(result, "narrow"))
    hit = [c for c in cells(result) if c["misfires"]]
    assert sorted(t for t in narrow if t[0] == "✕") == sorted(
        f"✕{100 * c['misfires'] / c['firings']:.0f}%" for c in hit
    )
    assert len(narrow) == len(cells(result))


def test_where_not_even_that_fits_the_losses_keep_their_number(samples: ModuleType) -> None:
    result, _ = samples.sample("weak", 8)
    tight = [c for c in cells(result)]
    # six classes of load on a phone
    result["lost_work_map"]["cells"] = [
        c | {"load": [5 * k, 5 * k + 5], "speed_rpm": [750, 1250]}
        for c in tight
        for k in range(6)
        if c["speed_rpm"] == tight[0]["speed_rpm"] and c["load"] == tight[0]["load"]
    ]
    shown = numbers(picture(result, "narrow"))
    lossy = [c for c in cells(result) if c["fired_lost_work"] >= 0.05]
    assert sorted(shown) == sorted(f"{c['fired_lost_work']:.2f}".lstrip("0") for c in lossy)


def test_the_shade_follows_the_loss_and_mostly_misfires_have_the_strongest(samples: ModuleType) -> None:
    result, _ = samples.sample("clear")
    (first, *_) = cells(result)
    row = []
    for lost, missed in (
        (-0.3, 0),
        (0.049, 0),
        (0.05, 0),
        (0.2, 0),
        (0.3, 0),
        (0.7, 0),
        (0.0, 60),
        (None, 100),
    ):
        one = copy.deepcopy(first) | {"fired_lost_work": lost, "misfires": missed, "firings": 100}
        result["lost_work_map"]["cells"] = [one]
        (box,) = boxes(picture(result, "wide"))
        row.append(SHADES.index(box["fill"]))
    assert row == [0, 0, 1, 2, 3, 4, 4, 4]


def test_few_firings_stand_in_the_table_only(samples: ModuleType) -> None:
    result, _ = samples.sample("clear")
    few = result["lost_work_map"]["cells"][0]
    few["firings"] = LEAST - 1
    figure = lost_work_map(result)
    assert len(figure.tables[0].rows) == len(result["lost_work_map"]["cells"])
    assert len(boxes(picture(result, "wide"))) == len(cells(result)) < len(figure.tables[0].rows)
    for c in result["lost_work_map"]["cells"]:
        c["firings"] = 3
    assert "12 decided firings" in lost_work_map(result).why


def test_the_picture_in_words_names_the_worst_cell_of_each_cylinder(samples: ModuleType) -> None:
    result, _ = samples.sample("misfire")
    alt = lost_work_map(result).alt
    own = [c for c in cells(result) if c["cylinder"] == 3]
    worst = max(own, key=lambda c: c["fired_lost_work"])
    lo, hi = worst["speed_rpm"]
    at = f"{lo:.0f} to {hi:.0f} rpm, load {worst['load'][0]:.0f} to {worst['load'][1]:.0f} %"
    assert f"cylinder 3 most {worst['fired_lost_work']:.2f} at {at}; " in alt
    assert f"{sum(c['misfires'] for c in own)} misfires" in alt
    assert all(f"cylinder {k}" in alt for k in (1, 2, 4))
    # all of it reaches the page, which cuts alternative texts at 1500 characters
    assert len(lost_work_map(samples.sample("misfire", 8)[0]).alt) < 1500


def test_what_tells_the_load_is_said(samples: ModuleType) -> None:
    assert "load of the channel" in lost_work_map(samples.sample("misfire")[0]).reading
    assert "crank's motion" in lost_work_map(samples.sample("stored")[0]).reading


@pytest.mark.parametrize(
    "found",
    [
        None,
        [],
        {"cells": None},
        {"cells": [None, 3, {}, {"cylinder": 1, "speed_rpm": [9, 1], "load": [0, 20], "firings": 40}]},
        {"cells": [{"cylinder": 1, "speed_rpm": [0, "x"], "load": [0, 20], "firings": 40, "misfires": 0}]},
        {"cells": [{"cylinder": 1, "speed_rpm": [750, 250], "load": [0, 20], "firings": 40, "misfires": 0}]},
    ],
)
def test_a_map_that_is_not_whole_leaves_a_sentence(samples: ModuleType, found: Any) -> None:
    result, _ = samples.sample("clear")
    figure = lost_work_map(result | {"lost_work_map": found})
    assert figure.plot is None
    assert "Not drawn." in figure.html()


def test_text_from_outside_stays_text(samples: ModuleType) -> None:
    result, _ = samples.sample("clear")
    bad = "<b>x</b></script>"
    result["lost_work_map"] |= {"load_unit": bad, "load_says": bad}
    for c in result["lost_work_map"]["cells"]:
        c["cylinder"] = bad if c["cylinder"] == 1 else c["cylinder"]
    result["cylinders"][0]["cylinder"] = bad
    html = lost_work_map(result).html()
    assert "<b>x" not in html
    assert html.count("</script>") == 1


def _luminance(rgb: tuple[float, ...]) -> float:
    """Relative luminance of an sRGB colour, 0..255 [W3C, WCAG 2.1, definition of relative luminance]."""
    parts = [v / 255 for v in rgb]
    r, g, b = (v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _hex(text: str) -> tuple[float, ...]:
    text = text if len(text) == 6 else "".join(2 * c for c in text)
    return tuple(float(int(text[k : k + 2], 16)) for k in (0, 2, 4))


def test_numbers_are_legible_on_every_shade_and_the_order_holds_without_colour() -> None:
    """Contrast at least 4.5 [WCAG 2.1, 1.4.3], on the light ground, the dark one and paper."""
    grounds, inks = (re.findall(rf"--{k}:#([0-9a-f]+)", CSS) for k in ("ground", "ink"))
    assert len(grounds) == len(inks) == 3
    for ground, ink in zip(grounds, inks, strict=True):
        under, over = _hex(ground), _luminance(_hex(ink))
        steps = [_luminance(under)]
        for shade in SHADES:
            *rgb, alpha = (float(v) for v in re.findall(r"[\d.]+", shade))
            mixed = tuple(alpha * a + (1 - alpha) * b for a, b in zip(rgb, under, strict=True))
            steps.append(_luminance(mixed))
            contrast = (max(steps[-1], over) + 0.05) / (min(steps[-1], over) + 0.05)
            assert contrast >= 4.5, (shade, ground, contrast)
        away = 1 if steps[0] < 0.5 else -1
        ratio = [((b + 0.05) / (a + 0.05)) ** away for a, b in itertools.pairwise(steps)]
        assert min(ratio) > 1.05, ratio
