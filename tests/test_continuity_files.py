"""Files of one recording: order, gaps by sound and metadata, rule, power cuts, refusals."""

from __future__ import annotations

import itertools
import json
import math
import shutil
import wave

import numpy as np
import pytest
from scipy import signal

from seeworthy.cli import main
from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.media.ends import read_ends
from seeworthy.media.sound import open_sound, sound_between
from seeworthy.media.source import Source
from seeworthy.procedures.continuity import sound_joints as joints
from seeworthy.procedures.continuity.measure import gaps_by_metadata
from seeworthy.procedures.continuity.power_cut import power_cut
from seeworthy.virtual.segments import SOUND_RATE, Recorder, RoomScene, record, room_sound
from telling import says_its_budget


def grey(t):
    return np.full((48, 64), 100 + int(t) % 50, np.uint8)


def busy(t):
    """A picture whose detail, and so its bit rate, comes and goes."""
    high = 8 + int(16 * (1 + math.sin(t / 3)))
    luma = np.full((48, 64), 110, np.uint8)
    luma[:high] = np.random.default_rng(int(t * 30)).integers(20, 230, (high, 64))
    return luma


SMALL = {"width": 64, "height": 48}


def run(written, order=None, **more):
    paths = [w.path for w in written]
    return measure("continuity", [paths[i] for i in order] if order else paths, **more).outcome


def of(outcome, name, **conditions):
    return next(
        r
        for r in outcome.results
        if r.measurand == name and all(r.conditions.get(k) == v for k, v in conditions.items())
    )


# Sound pieces on one scale.


@pytest.mark.parametrize("snr", [20, 0])
def test_a_piece_is_found_in_another_recorder_s_sound(snr):
    """The other microphone has another tone; the truth is the place it was taken from."""
    rng = np.random.default_rng(1)
    room = signal.lfilter([1], [1, -0.9], rng.normal(0, 0.01, joints.RATE * 20))
    other = signal.lfilter(*signal.butter(2, [200, 3000], "bandpass", fs=joints.RATE), room)
    for start in rng.integers(0, joints.RATE * 17, 8):
        piece = room[start : start + joints.RATE * 2]
        piece = piece + rng.normal(0, piece.std() * 10 ** (-snr / 20), piece.size)
        found = joints.place(piece, other)
        assert found is not None
        assert found.seconds == pytest.approx(start / joints.RATE, abs=3 * found.u)


def test_other_sound_silence_and_a_steady_tone_have_no_place():
    rng = np.random.default_rng(2)
    second = joints.RATE
    for _ in range(10):
        assert joints.place(rng.normal(0, 0.1, 2 * second), rng.normal(0, 0.1, 20 * second)) is None
    assert joints.place(np.zeros(2 * second), rng.normal(0, 0.1, 9 * second)) is None
    tone = 0.3 * np.sin(2 * np.pi * 500 * np.arange(20 * second) / second)
    fresh = tone[5 * second : 7 * second] + rng.normal(0, 0.003, 2 * second)
    assert joints.place(fresh, tone + rng.normal(0, 0.003, tone.size)) is None


def test_the_sweep_is_that_of_the_clock_page():
    """A chirp by SciPy with the constants of the page: 20 Hz to 20 kHz in 20 s."""
    ours = joints.sweep()
    t = np.arange(ours.size) / joints.RATE
    theirs = signal.chirp(t, 20, 20, 20000, method="logarithmic", phi=-90)
    assert np.abs(ours - theirs).max() < 1e-6


def test_a_stretch_of_sound_is_the_one_asked_for(tmp_path):
    """Through AAC and a seek, as a decode from the start has it, sample for sample.

    FFmpeg's AAC fills bands with noise of its own, another one after a seek.
    """
    sound = room_sound(3)
    scene = RoomScene(grey, sound)
    [one] = record(tmp_path, Recorder(**SMALL, seconds=6, sound="cut"), scene, files=1, last=6)
    source = Source.of(one.path)
    whole = np.concatenate([b.samples[:, 0] for b in open_sound(source).blocks()])
    start, piece, rate = sound_between(source, 3.3, 4.1)
    assert (rate, start) == (SOUND_RATE, pytest.approx(3.3, abs=1 / rate))
    at = round(start * rate)
    assert np.corrcoef(piece, whole[at : at + piece.size])[0, 1] > 0.98
    assert np.corrcoef(piece[:-2], whole[at + 2 : at + piece.size])[0, 1] < 0.98
    assert piece.size == pytest.approx(0.8 * rate, abs=1)
    assert sound_between(source, 50, 51)[1].size == 0


# Gaps.


