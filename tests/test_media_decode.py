"""The one decode pass: planes, stamps, numbers, damage, and files that are none."""

from __future__ import annotations

import random
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.damage import Numbering
from seeworthy.media.frames import ColourTags, watch
from seeworthy.media.light import light_of, linear_rgb
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter

LOSSLESS = {"qp": "0", "preset": "ultrafast"}


class Look:
    """Keeps copies of everything it is shown."""

    def __init__(self, until=None):
        self.until = until
        self.stage = None
        self.frames, self.numbers, self.stamps, self.keys = [], [], [], []
        self.finished = 0

    def begin(self, stage):
        self.stage = stage

    def frame(self, view):
        self.frames.append(view.luma.copy())
        self.numbers.append(view.index)
        self.stamps.append(view.pts)
        self.keys.append(view.key)
        return self.until is None or len(self.frames) < self.until

    def finish(self):
        self.finished += 1


def texture(n, width=160, height=96, seed=0, noise=0):
    rng = np.random.default_rng(seed)
    wide = rng.integers(30, 220, (height, width + 4 * n), dtype=np.uint8)
    frames = [wide[:, 4 * i : 4 * i + width] for i in range(n)]
    return [f + rng.integers(0, noise + 1, f.shape, dtype=np.uint8) for f in frames]


def render(path, frames, seconds=None, **options):
    height, width = frames[0].shape
    options.setdefault("bit_rate", None)
    with ClipWriter(path, width, height, options.pop("rate", 30), **options) as clip:
        for i, luma in enumerate(frames):
            clip.write_luma(luma, None if seconds is None else seconds[i])
    return path


def seen(path, **options):
    look = Look(**options)
    return look, watch(Source.of(path), [look])


