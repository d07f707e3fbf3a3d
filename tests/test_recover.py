"""Recovery of clips cut before their index was written, in five container layouts."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from scipy import signal

from seeworthy.cli import main
from seeworthy.ground.errors import CannotMeasure, Conflict, UnreadableInput
from seeworthy.media.recover import recover
from seeworthy.media.recover.reference import study
from seeworthy.media.source import Source

RATE = 48_000


@dataclass(frozen=True)
class Layout:
    name: str
    ending: str
    codec: str
    sound: str | None
    b_frames: int = 0
    channels: str = "mono"


LAYOUTS = [
    Layout("mp4-avc-aac", "mp4", "libx264", "aac"),
    Layout("mp4-avc-aac-reordered", "mp4", "libx264", "aac", 2),
    Layout("mov-avc-pcm", "mov", "libx264", "pcm_s16le"),
    Layout("mov-mjpeg-pcm", "mov", "mjpeg", "pcm_s16le"),
    Layout("mp4-avc-silent", "mp4", "libx264", None, 2),
]


def write(path: Path, layout: Layout, frames: int, size=(320, 240), seed=0) -> None:
    """A moving texture with a noisy tone, muxed by FFmpeg as a camera would."""
    rng = np.random.default_rng(seed)
    width, height = size
    scene = cv2.GaussianBlur(
        rng.integers(0, 255, (height * 2, width * 2, 3), dtype=np.uint8), (0, 0), 3
    )
    times = np.arange(frames * RATE // 30) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 440 * times) + 0.01 * rng.standard_normal(times.size)
    with av.open(str(path), "w") as target:
        video = target.add_stream(layout.codec, rate=30)
        video.width, video.height = size
        video.pix_fmt = "yuvj420p" if layout.codec == "mjpeg" else "yuv420p"
        video.bit_rate = 1_500_000
        if layout.codec == "libx264":
            video.options = {"bf": str(layout.b_frames), "preset": "veryfast", "g": "30"}
        audio = target.add_stream(layout.sound, rate=RATE) if layout.sound else None
        if audio is not None:
            audio.layout = layout.channels
        step = RATE // 30
        for i in range(frames):
            crop = scene[i % height : i % height + height, i % width : i % width + width]
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(crop), format="rgb24")
            frame.pts = i
            target.mux(video.encode(frame.reformat(format=video.pix_fmt)))
            if audio is not None:
                target.mux(audio.encode(_sound(tone[i * step : (i + 1) * step], i * step, layout)))
        target.mux(video.encode())
        if audio is not None:
            target.mux(audio.encode())


def _sound(samples, start, layout):
    if layout.sound == "aac":
        data, form = samples.astype(np.float32)[None], "fltp"
    else:
        data, form = (samples * 32767).astype(np.int16)[None], "s16"
    if layout.channels == "stereo":
        data = np.stack([data[0], data[0][::-1]])
        data = data if layout.sound == "aac" else data.T.reshape(1, -1)
    frame = av.AudioFrame.from_ndarray(data, format=form, layout=layout.channels)
    frame.sample_rate = RATE
    frame.pts = start
    return frame


def cut(whole: Path, broken: Path, share: float) -> None:
    """What the card holds when power dies: everything up to a byte before the index."""
    data = whole.read_bytes()
    data = data[: data.rfind(b"moov") - 4]
    broken.write_bytes(data[: int(len(data) * share)])


def complete_frames(whole: Path, limit: int) -> int:
    """Pictures of the whole file that lie fully before a byte, by FFmpeg's own index."""
    with av.open(str(whole)) as container:
        stream = container.streams.video[0]
        return sum(p.size > 0 and p.pos + p.size <= limit for p in container.demux(stream))


@pytest.fixture(scope="module", params=LAYOUTS, ids=lambda layout: layout.name)
def case(request, tmp_path_factory):
    layout = request.param
    folder = tmp_path_factory.mktemp(layout.name)
    good, whole, broken = (folder / f"{n}.{layout.ending}" for n in ("good", "whole", "broken"))
    write(good, layout, 60, seed=1)
    write(whole, layout, 150, seed=2)
    cut(whole, broken, 0.9)
    before = broken.read_bytes()
    out = folder / f"out.{layout.ending}"
    found = recover(Source.of(broken), Source.of(good), out)
    assert broken.read_bytes() == before
    return layout, whole, broken, found


def test_at_least_98_percent_of_the_complete_frames_come_back(case):
    _, whole, broken, found = case
    there = complete_frames(whole, broken.stat().st_size)
    assert there > 100
    assert found.frames >= 0.98 * there
    assert found.frames <= there


