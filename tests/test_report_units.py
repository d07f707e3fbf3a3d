"""Units of a report: factors of NIST SP 811; every figure keeps what was measured beside it."""

from __future__ import annotations

import re

import pytest

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.publish.figures_us import us_figure
from seeworthy.publish.html import units_of
from seeworthy.publish.units_first import us_first


def test_rows_sentences_and_intervals_are_turned_and_drawings_are_not():
    page = (
        "<title>5 m</title><style>a{width:3 mm}</style><p>It sees 10 m of land.</p>"
        "<table><tr><th>Mass</th><td><strong>17.20 g</strong>"
        "<span>17.00 to 17.40 g</span></td></tr>"
        "<tr><th>Largest felt load</th><td>5.94 g</td></tr></table><svg><text>2 m</text></svg>"
        "<code>--reading distance=3 m</code>"
    )
    seen = us_first(page)
    assert "It sees 33 ft (10 m) of land." in seen
    assert "<strong>0.6067 oz (17.20 g)</strong>" in seen
    assert "<span>0.5997 to 0.6138 oz (17.00 to 17.40 g)</span>" in seen
    assert "<td>5.94 g</td>" in seen  # a load, not a mass
    kept = ("<title>5 m</title>", "{width:3 mm}", "<text>2 m</text>", "distance=3 m</code>")
    assert all(piece in seen for piece in kept)
    # Not a tag is lost or moved.
    assert re.findall(r"<[^>]*>", seen) == re.findall(r"<[^>]*>", page)


def test_a_speed_that_is_given_twice_becomes_one():
    assert us_first("<p>at 10 m/s (36 km/h)</p>") == "<p>at 22 mph (10 m/s)</p>"


def test_axes_of_figures_are_turned_with_all_that_is_drawn_along_them():
    marks = (Mark("points", y="run"), Mark("band", low="least", high="most"),
             Mark("rule", value=0.0, across="x", label="freezing"),
             Mark("rule", value=40.0, across="y"))  # fmt: skip
    columns = {"temperature": [-40.0, 20.0, None], "run": [30.0, 38.0, 1.0],
               "least": [29.0, 37.0, 1.0], "most": [31.0, 39.0, 1.0]}  # fmt: skip
    cold = Figure("f", "Cold", "It is.", columns, Axis("temperature", "temperature", "°C"),
                  Axis("run", "running time", "min"), marks)  # fmt: skip
    seen = us_figure(cold)
    assert (seen.x.unit, seen.y.unit) == ("°F", "min")
    assert seen.columns["temperature"] == [-40.0, 68.0, None]  # where the two scales meet; a room
    assert seen.columns["run"] == [30.0, 38.0, 1.0]
    assert [m.value for m in seen.marks] == [None, None, 32.0, 40.0]
    columns = {"t": [0.0], "h": [100.0], "low": [90.0]}
    flown = Figure("h", "Height", "Up.", columns, Axis("t", "t", "s"), Axis("h", "height", "m"),
                   (Mark("band", y="h", low="low", high="h"),))  # fmt: skip
    seen = us_figure(flown)
    assert seen.columns["h"] == [pytest.approx(328.084, abs=1e-3)]
    assert seen.columns["low"] == [pytest.approx(295.276, abs=1e-3)]


@pytest.mark.parametrize(
    ("unit", "title"), [("g", "felt load"), ("mm", "focal length"), ("ms", "")]
)
def test_axes_without_a_customary_unit_stay(unit, title):
    one = Figure("f", "F", "F.", {"x": [1.0], "y": [1.0]}, Axis("x", "x"), Axis("y", title, unit),
                 (Mark("line", y="y"),))  # fmt: skip
    assert us_figure(one) == one


def test_settings_of_the_bench_are_units_of_the_report():
    assert [units_of(s) for s in ("both", "us", "metric", "")] == ["both", "us", "metric", "both"]