@pytest.mark.parametrize("names", ["counted", "dated", "lettered"])
def test_gaps_by_metadata_in_any_order_of_files(tmp_path, names):
    recorder = Recorder(**SMALL, seconds=6, gap=1.5, names=names)
    written = record(tmp_path, recorder, RoomScene(grey), files=4)
    outcome = run(written, order=[2, 0, 3, 1])
    gap = of(outcome, "gap", statistic="mean")
    assert gap.interval[0] <= 1.5 <= gap.interval[1]
    assert gap.u < 0.2
    assert outcome.findings["order"] == [w.path.name for w in written]
    assert any("not given in order; sorted by creation time" in w for w in outcome.warnings)
    says_its_budget(outcome)
    share = of(outcome, "lost_share")
    assert share.interval[0] <= 100 * 4.5 / (18 + 3 + 4.5) <= share.interval[1]
    assert of(outcome, "segment_length").value == pytest.approx(0.1, abs=1e-3)
    assert outcome.findings["segment_rule"] == "time"


def test_a_creation_time_at_the_end_of_files_is_recognised(tmp_path):
    recorder = Recorder(**SMALL, seconds=12, gap=0.8, mark="end")
    outcome = run(record(tmp_path, recorder, RoomScene(grey), files=3, last=2))
    gap = of(outcome, "gap", statistic="mean")
    assert gap.interval[0] <= 0.8 <= gap.interval[1]


