"""Figures: one definition, every format."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree

import jsonschema
import pytest

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.publish import figures
from seeworthy.publish.chart import VERSION, build


def figure(*marks: Mark, y: Axis | None = None, x: Axis | None = None, **more) -> Figure:
    columns = more.pop(
        "columns", {"t": [0.0, 1.0, 2.0], "h": [1.0, 10.0, 100.0], "k": ["a", "b", "a"]}
    )
    return Figure(
        "f", "Height", "It rose.", columns, x or Axis("t", "time", "s"),
        y or Axis("h", "height", "m"), marks, **more,
    )  # fmt: skip


LINE = Mark("line", y="h")
KINDS = {
    "line": figure(LINE),
    "points": figure(Mark("points", y="h", series="k")),
    "band": figure(Mark("band", low="t", high="h", label="95 %"), Mark("line", y="h", label="h")),
    "bars": figure(Mark("bars", y="h"), x=Axis("k", "kind")),
    "log bars": figure(Mark("bars", y="h"), y=Axis("h", "frames", scale="log")),
    "rule": figure(LINE, Mark("rule", value=50.0, label="limit"),
                   Mark("rule", value=1.0, across="x")),
    "cells": figure(Mark("cells", shade="h"), y=Axis("k", "row")),
    "intervals": figure(Mark("points", y="h", low="t", high="h")),
    "swatches": figure(Mark("swatches", shade="c", y="h"), x=Axis("k", "kind"), y=Axis("t", "row"),
                       columns={"t": [1, 2], "h": [1.0, 2.0], "k": ["a", "b"],
                                "c": ["#102030", "#f0e0d0"]}),
    "links": figure(Mark("links", y="h", low="a", high="b"),
                    columns={"t": [0.0, 1.0], "h": [1.0, 2.0], "a": [2.0, None], "b": [3.0, 1.0]}),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_draws_something(kind):
    svg = figures.render(KINDS[kind], "svg").decode()
    ElementTree.fromstring(svg)
    assert "NaN" not in svg
    assert "Infinity" not in svg
    # Each kind leaves marks of its own, not only axes.
    shape = {"points": "symbol", "intervals": "symbol", "band": "area", "bars": "rect",
             "log bars": "rect", "cells": "rect", "swatches": "rect",
             "links": "rule"}.get(kind, "line")  # fmt: skip
    assert f'class="mark-{shape} role-mark' in svg


def test_every_kind_is_vega_lite():
    """The schema as published with Vega-Lite, in the copy that Altair carries."""
    altair = pytest.importorskip("altair")
    assert altair.SCHEMA_VERSION.startswith(f"v{VERSION}.")
    schema = jsonschema.Draft7Validator(altair.load_schema())
    for kind, one in KINDS.items():
        spec = figures.specification(one)
        assert schema.is_valid(spec), kind
    spec["layer"][0]["mark"]["strokeWidth"] = "wide"
    assert not schema.is_valid(spec)


def test_log_bars_stand_on_the_axis():
    svg = figures.render(KINDS["log bars"], "svg").decode()
    group = svg[svg.index('class="mark-rect role-mark') :]
    heights = {round(float(h)) for h in re.findall(r"v(-?[\d.]+)h", group)} - {0}
    assert len({abs(h) for h in heights}) == 3


@pytest.mark.parametrize(
    ("kind", "magic"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<svg")]
)
def test_files_of_every_format(kind, magic):
    assert figures.render(KINDS["line"], kind).startswith(magic)


def test_the_specification_is_plain_json_and_says_units():
    spec = json.loads(figures.render(KINDS["line"], "json"))
    text = json.dumps(spec)
    assert "height (m)" in text
    assert "time (s)" in text
    assert "vega-lite" in spec["$schema"]


def test_units_are_printed_with_their_signs():
    lean = figure(LINE, y=Axis("h", "lean", "deg"))
    assert "lean (°)" in json.dumps(figures.specification(lean), ensure_ascii=False)
    assert figures.table(lean)[0][1] == "lean (°)"


def test_equal_axes_have_the_same_scale():
    wide = figure(LINE, columns={"t": [0.0, 20.0], "h": [0.0, 10.0]}, equal=True)
    spec = figures.specification(wide, (600, 300))
    layer = spec["layer"][0]["encoding"]
    across, down = (layer[a]["scale"]["domain"] for a in "xy")
    per_x = spec["width"] / (across[1] - across[0])
    per_y = spec["height"] / (down[1] - down[0])
    assert per_x == pytest.approx(per_y, rel=0.01)


def test_a_spike_survives_thinning():
    n = 50_000
    height = [0.0] * n
    height[31_234] = 77.0
    long = figure(LINE, columns={"t": [float(i) for i in range(n)], "h": height})
    rows = figures.specification(long)["data"]["values"]
    assert len(rows) < 3000
    assert max(r["c1"] for r in rows) == 77.0


def test_numpy_and_missing_values_are_taken():
    numpy = pytest.importorskip("numpy")
    columns = {"t": numpy.arange(3.0), "h": [1.0, float("nan"), None]}
    rows = figures.specification(figure(LINE, columns=columns))["data"]["values"]
    assert [r["c1"] for r in rows] == [1.0, None, None]
    json.dumps(rows, allow_nan=False)


def test_column_names_may_hold_anything():
    odd = Figure("f", "t", "s", {"a.b[0]": [1, 2], "y 'q'": [3, 4]}, Axis("a.b[0]", "a"),
                 Axis("y 'q'", "y"), (Mark("line", y="y 'q'", label="it's \"y\""),))  # fmt: skip
    assert figures.render(odd, "svg").startswith(b"<svg")


def test_inline_svg_follows_the_page():
    svg = figures.inline_svg(KINDS["rule"], figures.NARROW, "p7")
    assert 'aria-hidden="true"' in svg
    assert "currentColor" in svg
    assert "var(--sheet" in svg
    assert all(i.startswith("p7-") for i in re.findall(r'\bid="([^"]+)"', svg))
    assert all(i.startswith("p7-") for i in re.findall(r"url\(#([^)]+)\)", svg))


def test_series_differ_by_shape_as_well_as_colour():
    spec = figures.specification(KINDS["points"])
    encoding = spec["layer"][0]["encoding"]
    assert len(set(encoding["shape"]["scale"]["range"])) == 2
    assert len(set(encoding["color"]["scale"]["range"])) == 2


def test_a_series_of_which_nothing_happened_is_left_out():
    columns = {"t": [0.0, 1.0], "h": [1.0, 2.0], "k": [None, None]}
    bare = figure(LINE, Mark("points", y="h", series="k"), columns=columns)
    spec = figures.specification(bare)
    assert len(spec["layer"]) == 1
    some = figure(LINE, Mark("points", y="h", series="k"), columns={**columns, "k": [None, "a"]})
    assert "None" not in json.dumps(figures.specification(some))


def _subpaths(columns: dict) -> int:
    marks = (Mark("line", y="fit"), Mark("points", y="seen"))
    both = Figure("f", "t", "s", columns, Axis("t", "t"), Axis("fit", "y"), marks)
    svg = figures.render(both, "svg").decode()
    line = svg[svg.index('class="mark-line role-mark') :]
    return re.search(r' d="([^"]*)"', line).group(1).count("M")


def test_rows_of_other_marks_do_not_break_a_line_but_gaps_do():
    t = [0.0, 1.0, 2.0, 3.0, 4.0]
    shared = {"t": t, "fit": [0.0, None, 2.0, None, 4.0], "seen": [None, 1.0, None, 3.0, None]}
    assert _subpaths(shared) == 1
    gap = {"t": t, "fit": [0.0, 1.0, None, 3.0, 4.0], "seen": [0.0, 1.0, None, 3.0, 4.0]}
    assert _subpaths(gap) == 2


def test_table_holds_the_data_with_units():
    heads, rows, left = figures.table(KINDS["line"])
    assert heads[:2] == ["time (s)", "height (m)"]
    assert rows[2][:2] == ["2", "100"]
    assert left == 0
    many = figure(LINE, columns={"t": list(range(1000)), "h": list(range(1000))})
    _, rows, left = figures.table(many, most=100)
    assert len(rows) == 100
    assert left == 900


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        (figure(LINE, columns={"t": [1.0], "h": [1.0, 2.0]}), "unequal length"),
        (figure(Mark("line", y="nope")), "no column 'nope'"),
        (figure(Mark("rule")), "a rule needs a value"),
    ],
)
def test_a_figure_that_cannot_be_drawn(wrong, text):
    with pytest.raises(ValueError, match=text):
        build(wrong, (100, 100))
