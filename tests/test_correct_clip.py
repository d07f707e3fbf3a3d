"""A clip mended whole: times, sound, turn and tags kept; nothing half-written; refusals."""

from __future__ import annotations

import html
import json
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.bench.running import run_bench
from seeworthy.cli.main import run as seeworthy
from seeworthy.ground.errors import CannotMeasure, Conflict, NoSpace, WrongCall
from seeworthy.judge.correct.apply import correct_clip
from seeworthy.judge.correct.data import ColourData, Corrections, DataOrigin, LensData, parse
from seeworthy.judge.correct.outclip import OutClip, default_name
from seeworthy.media.frames import ColourTags
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.optics.lens import LensCamera
from serving import served

W, H = 160, 96
STAMPS = [0.04, 0.07, 0.1123, 0.15, 0.31, 0.32, 0.4, 0.45, 0.61, 0.7]  # variable rate

LENS = LensData(
    LensCamera("pinhole", W, H, 110, 110, 80, 47, (-0.2, 0.02, 0, 0, 0)), 1.0, DataOrigin("board")
)
SHADING = parse(
    {"kind": "shading", "size": [W, H], "grid": [8, 6], "gain": [[1.5] * 48] * 3},
    DataOrigin("wall"),
)
COLOUR = ColourData(np.eye(3) * 1.1 - 0.03, 1.0, DataOrigin("scene"))
ALL = Corrections.of(LENS, SHADING, COLOUR)