def test_the_mean_gap_by_metadata_is_better_than_one_gap():
    """Truncation errors telescope: only the first and the last time count."""
    created = [math.floor(i * 1201.3) for i in range(30)]
    found = gaps_by_metadata(created, [1200.0] * 30)
    assert found.u > 0.4
    assert sum(found.gaps) / 29 == pytest.approx(1.3, abs=1 / 29)
    assert found.total_u / 29 < 0.08
    assert gaps_by_metadata([2 * (t // 2) for t in created], [1200.0] * 30).resolution == 2.0


def test_files_that_overlap_are_timed_by_their_sound(tmp_path):
    recorder = Recorder(**SMALL, seconds=6, gap=-1.27, sound="cut", fast_ppm=60)
    written = record(tmp_path, recorder, RoomScene(grey, room_sound()), files=3)
    outcome = run(written)
    gap = of(outcome, "gap", method="sound", statistic="mean")
    assert (gap.value, gap.interval[0]) == (0, 0)  # time not recorded is never negative
    assert outcome.findings["overlap_s"] == pytest.approx(1.27, abs=1e-3)
    assert outcome.findings["methods_agree"] is True
    assert of(outcome, "lost_share").value == 0
    assert "nothing is lost" in outcome.sentence


def test_a_second_recorder_times_gaps_without_a_clock(tmp_path):
    sound = room_sound(5)
    recorder = Recorder(**SMALL, seconds=6, gap=0.7, gap_scatter=0.2, sound="cut")
    written = record(tmp_path, recorder, RoomScene(grey, sound), files=3, last=4)
    path = tmp_path / "recorder.wav"
    _wave(path, sound(np.arange(25 * SOUND_RATE) / SOUND_RATE - 3.0))
    outcome = run(written, roles={"recorder": [path]})
    truth = [b.start - a.end for a, b in itertools.pairwise(written)]
    found = [j["sound"]["gap_s"] for j in outcome.findings["joints"]]
    assert found == pytest.approx(truth, abs=1e-3)
    strange = tmp_path / "other.wav"
    _wave(strange, room_sound(99)(np.arange(25 * SOUND_RATE) / SOUND_RATE))
    with pytest.raises(CannotMeasure, match=r"found again in 'other.wav'"):
        run(written, roles={"recorder": [strange]})


def test_the_sweep_of_the_clock_page_over_a_joint(tmp_path):
    """The sweep starts 4 s before the joint's pieces and is heard on both sides of it."""

    def sound(times):
        sweep = joints.sweep()
        at = np.round((times - 0.5) * joints.RATE).astype(int)
        inside = (at >= 0) & (at < sweep.size)
        smooth = np.interp(np.clip((times - 0.5) * joints.RATE, 0, sweep.size - 1),
                           np.arange(sweep.size), sweep)  # fmt: skip
        return 0.2 * np.where(inside, smooth, 0.0)

    recorder = Recorder(**SMALL, seconds=9, gap=0.83, sound="cut")
    written = record(tmp_path, recorder, RoomScene(grey, sound), files=2, last=5)
    gap = of(run(written), "gap", method="sound")
    assert gap.value == pytest.approx(0.83, abs=2e-3)


def _wave(path, samples):
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(SOUND_RATE)
        out.writeframes((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())


# Rule, and files that were never finalised.


def test_files_cut_by_size(tmp_path):
    recorder = Recorder(**SMALL, rule="size", limit=400_000, gap=0.5)
    written = record(tmp_path, recorder, RoomScene(busy), files=4, last=1)
    assert all(w.path.stat().st_size <= 400_000 for w in written)
    lengths = [w.end - w.start for w in written[:-1]]
    assert max(lengths) > 1.05 * min(lengths)
    assert run(written).findings["segment_rule"] == "size"


def test_the_file_that_power_left_unfinished_is_reported(tmp_path):
    recorder = Recorder(**SMALL, seconds=5, gap=1.0, finalised=False, bit_rate=200_000)
    even = lambda t: busy(5.0) // 2 + busy(t % 1) // 2  # noqa: E731
    written = record(tmp_path, recorder, RoomScene(even), files=3, last=4)
    outcome = run(written)
    [broken] = outcome.findings["unfinalised_files"]
    assert broken["file"] == written[-1].path.name
    assert broken["seconds"] == pytest.approx(4.0, rel=0.25)
    assert of(outcome, "segment_length").n == 2  # both others are full files
    assert any("seeworthy recover" in w for w in outcome.warnings)


# Power cuts.


def test_power_cuts_published(published):
    """Rule of three (Hanley and Lippman-Hand 1983) and Clopper and Pearson (1934)."""
    rows = [r for r in published("stats_examples.csv") if r["method"].startswith("rule of three")]
    assert rows
    for n in (5, 10, 30):
        found = power_cut(n, [1.0] * n, 0.1)
        assert found.share == 0
        assert found.bound == pytest.approx(100 * (1 - 0.05 ** (1 / n)))
        assert found.high == pytest.approx(100 * (1 - 0.025 ** (1 / n)))


def test_the_power_cut_test(tmp_path):
    """Five cuts after 4 s: two files open and lack their end, two do not, one is not there."""
    folders = [tmp_path / str(i) for i in range(4)]
    files = []
    for i, folder in enumerate(folders):
        folder.mkdir()
        recorder = Recorder(**SMALL, finalised=i < 2)
        scene = RoomScene(busy)
        files.append(record(folder, recorder, scene, files=1, last=3.2 + 0.2 * i)[0].path)
    readings = {"recorded": ["4 s ± 0.1 s"] * 4, "cuts": ["5"]}
    outcome = measure("continuity", roles={"cut": files}, readings=readings).outcome
    failed = of(outcome, "power_cut_failure")
    assert failed.value == pytest.approx(60)
    assert failed.interval == pytest.approx((14.66, 94.73), abs=0.01)  # Clopper-Pearson 3 of 5
    lost = of(outcome, "lost_on_power_cut")
    assert lost.value == pytest.approx((0.8 + 0.6) / 2, abs=0.01)
    assert outcome.findings["power_cut_files_opened"] == 2
    assert sum("recover" in w for w in outcome.warnings) == 2
    assert "2 of 5 power cuts" in outcome.sentence


def test_one_cut_says_nothing_of_scatter(tmp_path):
    [one] = record(tmp_path, Recorder(**SMALL), RoomScene(grey), files=1, last=2)
    outcome = measure(
        "continuity", roles={"cut": [one.path]}, readings={"recorded": ["3 s ± 0.1 s"]}
    ).outcome
    assert of(outcome, "lost_on_power_cut").value == pytest.approx(1.0, abs=0.01)
    assert any("five times" in w for w in outcome.warnings)


@pytest.mark.parametrize(
    ("readings", "match"),
    [
        ({"recorded": ["3 s", "4 s"]}, "2 readings 'recorded' were given for 1"),
        ({"cuts": ["0.5"]}, "whole number"),
        ({"cuts": ["0.9999999"]}, None),
    ],
)
def test_cuts_that_do_not_fit(tmp_path, readings, match):
    [one] = record(tmp_path, Recorder(**SMALL), RoomScene(grey), files=1, last=1)
    if match is None:
        measure("continuity", roles={"cut": [one.path]}, readings=readings)
        return
    with pytest.raises(WrongCall, match=match):
        measure("continuity", roles={"cut": [one.path]}, readings=readings)


# Refusals.


def test_files_of_two_cameras_are_refused_with_the_difference(tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
    ours = record(tmp_path / "a", Recorder(**SMALL, seconds=2), RoomScene(grey), files=2)
    wide = lambda t: np.full((48, 80), 100, np.uint8)  # noqa: E731
    theirs = record(
        tmp_path / "b",
        Recorder(width=80, height=48, seconds=2, prefix="DUN"),
        RoomScene(wide),
        files=1,
    )
    with pytest.raises(CannotMeasure, match=r"'DUN0007.MP4' is 80×48, of 'TUR0007.MP4' 64×48"):
        run([*ours, *theirs])
    loud = record(
        tmp_path / "b", Recorder(**SMALL, seconds=2, prefix="SAN", sound="cut"),
        RoomScene(grey, room_sound()), files=1,
    )  # fmt: skip
    with pytest.raises(CannotMeasure, match=r"sound of 'SAN0007.MP4' is aac.*none"):
        run([*ours, *loud])
    assert run([*ours, *loud], options={"mixed": ["yes"]}).findings["order"]


def test_two_cameras_of_one_model_filming_at_once_are_refused(tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
    one = record(tmp_path / "a", Recorder(**SMALL, seconds=8), RoomScene(grey), files=1, last=8)
    other = record(
        tmp_path / "b", Recorder(**SMALL, seconds=8, prefix="SAN"), RoomScene(grey), files=2, last=8
    )
    with pytest.raises(CannotMeasure, match="at the same time"):
        run([*one, other[1], other[0]])


def test_one_file_the_same_file_and_no_file(tmp_path):
    [one] = record(tmp_path, Recorder(**SMALL), RoomScene(grey), files=1, last=1)
    with pytest.raises(CannotMeasure, match="One file has no joint"):
        run([one])
    with pytest.raises(WrongCall, match="given twice"):
        run([one, one])
    with pytest.raises(WrongCall, match="needs the files"):
        measure("continuity")
    text = tmp_path / "notes.mp4"
    text.write_text("we cut the power at ten\n" * 30)
    with pytest.raises(UnreadableInput, match="holds text"):
        measure("continuity", [one.path, text])


def test_files_without_any_witness_say_so(tmp_path):
    """No clock, no sound, no creation time: an order by name, and no number."""
    paths = []
    for i, name in enumerate(("SHOT10.MP4", "SHOT9.MP4")):
        folder = tmp_path / str(i)
        folder.mkdir()
        [one] = record(folder, Recorder(**SMALL), RoomScene(grey), files=1, last=1)
        data = one.path.read_bytes()
        at = data.index(b"mvhd") + 8
        paths.append(tmp_path / name)
        paths[-1].write_bytes(data[:at] + bytes(8) + data[at + 8 :])
    outcome = measure("continuity", paths).outcome
    assert outcome.findings["order"] == ["SHOT9.MP4", "SHOT10.MP4"]
    assert not [r for r in outcome.results if r.measurand in ("gap", "lost_share")]
    assert any("nothing tells the gap" in w for w in outcome.warnings)


def test_a_pause_of_minutes_is_most_likely_a_new_recording(tmp_path):
    written = record(tmp_path, Recorder(**SMALL, seconds=3, gap=200.0), RoomScene(grey), files=2)
    assert any("most likely a new recording" in w for w in run(written).warnings)


def test_only_the_ends_of_files_are_decoded(tmp_path, monkeypatch):
    import seeworthy.media.parts as parts

    recorder = Recorder(**SMALL, seconds=60, gap=1.0)
    written = record(tmp_path, recorder, RoomScene(grey, ends=0.1), files=2, last=60)
    seen = []
    original = parts.decoded

    def counting(*arguments):
        for item in original(*arguments):
            seen.append(item)
            yield item

    monkeypatch.setattr(parts, "decoded", counting)
    run(written)
    assert 0 < len(seen) < 300  # of 3600 frames


def test_at_the_command_line(tmp_path, capsys):
    written = record(tmp_path, Recorder(**SMALL, seconds=3, gap=1.0), RoomScene(grey), files=2)
    shutil.copy(written[0].path, tmp_path / "copy.mp4")
    names = [str(w.path) for w in written]
    assert main.run(["measure", "continuity", *names, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["findings"]["joints"][0]["metadata"]["u_s"] > 0
    assert main.run(["measure", "continuity", names[0], "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert "two files" in told["error"]["message"]


def test_ends_of_a_file_as_its_header_has_them(tmp_path):
    [one] = record(
        tmp_path, Recorder(**SMALL, sound="cut"), RoomScene(grey, room_sound()), files=1, last=2.5
    )
    ends = read_ends(Source.of(one.path))
    assert float(ends.picture.seconds) == pytest.approx(2.5, abs=1e-3)
    assert float(ends.sound.seconds) == pytest.approx(2.5, abs=0.03)
    assert ends.created.isoformat() == "2026-05-12T09:14:03+00:00"
    assert float(ends.interval) == pytest.approx(1 / 30)
    assert ends.finalised
