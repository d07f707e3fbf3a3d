"""The readout procedure: hand cross-check, methods, wording, one clip through the encoder."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.media.source import Source
from seeworthy.procedures.declare import gather
from seeworthy.procedures.readout import PROCEDURE
from seeworthy.virtual import lamp as lamps
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import write_clip
from seeworthy.virtual.sensor import RollingCamera

SPEED, DISTANCE, VIEW = "38 mph ± 1 mph", "24 ft ± 3 in", "63 deg ± 0.5 deg"
HAND = {"speed": [SPEED], "distance": [DISTANCE], "hfov": [VIEW], "lean": ["4.7 deg ± 0.2 deg"]}
SMALL = RollingCamera(width=640, height=360, readout_time=0.020, exposure=0.001, roll=1.0)


def run(readings=None, files=(), options=None):
    sources = {"": [Source.of(f) for f in files]} if files else {}
    return PROCEDURE.run(gather(PROCEDURE, sources, readings or {}, options))


@pytest.fixture(scope="module")
def passing_clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("readout") / "passing.mp4"
    scene = casts.passing(SMALL, 3, speeds=(700.0, -500.0), seconds=1.4)
    write_clip(path, scene, SMALL, [k / 30 for k in range(38)], bit_rate=3_000_000)
    return path


@pytest.fixture(scope="module")
def lamp_clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("readout") / "lamp.mp4"
    camera = RollingCamera(width=320, height=240, readout_time=0.025, exposure=0.001)
    lamp = lamps.Lamp(100.0, "rectified", 0.7)
    lamps.write_clip(path, lamp, camera, [k / 30 for k in range(36)], bit_rate=2_000_000)
    return path


def test_by_hand_needs_the_frame_only_as_a_ratio():
    one = run(HAND, options={"size": ["1280x720"]}).results[0]
    two = run(HAND, options={"size": ["1920x1080"]}).results[0]
    assert one.value == pytest.approx(two.value, rel=1e-12)


def test_sheared_edges_of_the_tables(published):
    """Shear of a vertical edge, dx = v t and its angle: arithmetic of rolling_shutter_formulas."""
    for row in published("rolling_shutter_formulas.csv"):
        if not row["relation"].startswith("shear"):
            continue
        words = row["case"].replace(",", "").split()
        height, time, speed = int(words[0][2:]), float(words[3]) / 1e3, float(words[6])
        pixels, angle = (float(part.split()[0]) for part in row["value"].split(";"))
        # A view of 90° on a frame 2f wide: image speed = f V / d with f = 500 px, d = 500 m.
        outcome = run(
            {
                "speed": [f"{speed} m/s ± 0 m/s"],
                "distance": ["500 m ± 0 m"],
                "hfov": ["90 deg ± 0 deg"],
                "lean": [f"{angle} deg ± 0.001 deg"],
            },
            options={"size": [f"1000x{height}"]},
        )
        assert outcome.results[0].value == pytest.approx(1e3 * time, rel=2e-5)
        assert speed * outcome.results[0].value / 1e3 == pytest.approx(pixels, rel=2e-5)


def test_a_clip_through_the_encoder(passing_clip):
    outcome = run(files=[passing_clip])
    found = outcome.results[0]
    assert outcome.method == "passing"
    assert found.value == pytest.approx(20.0, rel=0.02)
    assert found.interval[0] < 20.0 < found.interval[1]
    rows = next(r for r in outcome.results if r.measurand == "row_time")
    assert rows.value == pytest.approx(found.value * 1e3 / 360)
    assert outcome.findings["rows_read"] == "top to bottom"
    assert outcome.findings["both_directions"] is True
    assert outcome.findings["roll_deg"] == pytest.approx(-1.0, abs=0.15)
    assert outcome.pictures[0].data.startswith(b"\x89PNG")
    assert found.evidence == (outcome.pictures[0].name,)
    figure = outcome.figures[0]
    assert len({len(c) for c in figure.columns.values()}) == 1


def test_clip_and_hand_agree(passing_clip):
    # f = 640 / (2 tan 30°); 700 px/s at 5 m is 6.3 m/s.
    readings = {"speed": ["6.3 m/s ± 0.1 m/s"], "distance": ["5 m ± 0.05 m"], "hfov": ["60 deg"]}
    outcome = run(readings, [passing_clip])
    methods = [r.conditions["method"] for r in outcome.results if r.measurand == "readout_time"]
    assert methods == ["passing", "hand"]
    assert outcome.findings["methods_agree"] is True
    assert "pitch_deg" in outcome.findings
    skew = next(r for r in outcome.results if r.measurand == "skew_at")
    assert skew.value == pytest.approx(math.degrees(math.atan(0.020 / 360 * 698.6)), rel=0.02)


def test_clip_and_hand_disagree_where_a_reading_is_wrong(passing_clip):
    readings = {"speed": ["7.4 m/s ± 0.05 m/s"], "distance": ["5 m ± 0.05 m"], "hfov": ["60 deg"]}
    outcome = run(readings, [passing_clip])
    assert outcome.findings["methods_agree"] is False


def test_readings_of_another_scene_are_pointed_out(passing_clip):
    readings = {"speed": ["30 m/s"], "distance": ["5 m"], "hfov": ["60 deg"]}
    outcome = run(readings, [passing_clip])
    assert any("none does" in w for w in outcome.warnings)


def test_a_lamp_clip_through_the_encoder(lamp_clip):
    outcome = run({"lamp_frequency": ["100 Hz"]}, [lamp_clip])
    assert outcome.method == "lamp"
    assert outcome.results[0].value == pytest.approx(25.0, rel=0.005)
    assert outcome.pictures[0].data.startswith(b"\x89PNG")
    assert np.all(np.isfinite(outcome.figures[0].columns["fitted"]))


def test_mains_frequency_is_doubled_on_request(lamp_clip):
    outcome = run({"lamp_frequency": ["50 Hz"]}, [lamp_clip], {"lamp": ["mains"]})
    assert outcome.results[0].value == pytest.approx(25.0, rel=0.005)
    assert outcome.findings["flicker_frequency_hz"] == 100


def test_mains_frequency_taken_for_the_light_s_is_refused(lamp_clip):
    with pytest.raises(CannotMeasure) as caught:
        run({"lamp_frequency": ["50 Hz"]}, [lamp_clip])
    assert "mains" in caught.value.hint


def test_passing_method_on_a_lamp_clip_is_refused(lamp_clip):
    with pytest.raises(CannotMeasure) as caught:
        run(files=[lamp_clip], options={"method": ["passing"]})
    assert all(p.data.startswith(b"\x89PNG") for p in caught.value.pictures)


@pytest.mark.parametrize(
    ("readings", "options", "words"),
    [
        ({}, {}, "neither a clip"),
        ({"lean": ["4.7 deg"]}, {}, "missing: speed, distance, hfov"),
        ({}, {"method": ["lamp"]}, "lamp's frequency"),
        (HAND, {"method": ["passing"]}, "needs a clip"),
    ],
)
def test_wrong_calls_are_said(readings, options, words):
    with pytest.raises(WrongCall, match=words):
        run(readings, options=options)


@pytest.mark.parametrize(
    ("name", "value"),
    [("lean", "80 deg"), ("hfov", "200 deg"), ("distance", "3 kg"), ("speed", "-3 m/s")],
)
def test_impossible_readings_are_refused(name, value):
    with pytest.raises(BadQuantity):
        run({**HAND, name: [value]})


def test_a_bad_frame_size_is_refused():
    with pytest.raises(BadQuantity, match="not a frame size"):
        run(HAND, options={"size": ["wide"]})
