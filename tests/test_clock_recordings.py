"""The bench clock at the ends of files and beside its beep: exact gaps, sound against picture."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import signal

from seeworthy.cli import main
from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.continuity.measure import clock_moment, in_circle
from seeworthy.procedures.continuity.study import clock_picture
from seeworthy.procedures.sync.measure import BeepListener, clock_times, fit_sync
from seeworthy.procedures.sync.study import film_clock
from seeworthy.virtual.segments import Recorder, RoomScene, record
from telling import says_its_budget
from test_sync import beep_starts

RATE = 48_000


def beeps(truth, seconds, rate=RATE):
    t = np.arange(int(seconds * rate)) / rate
    samples = np.zeros(t.size)
    for start in truth:
        on = (t >= start) & (t < start + 0.05)
        samples[on] += 0.2 * np.sin(2 * np.pi * 1000 * (t[on] - start))
    return samples


# Moments of the clock at an end of a file.


def track(jump_at=None, noise=0.2e-3):
    rng = np.random.default_rng(2)
    stamps = 100 + np.arange(48) / 30
    times = stamps + 5000.25 + rng.normal(0, noise, stamps.size)
    if jump_at is not None:
        times[:jump_at] -= 0.1  # three pictures are missing there
    return stamps, times


@pytest.mark.parametrize("jump_at", [None, 10, 40, 45])
def test_the_end_of_a_file_is_told_by_the_frames_this_side_of_a_jump(jump_at):
    stamps, times = track(jump_at)
    end = stamps[-1] + 1 / 30
    found = clock_moment(stamps, times, np.full(48, 0.5e-3), end, 1 / 30)
    assert found.time == pytest.approx(end + 5000.25, abs=0.4e-3)
    if jump_at is not None:
        start = clock_moment(stamps, times, np.full(48, 0.5e-3), stamps[0], 1 / 30)
        assert start.time == pytest.approx(stamps[0] + 5000.15, abs=0.4e-3)


def test_one_misread_frame_is_no_jump_and_two_frames_are_too_few():
    stamps, times = track()
    times[-3] += 0.384
    found = clock_moment(stamps, times, np.full(48, 0.5e-3), stamps[-1], 1 / 30)
    assert found.time == pytest.approx(stamps[-1] + 5000.25, abs=0.4e-3)
    with pytest.raises(CannotMeasure, match="read in 2 frames"):
        clock_moment(stamps[:2], times[:2], np.full(2, 1e-3), 100.0, 1 / 30)


def test_a_clock_that_starts_again_between_files():
    assert in_circle([95.0, 5.0, 40.0], 100.0) == pytest.approx([95, 105, 140])
    assert in_circle([10.0, 20.0, 30.0], 100.0) == pytest.approx([10, 20, 30])
    assert in_circle([7.0], 100.0) == [7.0]


# Gaps by the clock, through H.264.


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """Three files; the camera's clock runs 300 ppm fast, one gap is an overlap."""
    recorder = Recorder(seconds=6.0, gap=0.4, gap_scatter=0.8, fast_ppm=300.0, bit_rate=1_500_000)
    picture = clock_picture(np.random.default_rng(4), 1 / 60)
    folder = tmp_path_factory.mktemp("clock")
    return record(folder, recorder, RoomScene(picture, ends=0.8), files=3, last=4.0, seed=9)


def test_gaps_by_the_clock_are_within_5_ms(filmed):
    outcome = measure("continuity", [filmed[i].path for i in (1, 2, 0)]).outcome
    truth = [b.start - a.end for a, b in ((filmed[0], filmed[1]), (filmed[1], filmed[2]))]
    assert min(truth) < 0 < max(truth)
    for joint, gap in zip(outcome.findings["joints"], truth, strict=True):
        assert joint["clock"]["gap_s"] == pytest.approx(gap, abs=5e-3)
        assert joint["clock"]["gap_s"] == pytest.approx(gap, abs=3 * joint["clock"]["u_s"])
    assert outcome.findings["ordered_by"] == "clock"
    assert outcome.findings["order"] == [w.path.name for w in filmed]
    assert outcome.findings["methods_agree"] is True
    assert outcome.method == "clock"
    ppm, u = outcome.findings["clock_ppm"], outcome.findings["clock_ppm_u"]
    assert ppm == pytest.approx(300, abs=max(60, 3 * u))
    assert outcome.pictures[0].data[:4] == b"\x89PNG"
    says_its_budget(outcome)
    assert outcome.figures[0].columns["witness"].count("clock") == 2


@pytest.mark.slow
def test_time_that_the_stamps_hide_is_told(tmp_path):
    """Half a second is missing inside the first file, and its stamps run on evenly."""
    picture = clock_picture(np.random.default_rng(5), 1 / 60)
    scene = RoomScene(lambda t: picture(t + 0.5 * (t > 3)), ends=0.8)
    written = record(
        tmp_path, Recorder(seconds=6.0, gap=1.0, bit_rate=1_500_000), scene, files=2, last=3.0
    )
    outcome = measure("continuity", [w.path for w in written]).outcome
    [lost] = outcome.findings["lost_inside"]
    assert lost["file"] == written[0].path.name
    assert lost["seconds"] == pytest.approx(0.5, abs=0.005)
    assert any("do not show" in w for w in outcome.warnings)