def damage(path, numbers, seed=0):
    """Overwrite bytes inside the packets of some frames (numbers in presentation order)."""
    with av.open(str(path)) as clip:
        packets = [(p.pts, p.pos, p.size) for p in clip.demux(video=0) if p.size]
    packets.sort()
    rng = random.Random(seed)
    data = bytearray(path.read_bytes())
    for number in numbers:
        _, at, size = packets[number]
        for i in range(at + size // 3, at + size // 3 + min(40, size // 3)):
            data[i] = rng.randrange(256)
    path.write_bytes(data)


# Geometry -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(160, 96), (162, 90), (96, 160)])
def test_luma_is_handed_out_as_stored_without_a_copy(tmp_path, width, height):
    frames = texture(8, width, height)
    path = render(tmp_path / "a.mp4", frames, options=LOSSLESS)
    look, summary = seen(path)
    assert (look.stage.width, look.stage.height, look.stage.bits) == (width, height, 8)
    assert summary.frames == 8
    assert all(np.array_equal(a, b) for a, b in zip(look.frames, frames, strict=True))

    class NoCopy(Look):
        def frame(self, view):
            assert view.luma.base is not None
            assert not view.luma.flags.writeable
            assert view.luma is view.luma

    watch(Source.of(path), [NoCopy()])


@pytest.mark.parametrize(
    ("layout", "bits", "chroma"),
    [
        ("yuv420p10le", 10, (48, 80)),
        ("yuv422p", 8, (96, 80)),
        ("yuv422p10le", 10, (96, 80)),
        ("yuv444p", 8, (96, 160)),
        ("gray", 8, None),
    ],
)
def test_deep_and_wide_layouts(tmp_path, layout, bits, chroma):
    path = tmp_path / "a.mkv"
    kind, top = (np.uint16, 1023) if bits > 8 else (np.uint8, 255)
    luma = np.linspace(0, top, 96 * 160).astype(kind).reshape(96, 160)
    frame = av.VideoFrame(160, 96, layout)
    for number, plane in enumerate(frame.planes):
        rows = np.zeros((plane.height, plane.line_size // kind().itemsize), kind)
        rows[:, : plane.width] = luma if number == 0 else top // 2 + 10 * number
        plane.update(rows.tobytes())
    with ClipWriter(
        path, 160, 96, 30, bit_rate=None, codec="ffv1", pixel_format=layout, options={}
    ) as clip:
        clip.write_frame(frame)
        clip.write_frame(frame)

    class Planes(Look):
        def frame(self, view):
            self.luma = view.luma.copy()
            self.chroma = None if view.chroma is None else [c.copy() for c in view.chroma]

    look = Planes()
    watch(Source.of(path), [look])
    assert look.stage.bits == bits
    assert np.array_equal(look.luma, luma)
    if chroma is None:
        assert look.chroma is None
    else:
        assert [c.shape for c in look.chroma] == [chroma, chroma]
        assert [int(c[0, 0]) for c in look.chroma] == [top // 2 + 10, top // 2 + 20]
    assert light_of(look.stage).table.size == 1 << bits


@pytest.mark.parametrize("layout", ["yuyv422", "uyvy422", "nv12", "gray16be", "gbrp10le"])
def test_interleaved_and_turned_numbers(tmp_path, layout):
    """The same samples as the planar form of the same picture."""
    deep = layout in ("gray16be", "gbrp10le")
    grey = np.tile(np.linspace(20, 230, 64).astype(np.uint8), (48, 1))
    rgb = np.stack([grey, grey, grey[:, ::-1] // 2 + 60], axis=-1)
    frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format=layout)
    path = tmp_path / "a.nut"
    with ClipWriter(
        path, 64, 48, 30, bit_rate=None, codec="rawvideo", pixel_format=layout, options={}
    ) as clip:
        clip.write_frame(frame)

    class Planes(Look):
        def frame(self, view):
            self.luma = view.luma.copy()
            self.chroma = None if view.chroma is None else [c.copy() for c in view.chroma]

    look = Planes()
    watch(Source.of(path), [look])
    same = {"yuyv422": "yuv422p", "uyvy422": "yuv422p", "nv12": "yuv420p"}.get(layout)
    assert look.luma.shape == (48, 64)
    assert look.luma.dtype == (np.uint16 if deep else np.uint8)
    if same is None:
        top = 65535 if layout == "gray16be" else 1023
        luma = 0.299 * rgb[..., 0] + 0.587 * rgb[..., 1] + 0.114 * rgb[..., 2]
        assert np.allclose(look.luma / top, luma / 255, atol=0.01)
        return
    planar = frame.reformat(format=same)
    wanted = planar.to_ndarray()
    assert np.array_equal(look.luma, wanted[:48] if same == "yuv420p" else np.asarray(wanted)[:48])
    assert look.chroma[0].shape == (24 if same == "yuv420p" else 48, 32)
    assert light_of(look.stage).range == "limited"


def test_a_clip_stored_as_rgb(tmp_path):
    path = tmp_path / "a.avi"
    rgb = np.zeros((48, 64, 3), np.uint8)
    rgb[:, 32:] = (200, 100, 50)
    with ClipWriter(
        path, 64, 48, 30, bit_rate=None, codec="rawvideo", pixel_format="bgr24", options={}
    ) as clip:
        clip.write_frame(av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format="bgr24"))

    class Colour(Look):
        def frame(self, view):
            self.luma, self.rgb, self.linear = view.luma.copy(), view.rgb(), linear_rgb(view)

    look = Colour()
    watch(Source.of(path), [look])
    assert np.array_equal(look.rgb, rgb)
    # Luma of BT.601 in full range: 0.299 R + 0.587 G + 0.114 B.
    assert look.luma[0, 40] == pytest.approx(0.299 * 200 + 0.587 * 100 + 0.114 * 50, abs=1)
    how = light_of(look.stage)
    assert (how.range, how.matrix) == ("full", "RGB")
    assert np.allclose(look.linear[0, 40], how.decode_signal(np.array([200, 100, 50]) / 255))


def test_linear_rgb_of_a_coded_patch(tmp_path):
    # A patch of R'G'B' = (0.8, 0.4, 0.2) through BT.709 Y'CbCr and back, one code of rounding.
    kr, kb = 0.2126, 0.0722
    r, g, b = 0.8, 0.4, 0.2
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    codes = [round(16 + 219 * y), round(128 + 224 * cb), round(128 + 224 * cr)]
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 64, 48, 30, bit_rate=None, options=LOSSLESS) as clip:
        planes = [np.full((48, 64), codes[0], np.uint8)]
        planes += [np.full((24, 32), c, np.uint8) for c in codes[1:]]
        clip.write_yuv420(*planes)

    class Colour(Look):
        def frame(self, view):
            self.linear = linear_rgb(view)

    look = Colour()
    watch(Source.of(path), [look])
    wanted = light_of(look.stage).decode_signal(np.array([r, g, b]))
    assert np.allclose(look.linear, wanted, atol=0.012)
    assert light_of(look.stage).assumptions == ()


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_rotation_of_a_phone_is_told_clockwise(tmp_path, rotation):
    path = render(tmp_path / "a.mp4", texture(3), rotation=rotation)
    look, _ = seen(path)
    assert look.stage.rotation == rotation
    # The stored frame is not turned.
    assert look.frames[0].shape == (96, 160)


def test_tags_are_those_of_the_file(tmp_path):
    tags = ColourTags(None, 6, 13, 9)
    path = render(tmp_path / "a.mp4", texture(3), tags=tags, full_range=True)
    assert seen(path)[0].stage.tags == ColourTags("full", 6, 13, 9)
    path = render(tmp_path / "b.mp4", texture(3), tags=ColourTags())
    # Limited range without a colour description is what an encoder leaves unsaid.
    assert seen(path)[0].stage.tags == ColourTags()


# Stamps and numbers -------------------------------------------------------------------------


def test_stamps_are_the_file_s_own_integers(tmp_path):
    at = [0, 0.033, 0.07, 0.1, 0.25, 0.2833, 0.3]
    path = render(tmp_path / "a.mp4", texture(7), at)
    look, _ = seen(path)
    assert look.stage.time_base == Fraction(1, 90000)
    assert look.stamps == [round(t * 90000) for t in at]


def test_frames_are_numbered_in_presentation_order(tmp_path):
    frames = texture(40)
    path = render(tmp_path / "a.mp4", frames, options={**LOSSLESS, "preset": "fast", "bf": "3"})
    look, summary = seen(path)
    assert look.numbers == list(range(40))
    assert summary.frames == 40
    assert all(np.array_equal(a, b) for a, b in zip(look.frames, frames, strict=True))


def test_without_frame_times_frames_are_counted(tmp_path):
    look, summary = seen(render(tmp_path / "a.h264", texture(10)))
    assert look.numbers == list(range(10))
    assert summary.frames == 10


def test_observers_leave_when_they_have_seen_enough(tmp_path):
    path = render(tmp_path / "a.mp4", texture(30))
    short, long = Look(until=5), Look()
    summary = watch(Source.of(path), [short, long])
    assert (len(short.frames), len(long.frames)) == (5, 30)
    assert (short.finished, long.finished) == (1, 1)
    assert not summary.stopped
    look, summary = seen(path, until=4)
    assert summary.stopped
    assert summary.frames == len(look.frames) == 4


def test_progress_rises_and_stop_stops(tmp_path):
    path = render(tmp_path / "a.mp4", texture(60))
    told = []
    watch(Source.of(path), [Look()], progress=told.append)
    assert told == sorted(told)
    assert len(told) > 2
    assert told[0] >= 0
    assert told[-1] <= 1
    summary = watch(Source.of(path), [Look()], stop=lambda: True)
    assert summary.stopped
    assert summary.frames < 60


# Damage -------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_damaged_frames_are_found_by_number_every_time(tmp_path, seed):
    # Large enough for the decoder to notice: in a packet of some hundred bytes CABAC can
    # decode nonsense to the last macroblock without a contradiction.
    frames = texture(45, 640, 360, seed=seed, noise=15)
    path = render(tmp_path / "a.mp4", frames, options={"g": "15", "bf": "2", "crf": "30"})
    numbers = sorted(random.Random(seed).sample(range(45), 3))
    damage(path, numbers, seed)
    for _ in range(3):
        look, summary = seen(path)
        assert summary.corrupt == numbers
        # The decoder may swallow a damaged frame; the others keep their numbers.
        assert set(range(45)) - set(look.numbers) <= set(numbers)
        assert look.stamps == [n * 3000 for n in look.numbers]


def test_damage_is_exact_in_the_part_looked_at(tmp_path):
    path = render(tmp_path / "a.mp4", texture(45, 640, 360, noise=15), options={"crf": "30"})
    damage(path, [5, 30])
    _, summary = seen(path, until=20)
    assert summary.stopped
    assert summary.frames == 20
    assert summary.corrupt == [5]


@pytest.mark.slow  # 40 s; the two hundred broken files of test_faults came to rest as well
def test_a_decoder_is_never_freed_while_its_threads_have_something_to_say(tmp_path):
    # Every packet is damaged, so that the threads report all the time; the interpreter's lock
    # is wanted by others, so that the reports wait. It came to rest for ever within 6 to 30
    # rounds, 8 of 8 times, when containers were closed without waiting for the decoder.
    rng = np.random.default_rng(1)
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("libx264", rate=25, options={"g": "12", "crf": "20"})
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for _ in range(60):
            noise = rng.integers(0, 255, (240, 320, 3), dtype=np.uint8)
            clip.mux(stream.encode(av.VideoFrame.from_ndarray(noise, format="rgb24")))
        clip.mux(stream.encode())
    data = bytearray(path.read_bytes())
    for at in range(4000, len(data) - 4000, 700):
        data[at] ^= 0xFF
    path.write_bytes(data)
    loop = Path(__file__).parent / "closing_loop.py"
    subprocess.run([sys.executable, str(loop), str(path)], check=True, timeout=240)


def test_a_sound_clip_has_no_damage(tmp_path):
    _, summary = seen(render(tmp_path / "a.mp4", texture(40), options={"bf": "2"}))
    assert summary.corrupt == []
    assert summary.warnings == []


def test_a_frame_that_cannot_be_decoded_at_all_keeps_the_others_numbers(tmp_path):
    frames = texture(30)
    path = render(tmp_path / "a.mp4", frames, options={**LOSSLESS, "bf": "0", "g": "1"})
    with av.open(str(path)) as clip:
        packets = [(p.pos, p.size) for p in clip.demux(video=0) if p.size]
    data = bytearray(path.read_bytes())
    at, size = packets[12]
    data[at : at + size] = bytes([0, 0, 0, 1]) * (size // 4) + bytes(size % 4)
    path.write_bytes(data)
    look, summary = seen(path)
    assert summary.corrupt == [12]
    assert summary.frames == 30
    kept = dict(zip(look.numbers, look.frames, strict=True))
    assert all(np.array_equal(kept[i], frames[i]) for i in range(30) if i != 12)


def test_a_clip_cut_at_the_end_gives_what_is_there(tmp_path):
    path = render(tmp_path / "a.mp4", texture(60), muxer={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    look, summary = seen(path)
    assert 20 < len(look.frames) < 60
    assert any("announces 60 frames" in w for w in summary.warnings)


def test_a_picture_that_changes_its_size(tmp_path):
    first = render(tmp_path / "a.h264", texture(10))
    second = render(tmp_path / "b.h264", texture(10, 96, 64))
    (tmp_path / "c.h264").write_bytes(first.read_bytes() + second.read_bytes())
    look, summary = seen(tmp_path / "c.h264")
    assert {f.shape for f in look.frames} == {(96, 160)}
    assert summary.frames == 20
    assert any("from 160×96 to 96×64 at frame 10" in w for w in summary.warnings)


# Files that are none ------------------------------------------------------------------------


def refused(path):
    with pytest.raises(UnreadableInput) as caught:
        seen(path)
    assert caught.value.hint
    assert path.name in caught.value.message
    return caught.value.message


def test_empty_and_text_files(tmp_path):
    empty, text = tmp_path / "a.mov", tmp_path / "b.mov"
    empty.write_bytes(b"")
    text.write_text("It was a dark and stormy night.\n" * 50, encoding="utf-8")
    assert "empty" in refused(empty)
    assert "it holds text" in refused(text)


def test_random_bytes(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(random.Random(1).randbytes(20000))
    refused(path)


@pytest.mark.parametrize("ending", [".mp4", ".mov"])
def test_a_file_that_was_never_finalised(tmp_path, ending):
    path = render(tmp_path / f"a{ending}", texture(60))
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moov") - 4])
    message = refused(path)
    assert "never finalised" in message
    assert "MB of pictures and sound" in message


def test_a_copy_that_broke_off_before_the_index(tmp_path):
    path = render(tmp_path / "a.mp4", texture(60))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "are missing" in refused(path)


def test_sound_only(tmp_path):
    path = tmp_path / "a.m4a"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.float32), "fltp", "mono")
        frame.sample_rate = 48000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    assert "sound but no moving picture" in refused(path)


def test_one_frame_is_a_clip_for_the_pass(tmp_path):
    look, summary = seen(render(tmp_path / "a.mp4", texture(1)))
    assert (len(look.frames), summary.frames) == (1, 1)


class Sent:
    """A packet as far as the numbering looks at it."""

    size, is_discard = 100, False

    def __init__(self, pts):
        self.pts = pts


def test_stamps_that_fall_number_nothing():
    # A sample table of zero durations: many stamps are alike, those of B-frames fall.
    numbering = Numbering()
    for pts in (0, 0, 0, 3000, -3000, 0, 0, 3000, -3000, 3000, -3000, 0):
        numbering.sent(Sent(pts))
    found = [numbering.number(p) for p in (0, 3000, -3000, 0, 0, 3000, -3000, 3000, -3000, 0)]
    numbering.ended()
    assert numbering.lost == []
    assert found[-1] == len(found) - 1


def test_two_early_frames_are_no_reason_to_give_up_the_stamps():
    numbering = Numbering()
    for pts in (0, 2, 1, 4, 3, 6, 5, 7, 8):
        numbering.sent(Sent(pts))
    for pts in (0, 2, 1, 3, 4, 6, 7, 8):
        numbering.number(pts)
    numbering.ended()
    assert len(numbering.lost) in (1, 2)  # 5 never came out
