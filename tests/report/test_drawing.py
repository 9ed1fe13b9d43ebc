"""The pictures in the page: values stand where the scale says, nothing flagged is lost, text stays text."""

from __future__ import annotations

import itertools
import re
from types import ModuleType
from xml.etree import ElementTree

import numpy as np
import plotly.graph_objects as go
import pytest

from misfire.report.drawing import WIDTHS, picture_file, pictures
from misfire.report.drawing.axis import Scale
from misfire.report.figure import axis, blank, f32, label
from misfire.report.figures_events import strips
from misfire.report.firings import read_firings


def figure(**trace: object) -> go.Figure:
    plot = blank(300)
    plot.add_trace(go.Scatter(mode="markers", **trace))
    plot.update_xaxes(**axis("time (s)", range=[0, 100]))
    plot.update_yaxes(**axis("error (deg)", range=[-1, 1]))
    return plot


def dots(svg: str) -> np.ndarray:
    d = "".join(re.findall(r'class="m" d="([^"]+)"', svg))
    return np.array([[float(a), float(b)] for a, b in re.findall(r"M(-?[\d.]+) (-?[\d.]+)", d)])


@pytest.mark.parametrize("width", WIDTHS)
def test_values_stand_where_the_scale_says(width: str) -> None:
    x, y = np.array([0.0, 25.0, 50.0, 100.0]), np.array([-1.0, 0.5, 0.0, 1.0])
    plot = figure(x=f32(x), y=f32(y), marker={"symbol": "circle", "size": 4})
    one = re.search(rf'<svg class="{width}".*?</svg>', pictures(plot, "k"), re.S)
    assert one is not None
    at = dots(one[0])
    at = at[np.argsort(at[:, 0])]
    # straight scales: equal steps of value are equal steps on the picture, y grows upward
    across = (at[:, 0] - at[0, 0]) / (at[3, 0] - at[0, 0])
    upward = (at[0, 1] - at[:, 1]) / (at[0, 1] - at[3, 1])
    np.testing.assert_allclose(across, x / 100, atol=0.002)
    np.testing.assert_allclose(upward, (y + 1) / 2, atol=0.002)
    assert at[3, 0] <= WIDTHS[width]
    assert at[:, 1].min() > 0


def test_values_outside_the_range_and_gaps_are_not_drawn() -> None:
    plot = figure(x=f32([1, 2, np.nan, 101]), y=f32([0, 5, 0, 0]), marker={"symbol": "x", "size": 6})
    one = pictures(plot, "k").split("</svg>")[0]
    # one cross, which is two strokes after one move to its middle
    assert len(dots(one)) == 1


@pytest.mark.parametrize(
    ("spec", "low", "high", "labels"),
    [
        ({"dtick": 60}, -4, 364, ["0", "60", "120", "180", "240", "300", "360"]),
        ({"ticksuffix": " %"}, -0.2, 2.4, ["0.0 %", "0.5 %", "1.0 %", "1.5 %", "2.0 %"]),
        ({"type": "log", "tickformat": "~s"}, -0.3, 3.2, ["1", "10", "100", "1k"]),
        ({"tickvals": [0, 1], "ticktext": ["a&lt;b", "c"]}, 0, 1, ["a<b", "c"]),
        ({}, -0.03, 0.02, ["\u22120.03", "\u22120.02", "\u22120.01", "0.00", "0.01", "0.02"]),
    ],
)
def test_ticks_are_round_numbers(spec: dict, low: float, high: float, labels: list[str]) -> None:
    scale = Scale(spec, low, high, 0.0, 420.0)
    assert [t for _, t in scale.ticks(upright=False)] == labels


def test_labels_make_room_for_each_other() -> None:
    scale = Scale({"tickvals": list(range(0, 10_000, 250))}, 0, 10_000, 0.0, 300.0)
    shown = [(p, t) for p, t in scale.ticks(upright=False) if t]
    assert 3 <= len(shown) <= 9
    for (p, t), (q, _) in itertools.pairwise(shown):
        assert q - p > 6 * len(t)


def test_every_misfire_of_the_strips_is_in_the_picture(samples: ModuleType) -> None:
    result, events = samples.sample("misfire")
    plot = strips(result, read_firings(result, events)).plot
    svg = pictures(plot, "strips")
    wide = svg[svg.index('class="wide"') :]
    crosses = re.findall(r'class="m" d="([^"]+)" fill="none" stroke="#d2521e" stroke-width="1.8"', wide)
    drawn = {round(float(x), 1) for d in crosses for x in re.findall(r"M(-?[\d.]+) ", d)}
    times = np.sort(events.loc[events["state"] == "misfire", "time_s"].to_numpy())
    at = np.sort(np.array(list(drawn)))
    # places of the first and the last give the scale; each misfire has a cross within a pixel
    place = at[0] + (times - times[0]) / (times[-1] - times[0]) * (at[-1] - at[0])
    assert times.size > 100
    assert max(np.abs(at - p).min() for p in place) < 0.2


def test_text_from_outside_stays_text() -> None:
    hostile = '</svg><script>alert(1)</script>"&'
    plot = figure(x=f32([1]), y=f32([0]))
    plot.update_xaxes(title_text=label(hostile, 60))
    for text in (pictures(plot, "k"), picture_file(plot, hostile)):
        assert "<script" not in text
        assert "&lt;script&gt;" in text
    root = ElementTree.fromstring(picture_file(plot, hostile))
    assert root[0].text == hostile
    assert any(t.text == hostile for t in root.iter("{http://www.w3.org/2000/svg}text"))
