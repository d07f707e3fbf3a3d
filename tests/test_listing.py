"""Claims picked out of a seller's listing: rules, remarks, leftovers."""

from __future__ import annotations

import pytest

from seeworthy.judge.claims.listing import read_listing

LISTING = """Tiny wing camera for your glider!
Full HD 1920x1080 video at 30fps, H.264
120° wide angle lens
Weight: 16.5 g
Size: 50 x 25 x 12 mm
Battery life up to 90 minutes, 500 mAh
Loop recording, files of 5 minutes
"""


def found(text):
    return {s.subject: s for s in read_listing(text).suggestions}


def test_a_whole_listing():
    got = found(LISTING)
    assert got["width_px"].text == "1920"
    assert got["height_px"].text == "1080"
    assert got["frame_rate"].text == "30 Hz"
    assert got["codec"].text == "h264"
    assert got["mass"].text == "16.5 g"
    assert [got[k].text for k in ("length", "width", "height")] == ["50 mm", "25 mm", "12 mm"]
    assert got["run_time"].text == "90 min"
    assert got["segment_length"].text == "5 min"
    assert got["mass"].line == 4


def test_an_angle_without_a_direction_is_remarked():
    got = found(LISTING)["dfov"]
    assert got.text == "120 deg"
    assert "horizontal" in got.remark
    assert found("Horizontal view 70 degrees")["hfov"].remark == ""


def test_what_has_no_rule_is_left_over_and_not_guessed():
    reading = read_listing(LISTING)
    assert any("500 mAh" in text for _, text in reading.left)
    assert "mean_power" not in {s.subject for s in reading.suggestions}


@pytest.mark.parametrize("text", ["works from 0 to 40 °C", "supports cards up to 64 GB", "5 V USB"])
def test_temperatures_cards_and_volts_are_not_claims(text):
    assert read_listing(text).suggestions == ()
    assert read_listing(text).left


def test_contradictions_are_said():
    got = found("Video 1280x720\nTrue 1920x1080 sensor")
    assert got["width_px"].text == "1280"
    assert "1920x1080" in got["width_px"].remark


def test_lines_only_imply_a_width_with_a_remark():
    got = found("720P HD")
    assert got["height_px"].text == "720"
    assert got["width_px"].text == "1280"
    assert got["width_px"].remark


def test_ounces_and_hours():
    assert found("weighs 0.6 oz")["mass"].text == "0.6 oz"
    assert found("recording time 1.5 hours")["run_time"].text == "1.5 h"


def test_every_suggestion_can_be_typed_as_a_claim():
    from seeworthy.ground.measurands import all_measurands, measurand
    from seeworthy.ground.quantities import parse

    for item in read_listing(LISTING).suggestions:
        if item.subject in all_measurands():
            parse(item.text, measurand(item.subject).pint_unit)


def test_an_empty_listing():
    assert read_listing("").suggestions == ()
