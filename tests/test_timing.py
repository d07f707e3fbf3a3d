"""The timing procedure on rendered clips, and on bad input."""

from __future__ import annotations

import json
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.observe.changes import ChangeWatch
from seeworthy.procedures.declare import Inputs, gather
from seeworthy.procedures.timing import PROCEDURE
from seeworthy.procedures.timing.evidence import MOST_POINTS, thin
from seeworthy.virtual.faults import FaultPlan, cut, erase, low_light_rates, overwrite, render
from seeworthy.virtual.scene_plain import PlainScene

SMALL = {"width": 320, "height": 192}
RATE = 1_200_000  # as many bits per pixel as 7 Mbit/s give at 1280×720


def timing(path, **options):
    source = Source.of(path)
    return PROCEDURE.run(Inputs({"": (source,)}, {}, {k: (v,) for k, v in options.items()}))


def film(path, plan, **kind):
    return render(path, PlainScene(**SMALL, **kind), plan, bit_rate=RATE)


def at(outcome, kind):
    return outcome.findings[kind]["at"]


# Geometry.


def test_thinning_keeps_extremes_and_faults():
    values = np.ones(50_000)
    values[31_234] = 9.0
    rows = thin(values, [17, 49_000])
    assert {0, 17, 31_234, 49_000, 49_999} <= set(rows)
    assert len(rows) <= 2 * MOST_POINTS
    assert thin(np.ones(5), []) == [0, 1, 2, 3, 4]


def test_change_is_the_mean_difference_in_code_values(tmp_path):
    path = tmp_path / "steps.mp4"
    with ClipWriter(path, 128, 96, 30, bit_rate=None, options={"crf": "0"}) as writer:
        for level in (50, 50, 57, 60):
            writer.write_luma(np.full((96, 128), level, np.uint8))
    seen = ChangeWatch()
    watch(Source.of(path), [seen])
    assert np.isnan(seen.changes[0])
    assert list(seen.changes)[1:] == pytest.approx([0.0, 7.0, 3.0], abs=0.1)
    assert seen.keys[0] == 0


# Injected truth.


def test_all_faults_of_one_clip_are_found_by_number(tmp_path):
    path = tmp_path / "clip.mp4"
    plan = FaultPlan(
        150,
        dropped=frozenset({20, 50, 51, 110}),
        repeated=frozenset({33, 77, 78, 130}),
        jitter=1e-3,
    )
    truth = film(path, plan)
    gone = erase(path, [95, 137])
    said = timing(path)
    assert at(said, "dropped_frames") == list(truth.dropped) == [19, 48, 48, 106]
    assert at(said, "duplicated_frames") == list(truth.repeated)
    assert at(said, "corrupt_frames") == list(gone)
    assert said.findings["dropped_frames"]["count"] == 4
    assert said.findings["rate_regime"] == "constant"
    rate, _, jitter = said.results
    exact = 30 * (truth.frames - 1) / 149
    assert abs(rate.value - exact) < 3 * rate.u
    assert jitter.interval[0] < 1.0 < jitter.interval[1]
    assert said.findings["longest_gap_ms"] == pytest.approx(100, abs=8)
    assert "4 lost" in said.sentence


def test_damaged_frames_are_found_by_number(tmp_path):
    path = tmp_path / "clip.mp4"
    render(path, PlainScene(), FaultPlan(50))
    bad = sorted([*overwrite(path, [12, 30, 48]), *erase(path, [20, 31])])
    said = timing(path)
    assert at(said, "corrupt_frames") == bad
    assert at(said, "dropped_frames") == at(said, "duplicated_frames") == []
    assert said.findings["frames"] == 50
    assert said.pictures[0].caption.startswith("Frame 12 is damaged")


@pytest.mark.parametrize(
    ("kind", "rates"),
    [
        ({"motion": "still", "noise": 3.0}, None),
        ({"motion": "still", "noise": 2.0, "fade": (30, 80)}, None),
        ({"motion": "still", "noise": 0.1}, None),
        ({"noise": 4.0}, low_light_rates(spells=[(50, 30.0), (40, 15.0), (60, 20.0)])),
        ({"noise": 4.0}, low_light_rates(spells=[(1, 22.0)], wander=0.3)),
    ],
    ids=["still", "fade", "denoised", "steps", "wander"],
)
def test_nothing_is_invented(tmp_path, kind, rates):
    path = tmp_path / "clip.mp4"
    film(path, FaultPlan(120, intervals=rates), **kind)
    said = timing(path)
    for name in ("dropped_frames", "duplicated_frames", "corrupt_frames"):
        assert said.findings[name] == {"count": 0, "at": []}
    assert (said.findings["rate_regime"] == "constant") == (rates is None)


def test_every_picture_twice_is_half_as_many_pictures(tmp_path):
    film(path := tmp_path / "clip.mp4", FaultPlan(160, repeated=frozenset(range(11, 160, 2))))
    said = timing(path)
    found = {r.measurand: r for r in said.results}
    assert found["frame_rate"].value == pytest.approx(30, abs=0.01)
    low, high = found["distinct_rate"].interval
    assert low < 30 * 85 / 160 < high  # 75 of 160 are repeats
    assert "different pictures a second" in said.sentence


def test_the_rate_of_different_pictures_leaves_open_what_a_freeze_may_hold(tmp_path):
    repeated = frozenset({40, *range(80, 100)})
    film(path := tmp_path / "clip.mp4", FaultPlan(160, repeated=repeated))
    (found,) = [r for r in timing(path).results if r.measurand == "distinct_rate"]
    low, high = found.interval
    # A recording that froze shows 139 pictures of 160, a camera held still up to 159.
    assert low < 30 * 139 / 160
    assert high > 30 * 159 / 160