def film(path, *, colour=True, sound="aac", frames=STAMPS, **options):
    """A short coloured clip with sound and uneven times."""
    rng = np.random.default_rng(0)
    with ClipWriter(path, W, H, 30, sound=(48000, 2) if sound else None, sound_codec=sound or "aac",
                    **options) as writer:  # fmt: skip
        for i, at in enumerate(frames):
            luma = np.full((H, W), 60 + 5 * i, np.uint8)
            luma[20:40, 30:80] = 150
            cb = np.full((H // 2, W // 2), 110 if colour else 128, np.uint8)
            writer.write_yuv420(luma, cb, np.full_like(cb, 140 if colour else 128), at)
            if sound:
                writer.write_sound(rng.normal(0, 0.1, (4800, 2)))
    return Source.of(path)


def packets(path, kind):
    """(time, bytes) of the packets of a kind, in order of display."""
    with av.open(str(path)) as container:
        stream = container.streams.get({kind: 0})[0]
        found = [(p.pts * p.time_base, bytes(p)) for p in container.demux(stream) if p.size]
    return sorted(found)


def pictures(path):
    with av.open(str(path)) as container:
        return [f.to_ndarray(format="yuv420p") for f in container.decode(video=0)]


@pytest.mark.parametrize("ending", [".mp4", ".mov"])
def test_times_and_sound_are_the_old_ones(tmp_path, ending):
    clip = film(tmp_path / f"a{ending}")
    found = correct_clip(clip, ALL, tmp_path / f"b{ending}")
    old, new = packets(clip.path, "video"), packets(found.path, "video")
    assert [t for t, _ in new] == [t for t, _ in old]
    assert old[0][0] == Fraction(1, 25)
    assert packets(found.path, "audio") == packets(clip.path, "audio")
    assert found.frames == 10
    assert len(found.applied) == 3
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize("number", [0, 5])
def test_one_frame_alone_is_that_of_the_whole(tmp_path, number):
    clip = film(tmp_path / "a.mp4", sound=None)
    whole = pictures(correct_clip(clip, ALL, tmp_path / "b.mp4").path)
    found = correct_clip(clip, ALL, tmp_path / "c.mp4", only=number)
    (one,) = pictures(found.path)
    assert found.frames == 1
    # Each is coded anew; neighbours are 5 codes brighter or darker.
    assert np.abs(one.astype(float) - whole[number]).mean() < 1.5


def test_sound_as_samples_goes_into_mov(tmp_path):
    clip = film(
        tmp_path / "a.avi", sound="pcm_s16le", frames=[i / 30 for i in range(9)], codec="mjpeg",
        pixel_format="yuv420p", time_base=Fraction(1, 30), full_range=True,
        options={"strict": "unofficial"},
    )  # fmt: skip
    out = default_name(clip)
    assert out.name == "a-corrected.mov"
    correct_clip(clip, ALL, out)
    old, new = (b"".join(data for _, data in packets(p, "audio")) for p in (clip.path, out))
    assert old == new
    times = [t for t, _ in packets(out, "video")]
    assert np.diff([float(t) for t in times]) == pytest.approx(1 / 30, abs=1e-9)


def test_times_of_matroska_in_milliseconds_stay(tmp_path):
    clip = film(tmp_path / "a.mkv")
    out = correct_clip(clip, ALL, tmp_path / "b.mp4").path
    old, new = packets(clip.path, "video"), packets(out, "video")
    assert [t for t, _ in new] == [t for t, _ in old]


def test_turn_pixel_shape_and_tags_stay(tmp_path):
    tags = ColourTags(None, 6, 6, 5)
    clip = film(
        tmp_path / "a.mp4", rotation=90, aspect=Fraction(4, 3), tags=tags, full_range=True,
        metadata={"creation_time": "2026-03-21T10:00:00"},
    )  # fmt: skip
    out = correct_clip(clip, ALL, tmp_path / "b.mp4").path
    with av.open(str(clip.path)) as old, av.open(str(out)) as new:
        assert new.metadata["creation_time"] == old.metadata["creation_time"]
        assert "board" in new.metadata["comment"]
        a, b = (next(c.decode(video=0)) for c in (old, new))
        assert new.streams.video[0].sample_aspect_ratio == Fraction(4, 3)
        for name in ("rotation", "color_range", "colorspace", "color_trc", "color_primaries"):
            assert getattr(b, name) == getattr(a, name)
        assert b.rotation == -90


def test_what_is_not_tagged_stays_untagged(tmp_path):
    clip = film(tmp_path / "a.mp4", tags=ColourTags())
    out = correct_clip(clip, ALL, tmp_path / "b.mp4").path
    with av.open(str(out)) as new:
        frame = next(new.decode(video=0))
        assert (frame.colorspace, frame.color_trc, frame.color_primaries) == (2, 2, 2)


def test_the_picture_is_what_one_frame_gives(tmp_path):
    from seeworthy.judge.correct.gain import gain_field
    from seeworthy.judge.correct.pixels import Mender
    from seeworthy.judge.correct.undistort import plan_undistortion
    from seeworthy.media.light import light

    clip = film(tmp_path / "a.mp4")
    out = correct_clip(clip, ALL, tmp_path / "b.mp4", keep_all=True).path
    mender = Mender.of(
        light(ColourTags("limited", 1, 1, 1), 8), gain_field(SHADING, (W, H)), COLOUR.product,
        plan_undistortion(LENS, (W, H), True),
    )  # fmt: skip
    for old, new in zip(pictures(clip.path), pictures(out), strict=True):
        luma, rest = old[:H], old[H:].reshape(2, H // 2, W // 2)
        wanted, cb, _ = mender.apply(luma, rest[0], rest[1])
        away = np.abs(new[:H].astype(int) - wanted)
        assert away.mean() < 1
        assert np.percentile(away, 99) < 6  # the encoder's share
        assert np.abs(new[H:].reshape(2, H // 2, W // 2)[0].astype(int) - cb).mean() < 1


def test_ten_bits_stay_ten(tmp_path):
    path = tmp_path / "a.mp4"
    with ClipWriter(path, W, H, 30, pixel_format="yuv420p10le") as writer:
        for _ in range(3):
            frame = av.VideoFrame(W, H, "yuv420p10le")
            for plane, code in zip(frame.planes, (400, 512, 530), strict=True):
                plane.update(np.full(plane.buffer_size // 2, code, np.uint16).tobytes())
            writer.write_frame(frame)
    out = correct_clip(Source.of(path), Corrections.of(SHADING), tmp_path / "b.mp4").path
    with av.open(str(out)) as new:
        frame = next(new.decode(video=0))
        assert frame.format.name == "yuv420p10le"
        y = frame.to_ndarray()[H // 2, W // 2]
    v = (400 - 64) / 876
    lin = 1.5 * ((v + 0.099) / 1.099) ** (1 / 0.45)
    assert y == pytest.approx(64 + 876 * (1.099 * lin**0.45 - 0.099), abs=3)


def test_a_monochrome_clip_has_no_colour_to_correct(tmp_path):
    clip = film(tmp_path / "a.mp4", colour=False)
    with pytest.raises(WrongCall, match="monochrome"):
        correct_clip(clip, ALL, tmp_path / "b.mp4")
    found = correct_clip(clip, Corrections.of(LENS, SHADING), tmp_path / "b.mp4")
    assert (pictures(found.path)[0][H:] == 128).all()


def test_another_shape_of_picture_is_refused_and_leaves_nothing(tmp_path):
    clip = film(tmp_path / "a.mp4")
    tall = LensData(
        LensCamera("pinhole", 640, 480, 400, 400, 320, 240, (0,) * 5), 1.0, DataOrigin("b")
    )
    with pytest.raises(WrongCall, match="another shape"):
        correct_clip(clip, Corrections.of(tall), tmp_path / "b.mp4")
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]


def test_names_that_cannot_be(tmp_path):
    clip = film(tmp_path / "a.mp4")
    before = clip.path.read_bytes()
    (tmp_path / "b.mp4").write_bytes(b"mine")
    (tmp_path / "link.mp4").symlink_to(clip.path)
    for name, error in (("a.mp4", Conflict), ("link.mp4", Conflict), ("b.mkv", WrongCall)):
        with pytest.raises(error):
            correct_clip(clip, ALL, tmp_path / name, force=True)
    with pytest.raises(Conflict, match="exists already"):
        correct_clip(clip, ALL, tmp_path / "b.mp4")
    with pytest.raises(WrongCall, match="no folder"):
        correct_clip(clip, ALL, tmp_path / "none" / "b.mp4")
    assert (tmp_path / "b.mp4").read_bytes() == b"mine"
    correct_clip(clip, ALL, tmp_path / "b.mp4", force=True)
    assert len(pictures(tmp_path / "b.mp4")) == 10
    assert clip.path.read_bytes() == before


@pytest.mark.parametrize(
    ("trouble", "seen"),
    [(OSError(28, "No space left on device"), NoSpace), (KeyboardInterrupt(), KeyboardInterrupt)],
)
def test_what_breaks_off_leaves_nothing(tmp_path, monkeypatch, trouble, seen):
    clip = film(tmp_path / "a.mp4", frames=[i / 30 for i in range(40)])
    write = OutClip._write

    def breaks(self, packet):
        if self.frames > 20:
            raise trouble
        write(self, packet)

    monkeypatch.setattr(OutClip, "_write", breaks)
    with pytest.raises(seen):
        correct_clip(clip, ALL, tmp_path / "b.mp4")
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]


def test_high_dynamic_range_is_refused(tmp_path):
    clip = film(tmp_path / "a.mp4", tags=ColourTags(None, 9, 16, 9))
    with pytest.raises(CannotMeasure, match="PQ"):
        correct_clip(clip, ALL, tmp_path / "b.mp4")


# --- the command ---


@pytest.fixture
def say(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    def call(*words):
        code = seeworthy(["correct", *(str(w) for w in words)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


@pytest.fixture
def results(tmp_path):
    """What `measure --json` would have printed."""
    lens = {
        "kind": "lens", "size": [W, H], "model": "pinhole", "matrix": [110, 110, 80, 47],
        "distortion": [-0.2, 0.02, 0, 0, 0],
    }  # fmt: skip
    colour = {"kind": "colour", "matrix": np.eye(3).tolist(), "exposure": 1.2}
    for name, found in (("lens", lens), ("colour", colour)):
        text = json.dumps({"procedure": name, "results": [], "correction": found})
        (tmp_path / f"{name}.json").write_text(text)
    return tmp_path


def test_the_command_says_what_it_did(say, results):
    film(results / "a.mp4")
    code, out, _ = say("a.mp4", "--lens", "lens.json", "--colour", "colour.json")
    assert code == 0
    assert "a-corrected.mp4" in out
    assert "by lens.json" in out
    assert "edges cut to fill the frame" in out
    code, out, _ = say("a.mp4", "--lens", "lens.json", "--out", "c.mp4", "--keep-all", "--json")
    assert json.loads(out)["clips"][0]["frames"] == 10
    code, _, err = say("a.mp4", "--lens", "lens.json")
    assert code == 2
    assert "exists already" in err


def test_maps_are_written_without_a_clip(say, results):
    code, out, _ = say("--colour", "colour.json", "--lut-only", "c.cube")
    assert code == 0
    assert "what it gains" not in out  # no clip was mended
    lines = (results / "c.cube").read_text().splitlines()
    assert "LUT_3D_SIZE 33" in lines
    assert sum(line[:1].isdigit() for line in lines) == 33**3
    code, out, _ = say("--lens", "lens.json", "--lens-map", "map.json", "--keep-all")
    assert code == 0
    assert json.loads((results / "map.json").read_text())["edges"] == "kept"
    assert "side to side" in out
    code, _, err = say("--colour", "colour.json", "--lut-only", "c.cube")
    assert (code, "exists" in err) == (2, True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.mp4"], "nothing to correct with"),
        (["--lens", "lens.json"], "No clip was named"),
        (["a.mp4", "b.mp4", "--lens", "lens.json", "--out", "c.mp4"], "several clips"),
        (["a.mp4", "--shading", "lens.json"], "corrects lens, not shading"),
        (["a.mp4", "--lens", "lens.json", "--without", "blur"], "not a correction"),
        (["--lens", "lens.json", "--gain-map", "g.png"], "no shading result"),
        (["--lens", "lens.json", "--lut-only", "g.cube"], "no colour result"),
        (["none.mp4", "--lens", "lens.json"], "no file 'none.mp4'"),
        (["--lens", "lens.json", "--prove", "shading=a.mp4"], "no shading correction"),
        (["a.mp4", "--bench", "."], "Which camera"),
    ],
)
def test_wrong_calls_say_what_to_do(say, results, words, said):
    code, _, err = say(*words)
    assert code == 2
    assert said in err
    assert len(err.strip().splitlines()) == 2


def test_from_a_bench_and_proved_on_another_clip(say, empty_bench, tmp_path, capsys):
    from seeworthy.virtual.optics import Shading, develop

    rng = np.random.default_rng(5)
    field = Shading(1.0, 2.5, red=0.2).gain(320, 180) * 0.4
    for name in ("wall", "other"):
        with ClipWriter(tmp_path / f"{name}.mp4", 320, 180, 30) as writer:
            for _ in range(6):
                writer.write_rgb(develop(field + rng.normal(0, 0.004, field.shape), rng))
    folder = empty_bench.folder
    for words in (
        ["camera", "add", "Dunlin"],
        ["take", "add", "shading", "Dunlin", str(tmp_path / "wall.mp4")],
    ):
        assert seeworthy([*words, "--bench", str(folder)]) == 0
    with ThreadPoolExecutor(1) as pool:
        run_bench(empty_bench, executor=pool)
    capsys.readouterr()
    for client in served(folder):
        page = html.unescape(client.get("/takes/1").text)
        assert 'href="/mend?camera=Dunlin"' in page
    bench = ("--bench", folder, "--camera", "Dunlin")
    code, out, err = say("other.mp4", *bench, "--prove", "shading=other.mp4", "--json")
    assert code == 0, err
    told = json.loads(out)
    assert "take 1 of Dunlin" in told["clips"][0]["applied"][0]
    (proof,) = told["proofs"]
    assert not proof["fitted_to_it"]
    corner = proof["figures"][0]
    assert corner["before"]["value"] == pytest.approx(1.05, abs=0.1)
    assert abs(corner["after"]["value"]) < 0.05
    assert corner["after"]["interval"][0] <= corner["after"]["value"]
    code, _, err = say("other.mp4", *bench, "--without", "shading")
    assert code == 2


def test_a_proof_on_the_clip_that_was_fitted_is_said(say, results, monkeypatch):
    from seeworthy.engine.measure import Measured
    from seeworthy.ground.results import Outcome, result
    from seeworthy.judge.correct import prove

    source = film(results / "a.mp4")
    found = json.loads((results / "lens.json").read_text())
    found["inputs"] = [{"file": "a.mp4", "sha256": source.sha256()}]
    (results / "lens.json").write_text(json.dumps(found))
    outcome = Outcome((result("tv_distortion", -3.0, 0.1),))
    monkeypatch.setattr(prove, "measure", lambda *_: Measured(None, None, outcome))
    code, out, _ = say("--lens", "lens.json", "--prove", "lens=a.mp4")
    assert code == 0
    assert "before: −3.00" in out
    assert "fitted to this very clip" in out