def test_every_picture_is_the_one_that_was_filmed(case):
    layout, whole, _, found = case
    with av.open(str(whole)) as a, av.open(str(found.path)) as b:
        pairs = zip(a.decode(video=0), b.decode(video=0), strict=False)
        compared = 0
        for one, other in pairs:
            if compared > found.frames - 4:  # the last ones may lack their references
                break
            assert np.array_equal(one.to_ndarray(format="gray"), other.to_ndarray(format="gray"))
            compared += 1
    assert compared > 100, layout.name


def test_sound_stays_in_sync_within_40_ms(case):
    layout, whole, _, found = case
    if layout.sound is None:
        assert found.sound_seconds == 0
        return
    assert _offset(found.path) == pytest.approx(_offset(whole), abs=0.040)
    assert found.sound_seconds == pytest.approx(found.seconds, abs=0.15)
    one, other = _heard(whole), _heard(found.path)
    scores = signal.correlate(other, one, mode="same", method="fft")
    assert abs(int(np.argmax(scores)) - len(one) // 2) / RATE <= 0.040


def _heard(path):
    """Sound as heard, sample by sample from the first picture on."""
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        zero = float(video.start_time * video.time_base)
        heard = np.zeros(RATE * 8)
        for frame in container.decode(audio=0):
            samples = frame.to_ndarray().ravel().astype(float)
            at = round((frame.time - zero) * RATE)
            skip = max(0, -at)
            heard[at + skip : at + len(samples)] = samples[skip:]
    return heard / np.abs(heard).max()


def _offset(path):
    with av.open(str(path)) as container:
        video, audio = container.streams.video[0], container.streams.audio[0]
        return float(audio.start_time * audio.time_base - video.start_time * video.time_base)


def test_ffmpeg_plays_it_without_an_error(case):
    if shutil.which("ffmpeg") is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs ffmpeg")
        pytest.skip("ffmpeg is not installed")
    _, _, _, found = case
    command = ["ffmpeg", "-v", "error", "-err_detect", "explode", "-i", str(found.path)]
    done = subprocess.run(
        [*command, "-f", "null", "-"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert done.stderr == ""


# Refusals.


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pair")
    layout = LAYOUTS[0]
    write(folder / "good.mp4", layout, 45, seed=1)
    write(folder / "whole.mp4", layout, 45, seed=2)
    cut(folder / "whole.mp4", folder / "broken.mp4", 0.9)
    write(folder / "other.mp4", layout, 45, size=(160, 128), seed=3)
    return folder


def test_a_good_clip_of_another_mode_is_refused(pair, tmp_path):
    out = tmp_path / "out.mp4"
    with pytest.raises(CannotMeasure) as caught:
        recover(Source.of(pair / "broken.mp4"), Source.of(pair / "other.mp4"), out)
    assert "same" in caught.value.hint
    assert not out.exists()
    assert not list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def modes(tmp_path_factory):
    """Cut clips with AAC and with PCM, and good clips of other modes."""
    folder = tmp_path_factory.mktemp("modes")
    aac, pcm = LAYOUTS[0], LAYOUTS[2]
    silent = Layout("silent", "mp4", "libx264", None)
    for name, layout in (("aac.mp4", aac), ("pcm.mov", pcm)):
        write(folder / f"whole-{name}", layout, 120, seed=2)
        cut(folder / f"whole-{name}", folder / f"broken-{name}", 0.9)
        write(folder / f"good-{name}", layout, 45, seed=1)
    write(folder / "silent.mp4", silent, 45, seed=1)
    write(folder / "tall.mp4", aac, 45, size=(320, 256), seed=1)
    fast = folder / "fast.mp4"  # the same packets at 60 Hz
    with av.open(str(folder / "good-aac.mp4")) as source, av.open(str(fast), "w") as target:
        streams = {s.index: target.add_stream_from_template(s) for s in source.streams}
        for packet in source.demux():
            if packet.size:
                if packet.stream.type == "video":
                    packet.pts, packet.dts = packet.pts // 2, packet.dts // 2
                    packet.duration //= 2
                packet.stream = streams[packet.stream.index]
                target.mux(packet)
    return folder


@pytest.mark.parametrize(
    ("broken", "good", "match"),
    [
        ("aac.mp4", "tall.mp4", "320×256"),
        ("aac.mp4", "good-pcm.mov", r"last 3.* s, its sound 0\.\d+ s if it is pcm_s16le"),
        ("aac.mp4", "fast.mp4", "At the 60 pictures a second"),
        ("aac.mp4", "silent.mp4", "most likely sound; 'silent.mp4' has no sound"),
        ("pcm.mov", "silent.mp4", "most likely sound; 'silent.mp4' has no sound"),
        ("pcm.mov", "good-aac.mp4", "are not the sound of 'good-aac.mp4' \\(aac of 48000 Hz"),
    ],
)
def test_a_good_clip_of_another_mode_is_refused_with_the_difference(
    modes, tmp_path, broken, good, match
):
    out = tmp_path / "out.mp4"
    with pytest.raises(CannotMeasure, match=match) as caught:
        recover(Source.of(modes / f"broken-{broken}"), Source.of(modes / good), out)
    assert caught.value.hint.startswith("Give a good clip")
    assert not list(tmp_path.iterdir())


def test_pictures_alone_on_request(modes, tmp_path, capsys):
    """The sound does not fit, the pictures do: they come back without it."""
    broken, good, out = modes / "broken-pcm.mov", modes / "good-aac.mp4", tmp_path / "out.mp4"
    words = ["recover", str(broken), "--like", str(good), "--out", str(out), "--without-sound"]
    assert main.run([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["frames"] >= 0.98 * complete_frames(modes / "whole-pcm.mov", broken.stat().st_size)
    with av.open(str(out)) as container:
        assert not container.streams.audio
        assert sum(1 for _ in container.decode(video=0)) == told["frames"]


def test_a_clip_that_is_whole_needs_no_recovery(pair, tmp_path):
    with pytest.raises(Conflict, match="needs no recovery"):
        recover(Source.of(pair / "whole.mp4"), Source.of(pair / "good.mp4"), tmp_path / "o.mp4")


def test_nothing_is_overwritten(pair, tmp_path):
    out = tmp_path / "out.mp4"
    out.write_text("dear")
    with pytest.raises(Conflict, match="exists"):
        recover(Source.of(pair / "broken.mp4"), Source.of(pair / "good.mp4"), out)
    assert out.read_text() == "dear"


def test_a_broken_good_clip_is_of_no_use(pair, tmp_path):
    with pytest.raises(UnreadableInput, match="never finalised"):
        recover(Source.of(pair / "broken.mp4"), Source.of(pair / "broken.mp4"), tmp_path / "o.mp4")


def test_noise_is_no_clip(pair, tmp_path):
    noise = tmp_path / "noise.mp4"
    noise.write_bytes(np.random.default_rng(1).bytes(200_000))
    with pytest.raises(CannotMeasure, match="No picture"):
        recover(Source.of(noise), Source.of(pair / "good.mp4"), tmp_path / "o.mp4")


def test_the_command_says_what_came_back(pair, tmp_path, capsys):
    out = tmp_path / "out.mp4"
    words = [
        "recover",
        str(pair / "broken.mp4"),
        "--like",
        str(pair / "good.mp4"),
        "--out",
        str(out),
    ]
    assert main.run([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["frames"] > 35
    assert out.is_file()
    assert main.run(words) == 2


def test_order_of_display_survives_the_wrap_of_its_counter():
    # ITU-T H.264, 8.2.1.1: the lsb wraps at 16 here; two pictures are shown before the one
    # that is coded ahead of them.
    from seeworthy.media.recover.slices import Parameters, Sample, display_order

    known = Parameters(frozenset(), frozenset({0}), 4, 0, 4, True, False)
    shown = [0]
    for group in range(6):
        shown += [3 * group + 3, 3 * group + 1, 3 * group + 2]
    samples = [
        Sample(i, 1, i == 0, place % 3 == 0, (2 * place) % 16) for i, place in enumerate(shown)
    ]
    assert display_order(samples, known) == shown


# What opens as it is, and AVI.

AVI = Layout("avi-mjpeg-pcm", "avi", "mjpeg", "pcm_s16le")


@pytest.fixture(scope="module")
def avis(tmp_path_factory):
    """An AVI cut in the middle, the same with its head wiped, and a good one."""
    folder = tmp_path_factory.mktemp("avi")
    write(folder / "good.avi", AVI, 45, seed=1)
    write(folder / "whole.avi", AVI, 120, seed=2)
    data = (folder / "whole.avi").read_bytes()
    data = data[: int(0.6 * len(data))]
    (folder / "cut.avi").write_bytes(data)
    start = data.find(b"movi") - 8
    (folder / "wiped.avi").write_bytes(data[:12] + bytes(start - 12) + data[start:])
    return folder


def test_an_avi_that_was_cut_opens_as_it_is_and_says_so(avis, tmp_path):
    with pytest.raises(Conflict, match=r"opens as it is: \d+ pictures, 2\.\d+ s") as caught:
        recover(Source.of(avis / "cut.avi"), Source.of(avis / "good.avi"), tmp_path / "out.avi")
    assert "Open it as it is" in caught.value.hint
    assert not list(tmp_path.iterdir())


def test_an_avi_without_its_head_keeps_rate_sound_and_container(avis, tmp_path):
    out = tmp_path / "out.avi"
    found = recover(Source.of(avis / "wiped.avi"), Source.of(avis / "good.avi"), out)
    with av.open(str(avis / "cut.avi")) as container:  # what FFmpeg reads of the same bytes
        kept = [(p.stream.type, bytes(p)) for p in container.demux() if p.size]
    pictures = sum(kind == "video" for kind, _ in kept)
    sound = b"".join(data for kind, data in kept if kind == "audio")
    assert found.frames in (pictures - 1, pictures)
    assert found.seconds == pytest.approx(found.frames / 30)
    with av.open(str(out)) as container:
        assert container.format.name == "avi"
        assert container.streams.video[0].average_rate == 30
        assert sum(1 for _ in container.decode(video=0)) == found.frames
    with av.open(str(out)) as container:
        heard = b"".join(bytes(p) for p in container.demux(audio=0))
    # Not a byte of a chunk's head among the samples.
    assert abs(len(heard) - len(sound)) <= 2
    assert heard[: len(sound) - 2] == sound[: len(heard)][: len(sound) - 2]


def test_a_fragmented_file_opens_as_it_is(pair, tmp_path):
    path = tmp_path / "pieces.mp4"
    options = {"movflags": "frag_keyframe+empty_moov+default_base_moof"}
    with (
        av.open(str(pair / "whole.mp4")) as source,
        av.open(str(path), "w", options=options) as target,
    ):
        streams = {s.index: target.add_stream_from_template(s) for s in source.streams}
        for packet in source.demux():
            if packet.size:
                packet.stream = streams[packet.stream.index]
                target.mux(packet)
    data = path.read_bytes()
    path.write_bytes(data[: int(0.9 * len(data))])
    with pytest.raises(Conflict, match=r"opens as it is: \d+ pictures"):
        recover(Source.of(path), Source.of(pair / "good.mp4"), tmp_path / "out.mp4")


@pytest.mark.parametrize(
    ("sound", "ending", "match"),
    [("aac", "mp4", "is stereo, that of"), ("pcm_s16le", "mov", "has 2 channels where")],
)
def test_mono_and_stereo_are_told_apart(tmp_path, sound, ending, match):
    one = Layout("one", ending, "libx264", sound)
    two = Layout("two", ending, "libx264", sound, channels="stereo")
    write(tmp_path / f"good.{ending}", one, 45, seed=1)
    write(tmp_path / f"whole.{ending}", two, 60, seed=2)
    cut(tmp_path / f"whole.{ending}", tmp_path / f"broken.{ending}", 0.95)
    with pytest.raises(CannotMeasure, match=match):
        recover(
            Source.of(tmp_path / f"broken.{ending}"), Source.of(tmp_path / f"good.{ending}"),
            tmp_path / f"out.{ending}",
        )  # fmt: skip


def test_mpeg_4_visual_is_refused_by_name_before_any_work(pair, tmp_path):
    write(tmp_path / "good.mp4", Layout("visual", "mp4", "mpeg4", None), 20)
    with pytest.raises(UnreadableInput, match=r"MPEG-4 Visual; only H\.264 and Motion JPEG"):
        recover(
            Source.of(pair / "broken.mp4"), Source.of(tmp_path / "good.mp4"), tmp_path / "o.mp4"
        )


def test_the_step_is_the_median_of_the_good_clip(pair, tmp_path):
    """A pause in the good clip, and its mean is 9 % too long; the median is not."""
    paused = tmp_path / "paused.mp4"
    with av.open(str(pair / "good.mp4")) as source, av.open(str(paused), "w") as target:
        stream = source.streams.video[0]
        copy = target.add_stream_from_template(stream)
        late = round(0.14 / stream.time_base)
        for packet in source.demux(stream):
            if packet.size:
                if packet.pts * stream.time_base > 0.7:
                    packet.pts, packet.dts = packet.pts + late, packet.dts + late
                packet.stream = copy
                target.mux(packet)
    assert study(Source.of(paused)).frame_duration == pytest.approx(1 / 30, rel=1e-4)