def test_repeats_of_a_still_noisy_scene_are_found_and_of_a_denoised_one_named(tmp_path):
    path = tmp_path / "clip.mp4"
    plan = FaultPlan(100, repeated=frozenset({20, 45, 46, 80}))
    film(path, plan, motion="still", noise=4.0)
    assert at(timing(path), "duplicated_frames") == [20, 45, 46, 80]
    film(path, plan, motion="still", noise=0.1)
    said = timing(path)
    assert at(said, "duplicated_frames") == []
    spans = said.findings["undecidable"]["duplicated"]
    for frame in (20, 45, 46, 80):
        assert any(s["first"] <= frame <= s["last"] for s in spans)
    assert any("hardly changes" in w for w in said.warnings)


def test_skipped_content_with_even_stamps_leaves_no_gap(tmp_path):
    """What stamps cannot show is not claimed."""
    path = tmp_path / "clip.mp4"
    film(path, FaultPlan(60, skipped=frozenset({20, 30})))
    assert at(timing(path), "dropped_frames") == []


def test_evidence_shows_the_frames_around_each_first_fault(tmp_path):
    path = tmp_path / "clip.mp4"
    film(path, FaultPlan(90, dropped=frozenset({40}), repeated=frozenset({60})))
    said = timing(path)
    assert [p.caption.split(" (")[0] for p in said.pictures] == [
        "Lost frames between frames 39 and 40",
        "Frame 59 shows the picture of frame 58 again",
    ]
    sheet = cv2.imdecode(np.frombuffer(said.pictures[0].data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert sheet.shape == (288 + 26, 2 * 480 + 6)
    before, after = sheet[26:, :480].astype(float), sheet[26:, 486:].astype(float)
    # Both are pictures of the scene, six pixels of pan apart.
    assert np.corrcoef(before.ravel(), after.ravel())[0, 1] > 0.5
    (figure,) = said.figures
    assert {len(c) for c in figure.columns.values()} == {88}
    assert sorted(k for k in figure.columns["fault"] if k) == ["lost frame follows", "repeated"]
    assert figure.columns["fault"][39] == "lost frame follows"


def test_ten_bit_video_is_measured_in_eight_bit_values(tmp_path):
    path = tmp_path / "deep.mp4"
    with ClipWriter(
        path, 128, 96, 30, bit_rate=None, options={"crf": "0"}, pixel_format="yuv420p10le"
    ) as writer:
        for level in (50, 60, 70):
            writer.write_rgb(np.full((96, 128, 3), level, np.uint8))
    seen = ChangeWatch()
    watch(Source.of(path), [seen])
    assert list(seen.changes)[1:] == pytest.approx([10 * 219 / 255] * 2, abs=0.5)


def test_findings_are_plain_json(tmp_path):
    path = tmp_path / "clip.mp4"
    film(path, FaultPlan(30, dropped=frozenset({10})))
    assert json.loads(json.dumps(timing(path).findings))["dropped_frames"]["at"] == [9]


# Bad input.


def test_a_clip_without_the_clock_is_refused_with_a_picture(tmp_path):
    path = tmp_path / "clip.mp4"
    film(path, FaultPlan(10))
    with pytest.raises(CannotMeasure, match="not found in any of 10 frames") as refusal:
        timing(path, clock="yes")
    assert refusal.value.pictures
    with pytest.raises(WrongCall, match="cannot be 'maybe'"):
        gather(PROCEDURE, {"": [Source.of(path)]}, {}, {"clock": ["maybe"]})


@pytest.mark.parametrize(("frames", "words"), [(1, "one frame"), (2, "2 frames")])
def test_too_few_frames_are_refused(tmp_path, frames, words):
    path = tmp_path / "short.mp4"
    film(path, FaultPlan(frames))
    with pytest.raises(CannotMeasure, match=words):
        timing(path)


def test_a_clip_without_index_is_unreadable(tmp_path):
    film(tmp_path / "whole.mp4", FaultPlan(30))
    with pytest.raises(UnreadableInput):
        timing(cut(tmp_path / "whole.mp4", tmp_path / "part.mp4"))


def test_a_container_that_counts_frames_has_no_jitter(tmp_path):
    path = tmp_path / "clip.avi"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=Fraction(25))
        stream.width, stream.height, stream.pix_fmt = 320, 192, "yuv420p"
        scene = PlainScene(**SMALL)
        for k in range(30):
            frame = av.VideoFrame.from_ndarray(scene.picture(k), format="gray")
            container.mux(stream.encode(frame.reformat(format="yuv420p")))
        container.mux(stream.encode(None))
    said = timing(path)
    assert [r.measurand for r in said.results] == ["frame_rate"]
    assert said.results[0].value == pytest.approx(25.0)
    assert any("counts its frames" in w for w in said.warnings)


def test_a_bare_stream_without_stamps_has_findings_but_no_rate(tmp_path):
    film(tmp_path / "clip.mp4", FaultPlan(40, repeated=frozenset({20})))
    bare = tmp_path / "clip.h264"
    with av.open(str(tmp_path / "clip.mp4")) as source, av.open(str(bare), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    said = timing(bare)
    assert said.results == ()
    assert said.findings["dropped_frames"] is None
    assert at(said, "duplicated_frames") == [20]
    assert any("Time stamps are missing" in w for w in said.warnings)