# Onset of beeps.


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
def test_echoes_of_a_room_do_not_move_the_onset(rate):
    """Half a second of reverberation as strong as the direct sound."""
    rng = np.random.default_rng(6)
    truth = np.arange(1, 14) + 0.0371
    h = rng.normal(0, 1, rate // 2) * np.exp(-6.9 * np.arange(rate // 2) / (rate // 2))
    h[: rate // 300] = 0
    h /= np.sqrt((h**2).sum())
    h[0] = 1
    sound = beeps(truth, 15, rate)
    heard = signal.fftconvolve(sound, h)[: sound.size] + rng.normal(0, 0.01, sound.size)
    assert beep_starts(heard, rate) == pytest.approx(truth, abs=1.5e-3)


def test_a_hole_in_the_sound_s_stamps_moves_what_comes_after():
    listener = BeepListener(RATE)
    listener.feed(beeps([1.0, 2.0], 3.0), 10.0)
    listener.feed(beeps([1.0, 2.0], 3.0), 14.5)
    listener.finish()
    assert listener.starts == pytest.approx([11, 12, 15.5, 16.5], abs=1e-3)


def test_a_steady_tone_is_no_beep():
    assert beep_starts(0.2 * np.sin(2 * np.pi * 1000 * np.arange(6 * RATE) / RATE), RATE).size == 0


def test_false_beeps_are_left_out():
    starts = np.concatenate([np.arange(100.0, 112.0) + 0.05, [103.41, 107.7]])
    found = fit_sync(np.sort(starts))
    assert found.n == 12
    assert found.offset_ms == pytest.approx(50)


def test_beeps_without_frames_near_have_no_time():
    stamps = np.concatenate([np.arange(0, 60) / 30, 10 + np.arange(0, 60) / 30])
    times = clock_times(np.array([1.0, 5.0, 11.0]), stamps, stamps + 77.0)
    assert times[[0, 2]] == pytest.approx([78.0, 88.0])
    assert np.isnan(times[1])


# The procedure.


def av(results):
    return {r.measurand: r for r in results}


@pytest.mark.parametrize(
    ("offset", "ppm"),
    [pytest.param(0.08, 0.0, marks=pytest.mark.slow), (-0.12, 400.0)],
)
def test_sync_through_a_file(tmp_path, offset, ppm):
    """A screen of 2 to 5 ms, whose 3.5 ms are taken off; no path through the air."""
    path = tmp_path / "sync.mp4"
    late = film_clock(path, np.random.default_rng(7), seconds=8, offset=offset, ppm=ppm)
    outcome = measure("sync", [path], readings={"distance": ["1 mm ± 1 mm"]}).outcome
    found = av(outcome.results)
    assert found["av_offset"].value == pytest.approx(1e3 * (late + ppm * 4e-6), abs=5)
    assert found["av_drift"].interval[0] <= ppm <= found["av_drift"].interval[1]
    assert ("late" if offset > 0 else "early") in outcome.sentence
    assert outcome.pictures[0].data[:4] == b"\x89PNG"
    assert len(outcome.figures[0].columns["late"]) == outcome.findings["beeps_heard"]


def _clip(path, sound=None):
    """A grey picture of 6 s, with sound of its own."""
    with ClipWriter(path, 320, 180, 10, sound=None if sound is None else (RATE, 1)) as writer:
        for _ in range(60):
            writer.write_luma(np.full((180, 320), 120, np.uint8))
        if sound is not None:
            writer.write_sound(sound)
    return path


def test_no_sound_no_clock_mirror_and_silence_are_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="has no sound"):
        measure("sync", [_clip(tmp_path / "mute.mp4")])
    loud = _clip(tmp_path / "wall.mp4", beeps(np.arange(1, 6), 6))
    with pytest.raises(CannotMeasure, match="read in 0 of 60 frames") as caught:
        measure("sync", [loud])
    assert caught.value.pictures
    mirror = tmp_path / "mirror.mp4"
    film_clock(mirror, np.random.default_rng(1), seconds=2, mirrored=True)
    with pytest.raises(CannotMeasure, match="mirrored"):
        measure("sync", [mirror])


@pytest.mark.parametrize(
    ("level", "match"), [(0.0, "silence"), pytest.param(0.01, "No beep", marks=pytest.mark.slow)]
)
def test_a_clock_without_its_beep_is_refused(tmp_path, capsys, level, match):
    path = tmp_path / "quiet.mp4"
    picture = clock_picture(np.random.default_rng(9), 1 / 60)
    with ClipWriter(path, 320, 180, 30, sound=(RATE, 1)) as writer:
        for i in range(36):
            writer.write_luma(picture(i / 30))
        writer.write_sound(level * np.random.default_rng(1).standard_normal(RATE * 36 // 30))
    assert main.run(["measure", "sync", str(path), "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert match in told["error"]["message"]
