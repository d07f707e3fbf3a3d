"""The report as PDF: it says what the report says, whatever signs its texts hold."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from pypdf import PdfReader

from seeworthy.ground.budget import Component
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, result
from seeworthy.judge.claims.decide import Claimed, judge_all
from seeworthy.publish.model import CameraReport, Refusal
from seeworthy.publish.pdf import escape, pdf
from told import told, unit


def text_of(report):
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf(report))).pages)


def report(name="Greenshank", note=""):
    figure = Figure("f", "Rise #1", "It *rises*.", {"x": [1.0, 2.0], "y": [1.0, 2.0]},
                    Axis("x", "x"), Axis("y", "y"), (Mark("line", y="y"),))  # fmt: skip
    outcome = Outcome((result("mass", 17.2, 0.1, n=3),), {"codec": "h264"}, ("Mind [this].",),
                      figures=(figure,), sentence="It weighs 17.2 g.")  # fmt: skip
    takes = (
        told(1, "body", outcome, unit="A"),
        told(2, "timing", None, Refusal("cannot-measure", "Nothing moves.", "Film again.")),
    )
    claims = [Claimed("mass", 15.0, "15 g", "box")]
    units = (unit("A", ("1.2", dt.date(2026, 9, 1))),)
    judged = judge_all(claims, outcome.results)
    return CameraReport(name, note=note, units=units, takes=takes, judgements=judged)


def test_it_says_what_the_report_says():
    text = text_of(report())
    for words in ("Greenshank", "firmware 1.2 from 1 Sep 2026",
                  "heavier than claimed", "17.00 to 17.40", "Nothing moves.",
                  "Film again.", "Mind [this].", "Rise #1", "95 %",
                  "Lithium cells can catch fire"):  # fmt: skip
        assert words in " ".join(text.replace("\u202f", " ").split()), words


def test_it_says_what_an_uncertainty_is_made_of():
    parts = (Component("scale", 0.06, "g", 1.0, "rectangular", "leaflet"),
             Component("repeat", 0.08, "g", 1.0, "normal", "scatter"))  # fmt: skip
    outcome = Outcome((result("mass", 17.2, budget=parts),))
    text = " ".join(text_of(CameraReport("Knot", takes=(told(1, "body", outcome),))).split())
    assert "Mass: repeat 0.08 g, normal, 64 % (scatter); scale 0.06 g, rectangular, 36 %" in (
        text.replace("\u202f", " ")
    )


def test_every_column_has_us_customary_units_first_when_asked():
    pages = PdfReader(io.BytesIO(pdf(report(), units="us"))).pages
    said = " ".join(" ".join(p.extract_text() for p in pages).replace("\u202f", " ").split())
    # NIST SP 811, B.8: 1 oz (avoirdupois) is 28.34952 g; 17.2 g is 0.607 oz, u 0.1 g is 0.0035 oz.
    assert "0.6067 oz (17.20 g)" in said
    assert "0.0035 oz (0.10 g)" in said


@pytest.mark.parametrize(
    "name", ['#eval("x")', "a$b_c*d`e", "= head", "<label> @ref", "a\\b ~ [c]", 'say "x"', "// no"]
)
def test_signs_of_the_typesetter_are_printed_and_never_obeyed(name):
    text = text_of(report(name, note=f"Note: {name}"))
    shown = " ".join(text.split())
    assert "".join(f"Note: {name}".split()) in "".join(shown.split())


def test_every_sign_is_escaped():
    assert escape("#[x]") == "\\#\\[x\\]"
