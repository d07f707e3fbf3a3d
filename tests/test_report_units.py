"""Units of a report: factors of NIST SP 811; every figure keeps what was measured beside it."""

from __future__ import annotations

import re

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


def test_settings_of_the_bench_are_units_of_the_report():
    assert [units_of(s) for s in ("both", "us", "metric", "")] == ["both", "us", "metric", "both"]
