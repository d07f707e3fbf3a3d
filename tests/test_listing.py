"""Claims picked out of a seller's listing: rules, remarks, leftovers, contradictions, time."""

from __future__ import annotations

import time

import pytest

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.claims.listing import LONGEST_TEXT, check_choice, read_listing

LISTING = """Tiny wing camera for your glider!
Full HD 1920x1080 video at 30fps, H.264
120° wide angle lens
Weight: 16.5 g
Size: 50 x 25 x 12 mm
Battery life up to 90 minutes, 500 mAh
Loop recording, files of 5 minutes
"""


def found(text):
    got = {}
    for one in read_listing(text).suggestions:
        got.setdefault(one.subject, one)
    return got


def every(text, subject):
    return [s.text for s in read_listing(text).suggestions if s.subject == subject]


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


def test_contradictions_are_all_kept_and_numbered():
    got = read_listing("Video 1280x720\nTrue 1920x1080 sensor").suggestions
    assert [(s.subject, s.text, s.against) for s in got] == [
        ("width_px", "1280", (3,)), ("height_px", "720", (4,)),
        ("width_px", "1920", (1,)), ("height_px", "1080", (2,)),
    ]  # fmt: skip
    assert "number 3" in got[0].mind
    # Two masses in grams differ; grams and ounces of one mass agree to their last digit
    # (1 oz = 28.349523125 g, NIST SP 811, B.8): 0.53 oz is 15.03 g.
    assert every("only 15g (0.53oz)\n28 g with battery", "mass") == ["15 g", "28 g"]
    assert every("FOV 120 degrees diagonal\nsuperwide 170° lens", "dfov") == ["120 deg", "170 deg"]
    assert every("working time 60-90min", "run_time") == ["60 min", "90 min"]


def test_a_width_and_a_height_of_two_phrases_are_never_joined():
    text = "2K 2560x1440 30fps | 1080p 60 fps | 720p 30fps"
    reading = read_listing(text)
    pairs = {("2560", "1440"), ("1920", "1080"), ("1280", "720")}
    assert reading.frames == pairs
    for width, height in pairs:
        check_choice([("width_px", width), ("height_px", height)], reading.frames)
    with pytest.raises(WrongCall, match="two different pictures"):
        check_choice([("width_px", "2560"), ("height_px", "720")], reading.frames)
    with pytest.raises(WrongCall, match="Both 30 Hz and 60 Hz"):
        check_choice([("frame_rate", "30 Hz"), ("frame_rate", "60 Hz")], reading.frames)


@pytest.mark.parametrize(
    ("text", "subject", "value"),
    [
        ("up to 90 minutes recording", "run_time", "90 min"),
        ("30 frames/sec", "frame_rate", "30 Hz"),
        ("30 frames per second", "frame_rate", "30 Hz"),
        ("FOV 90°", "dfov", "90 deg"),
        ("3 lux", "usable_lux", "3 lx"),
        ("0.1 LUX", "usable_lux", "0.1 lx"),
        ("12 stops of dynamic range", "dynamic_range", "12 stops"),
        ("48kHz sound", "audio_rate", "48000"),
        ("records in stereo", "audio_channels", "2"),
        ("1.3MP sensor", "native_width", "1520 px"),  # sqrt(1.3e6 × 16 / 9) = 1520.2
        ("video: AVI", "container", "avi"),
        ("1,920x1,080", "width_px", "1920"),
        ("weight 16,5 g", "mass", "16.5 g"),
    ],
)
def test_what_sellers_write(text, subject, value):
    assert found(text)[subject].text == value


def test_a_size_that_follows_from_lines_is_plain_once_it_is_named():
    got = found("1080P\n1920x1080")
    assert (got["width_px"].text, got["width_px"].mind) == ("1920", "")
    assert (got["height_px"].text, got["height_px"].mind) == ("1080", "")


def test_nothing_is_dropped():
    reading = read_listing("works at 14 °F, no gaps. 6 IR lamps\n25mW 5.8G\nfine for kites")
    assert [t for _, t in reading.left] == ["works at 14 °F", "6 IR lamps", "25mW 5.8G"]
    assert [t for _, t in reading.prose] == ["no gaps", "fine for kites"]
    many = read_listing(", ".join(f"weight {i} g" for i in range(1, 41)))
    assert len(many.suggestions) + len(many.left) == 40


def test_a_charging_time_is_no_running_time_and_a_shock_no_mass():
    assert "run_time" not in found("battery: charging time 2 hours")
    assert found("withstands a shock of 16 g") == {}
    assert found("5G wifi") == {}


@pytest.mark.parametrize("piece", ["1", "60fps ", "1x", "1 ", "1,", "1.1", "1g ", "° ", "9 x 9 "])
def test_the_time_is_linear_in_the_length(piece):
    read_listing("5 g")  # the units library is loaded
    text = "\n".join([(piece * 10_000)[:9_000]] * 2)
    start = time.process_time()
    read_listing(text)
    # 20,000 digits took more than 90 s, 48 kB of '60fps ' 16 s;
    # now at most 1.3 s on a busy machine.
    assert time.process_time() - start < 6


def test_a_listing_has_limits():
    with pytest.raises(WrongCall, match="longer than a listing"):
        read_listing("a" * (LONGEST_TEXT + 1))
    with pytest.raises(WrongCall, match="Line 1"):
        read_listing("a" * 10_001)


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
    assert read_listing("\n \n").suggestions == ()


# Written as sellers write, by nobody in particular; what each says is what its words say.
@pytest.mark.parametrize(
    ("text", "subject", "said"),
    [
        ("films up to 95 minutes", "run_time", ["95 min"]),
        ("Battery life: approx. 1h20m", "run_time", ["80 min"]),
        ("Recording time 2 h 5 min", "run_time", ["125 min"]),
        ("NET WEIGHT 9 g +- 1 g", "mass", ["9 g"]),
        ("weight 28 g ± 2 g, 3 oz with case", "mass", ["28 g", "3 oz"]),
        ("Wt.: 1.4 oz", "mass", ["1.4 oz"]),
        ("full HD @25 fps", "width_px", ["1920"]),
        ("FPS: 30; frame rate 24", "frame_rate", ["30 Hz", "24 Hz"]),
        ("1080/120 - 12 megapixel", "native_width", ["4619 px"]),
        ("60-90min battery", "run_time", ["60 min", "90 min"]),
    ],
)
def test_odd_words_of_sellers(text, subject, said):
    assert every(text, subject) == said


def test_what_looks_alike_is_left_over():
    assert not every("approx. 20 m of cable", "run_time")
    assert not every("ISO 30 to 24", "frame_rate")
    assert read_listing("1h75m of battery").left  # no time of day, no running time
