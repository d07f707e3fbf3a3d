"""Rows moved back and stamps filled: against the same flight filmed without either."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace

import av
import numpy as np
import pytest

from seeworthy.cli.main import run as seeworthy
from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.judge.correct.apply import correct_clip
from seeworthy.judge.correct.data import Corrections, DataOrigin, RollingData
from seeworthy.judge.correct.fill import DotFiller
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.virtual import flight_view, stamp
from seeworthy.virtual.ground import ground

EYE = flight_view.Eye(hfov=80, straight=False, readout=0.028, exposure=0.002)
WAVES = tuple(
    flight_view.Wave(axis, swing, frequency)
    for axis, swing, frequency in ((1, 12, 0.8), (0, 5, 1.3), (2, 6, 0.6))
)


def grey(path):
    with av.open(str(path)) as clip:
        return np.array([f.to_ndarray(format="gray") for f in clip.decode(video=0)], float)


def apart(a, b, margin=16):
    """Rms difference, codes, away from the edges."""
    inside = (slice(None), *(slice(margin, n - margin) for n in a.shape[1:]))
    return float(np.sqrt(np.mean((a[inside] - b[inside]) ** 2)))


@pytest.fixture(scope="module")
def flights(tmp_path_factory):
    """One flight through a camera that rolls, and through one that reads all rows at once."""
    folder = tmp_path_factory.mktemp("flights")
    flight = flight_view.fly(2.5, WAVES, 5, np.random.default_rng(3))
    for name, eye in (("rolls", EYE), ("still", replace(EYE, readout=0.0))):
        flight_view.film(folder / f"{name}.mp4", eye, flight, 2.5, np.random.default_rng(8))
    return folder


def test_rows_lie_where_a_camera_that_reads_at_once_shows_them(flights, tmp_path):
    rolling = RollingData(EYE.readout, np.radians(EYE.hfov), DataOrigin("the virtual camera"))
    source = Source.of(flights / "rolls.mp4")
    made = correct_clip(source, Corrections(rolling=rolling), tmp_path / "a.mp4")
    true, before, after = (
        grey(p) for p in (flights / "still.mp4", source.path, tmp_path / "a.mp4")
    )
    assert len(after) == len(before)
    # Each clip has noise of 2 codes and its own coding: two clips of one camera and one flight
    # differ by about 3.5 codes.
    assert apart(true, before) > 15
    assert apart(true, after) < 0.3 * apart(true, before)
    assert "uprights leaned by up to" in made.applied[0]


def test_the_wrong_way_round_makes_it_worse(flights, tmp_path):
    rolling = RollingData(-EYE.readout, np.radians(EYE.hfov), DataOrigin("the virtual camera"))
    source = Source.of(flights / "rolls.mp4")
    correct_clip(source, Corrections(rolling=rolling), tmp_path / "a.mp4")
    true = grey(flights / "still.mp4")
    assert apart(true, grey(tmp_path / "a.mp4")) > 1.2 * apart(true, grey(source.path))


@pytest.fixture(scope="module")
def shaken(tmp_path_factory):
    """A flight that vibrates faster than its frames, with the log of its gyroscope."""
    folder = tmp_path_factory.mktemp("shaken")
    waves = (*WAVES, flight_view.Wave(1, 0.12, 47.0), flight_view.Wave(0, 0.08, 47.0))
    flight = flight_view.fly(3.0, waves, 5, np.random.default_rng(3))
    for name, eye in (("rolls", EYE), ("still", replace(EYE, readout=0.0))):
        flight_view.film(folder / f"{name}.mp4", eye, flight, 3.0, np.random.default_rng(8))
    axes = np.array([[0, 1, 0], [0, 0, 1], [1, 0, 0.0]])
    log = flight_view.log_rows(flight, axes, 1.5, 500, 0.3, np.random.default_rng(4))
    (folder / "log.csv").write_text(log, "utf-8")
    return folder


def test_a_gyroscope_puts_rows_right_that_shake_faster_than_the_frames(shaken, tmp_path, capsys):
    clip, log = str(shaken / "rolls.mp4"), str(shaken / "log.csv")
    # The view is not given: clip and log tell it. Three seconds do not tell the read-out.
    told, own = str(tmp_path / "told.mp4"), str(tmp_path / "own.mp4")
    when = ["--readout", f"{1e3 * EYE.readout} ms"]
    assert seeworthy(["correct", clip, "--gyro", log, *when, "--out", told]) == 0
    assert "the gyroscope's log.csv" in capsys.readouterr().out
    assert seeworthy(["correct", clip, *when, "--view", "80 deg", "--out", own]) == 0
    true = grey(shaken / "still.mp4")
    by_log, by_clip = apart(true, grey(told)), apart(true, grey(own))
    assert by_log < 0.8 * by_clip
    assert by_log < 0.4 * apart(true, grey(clip))
    (tmp_path / "other.csv").write_text(
        "time (s),gyro x (deg/s),gyro y (deg/s),gyro z (deg/s)\n"
        + "".join(
            f"{i / 100},{np.sin(i / 9):.3f},{np.cos(i / 5):.3f},{np.sin(i / 4):.3f}\n"
            for i in range(900)
        ),
        "utf-8",
    )
    assert seeworthy(["correct", clip, "--gyro", str(tmp_path / "other.csv"), "--force"]) == 3
    assert seeworthy(["correct", clip, "--gyro", str(tmp_path / "none.csv"), "--force"]) == 2


def test_times_are_typed_or_come_from_a_result(flights, tmp_path, capsys):
    clip, out = str(flights / "rolls.mp4"), str(tmp_path / "b.mp4")
    told = {
        "procedure": "readout",
        "results": [{"measurand": "readout_time", "value": 28.0, "conditions": {}}],
        "findings": {"rows_read": "top to bottom"},
    }
    (tmp_path / "r.json").write_text(json.dumps(told))
    readout = str(tmp_path / "r.json")
    assert seeworthy(["correct", clip, "--readout", readout, "--view", "80 deg", "--out", out]) == 0
    assert "r.json" in capsys.readouterr().out
    told["results"][0]["conditions"] = {"bound": "upper"}
    (tmp_path / "r.json").write_text(json.dumps(told))
    assert seeworthy(["correct", clip, "--readout", readout, "--view", "80 deg", "--force"]) == 2
    for words in (["--rolling"], ["--readout", "28"], ["--readout", "28 ms"],
                  ["--readout", "3 s", "--view", "80 deg"],
                  ["--readout", "28 ms", "--view", "200 deg"]):  # fmt: skip
        assert seeworthy(["correct", clip, *words]) == 2, words
    assert not list(flights.glob("*corrected*"))


def test_what_cannot_be_followed_is_not_moved(tmp_path):
    from seeworthy.media.write import ClipWriter

    with ClipWriter(tmp_path / "fog.mp4", 160, 96, 30) as clip:
        for _ in range(30):
            clip.write_luma(np.full((96, 160), 150, np.uint8))
    rolling = RollingData(0.02, 1.2, DataOrigin("nobody"))
    with pytest.raises(CannotMeasure):
        correct_clip(
            Source.of(tmp_path / "fog.mp4"), Corrections(rolling=rolling), tmp_path / "a.mp4"
        )
    assert not (tmp_path / "a.mp4").exists()


@pytest.fixture(scope="module")
def stamped(tmp_path_factory):
    """A flight with a running clock burned in, and the same without."""
    folder = tmp_path_factory.mktemp("stamped")
    scene = ground(912, 684, 4)
    flight = stamp.StampFlight(480, 360, seconds=2.0, speed=5.0)
    start = dt.datetime(2026, 5, 3, 9, 58, 7)
    text = stamp.Overlay(stamp.clock_text("%Y/%m/%d %H:%M:%S", start), height=15)
    stamp.film(folder / "with.mp4", scene, flight, text)
    stamp.film(folder / "without.mp4", scene, flight, None)
    return folder, stamp.box_of(text, flight, 1.0)


def test_a_stamp_is_filled_and_nothing_else_is_touched(stamped, tmp_path):
    folder, (x, y, w, h) = stamped
    made = correct_clip(
        Source.of(folder / "with.mp4"), Corrections(fill_stamp=True), tmp_path / "a.mp4"
    )
    assert measure("stamp", [tmp_path / "a.mp4"]).outcome.findings["stamp_present"] is False
    true, before, after = (
        grey(p) for p in (folder / "without.mp4", folder / "with.mp4", tmp_path / "a.mp4")
    )
    box = (slice(None), slice(y, y + h), slice(x, x + w))
    assert apart(true[box], after[box], 0) < 0.5 * apart(true[box], before[box], 0)
    far = np.ones(true.shape[1:], bool)
    far[max(0, y - 12) : y + h + 12, max(0, x - 12) : x + w + 12] = False
    # Coding alone: crf 16 stays within a code or two of what it was given.
    assert np.sqrt(np.mean((before - after)[:, far] ** 2)) < 2.5
    assert made.applied[0].startswith("Filled the strokes")
    with av.open(str(tmp_path / "a.mp4")) as clip:
        assert "burned-in stamp" in clip.metadata["comment"]


def test_without_a_stamp_it_says_so(stamped, tmp_path):
    folder, _ = stamped
    made = correct_clip(
        Source.of(folder / "without.mp4"), Corrections(fill_stamp=True), tmp_path / "a.mp4"
    )
    assert made.applied == ("No stamp is burned in; nothing was filled.",)


def test_nothing_asked_is_refused(stamped, tmp_path):
    with pytest.raises(WrongCall):
        correct_clip(Source.of(stamped[0] / "with.mp4"), Corrections(), tmp_path / "a.mp4")


def test_a_hot_pixel_is_not_filled_from_the_glow_of_its_neighbour():
    """Truth: the even ground that both dots stand on."""
    luma = np.full((48, 64), 60, np.uint8)
    for x in (20, 23):
        luma[19:22, x - 1 : x + 2] = 200
    DotFiller(((20, 20), (23, 20)), [luma.shape]).apply((luma, None, None))
    assert np.abs(luma.astype(int) - 60).max() <= 1


def test_a_slope_goes_on_behind_a_hot_pixel():
    """Truth: the plane itself; a discrete harmonic function takes it over exactly."""
    y, x = np.mgrid[0:48, 0:64]
    planes = (20 + 2 * x + y, 40 + x[::2, ::2], 200 - y[::2, ::2])
    planes = tuple(np.ascontiguousarray(p, np.uint16) for p in planes)
    hot = tuple(p.copy() for p in planes)
    hot[0][29:32, 39:42] = 1000
    hot[1][14:16, 19:21] = hot[2][14:16, 19:21] = 900
    DotFiller([(40, 30)], [p.shape for p in planes]).apply(hot)
    for was, now in zip(planes, hot, strict=True):
        np.testing.assert_array_equal(now, was)


def test_hot_pixels_are_filled_and_nothing_else_is_touched(tmp_path, capsys):
    """Truth: the same frames without the hot pixels."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:96, 0:160]
    clean = [np.uint8(70 + 0.4 * x + 0.3 * y + rng.normal(0, 1, y.shape)) for _ in range(6)]
    places = [(40, 20), (120, 70), (0, 95)]
    with ClipWriter(tmp_path / "a.mp4", 160, 96, 30, bit_rate=None, options={"qp": "0"}) as clip:
        for luma in clean:
            hot = luma.copy()
            for px, py in places:
                hot[max(0, py - 1) : py + 2, max(0, px - 1) : px + 2] += 60
                hot[py, px] += 40
            clip.write_rgb(np.repeat(hot[..., None], 3, axis=2))
    said = {"kind": "hot-pixels", "size": [160, 96], "places": [[*p, 20.0] for p in places]}
    (tmp_path / "dark.json").write_text(json.dumps(said))
    call = ["correct", str(tmp_path / "a.mp4"), "--dark", str(tmp_path / "dark.json")]
    assert seeworthy([*call, "--out", str(tmp_path / "b.mp4")]) == 0
    assert "Filled in 3 hot pixels" in capsys.readouterr().out
    after = grey(tmp_path / "b.mp4")
    filled = hot.copy()
    DotFiller(places, [filled.shape]).apply((filled, None, None))
    changed = filled != hot
    for px, py in places:
        surround = after[0][max(0, py - 4) : py + 5, max(0, px - 4) : px + 5]
        assert np.ptp(surround) < 20  # the slope and the noise; the dot stood out by 60
        changed[max(0, py - 1) : py + 2, max(0, px - 1) : px + 2] = False
    assert not changed.any()
    # A sensor without any: the clip is written, every picture as it was.
    (tmp_path / "dark.json").write_text(json.dumps({**said, "places": []}))
    assert seeworthy([*call, "--out", str(tmp_path / "none.mp4")]) == 0
    assert len(grey(tmp_path / "none.mp4")) == len(clean)
    said["size"] = [320, 192]
    (tmp_path / "dark.json").write_text(json.dumps(said))
    assert seeworthy([*call, "--out", str(tmp_path / "c.mp4")]) == 2
    assert not (tmp_path / "c.mp4").exists()
    assert seeworthy([*call, "--prove", f"dark={tmp_path / 'a.mp4'}", "--force"]) == 2
