"""Knocks tie clip and logger: rendered clips, and logs written here, by another code."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli.main import run as seeworthy
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import result
from seeworthy.media.sound import Block
from seeworthy.media.source import Source
from seeworthy.procedures.study import measured
from seeworthy.procedures.tie import run, study
from seeworthy.procedures.tie.axis import TimeAxis
from seeworthy.procedures.tie.measure import Shocks, match, sudden_sounds
from seeworthy.publish import card_clips
from seeworthy.publish.tied_film import load_strip

CASE = study.Knocked(12.34, 0.0, 0.03, 0.004, 0.01, 8.0, 7.0, (1.2, 1.9, 3.4, 8.1, 9.0, 9.9))


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("tie") / "clip.mp4"
    study.film(path, CASE, np.random.default_rng(4))
    return path


def log_of(path, knocks, *, rate=200, shock=40.0):
    """A log in milliseconds and m/s², one axis along, each shock three samples long."""
    time = np.arange(0, 30, 1 / rate)
    accel = 9.8 + np.random.default_rng(1).normal(0, 0.1, time.size)
    for at in knocks:
        first = int(np.searchsorted(time, at))
        accel[first : first + 3] += shock * np.array([1, -0.8, 0.4])
    rows = [f"{1e3 * t:.0f};{a:.2f}" for t, a in zip(time, accel, strict=True)]
    path.write_text("time [ms];acceleration [m/s2]\n" + "\n".join(rows) + "\n")
    return path


def told(clip, log, reading=None):
    readings = {} if reading is None else {"av_offset": [reading]}
    return measured("tie", {"": [clip], "log": [log]}, readings)


def test_offset_and_rate_hold_the_truth(clip, tmp_path):
    """Truth: the knocks' times that clip and log were made with; the log runs 200 ppm fast."""
    log = log_of(tmp_path / "a.csv", [12.34 + 1.0002 * k for k in CASE.knocks])
    true = 12340 + 0.2 * np.mean(CASE.knocks)
    for reading, width in ((None, 90), ("30 ms ± 1 ms", 16)):
        outcome = told(clip, log, reading)
        offset, rate = outcome.results
        assert offset.interval[0] < true < offset.interval[1]
        assert np.ptp(offset.interval) < width
        assert rate.interval[0] < 200 < rate.interval[1]
        assert outcome.findings["heard"] == outcome.findings["logged"] == 6
    shown = np.array(outcome.findings["knocks"])
    assert shown[:, 0] == pytest.approx(CASE.knocks, abs=2e-3)
    figure = outcome.figures[0].columns
    at = int(np.nanargmax(np.array(figure["load"], float)))
    assert min(abs(figure["time"][at] - k) for k in CASE.knocks) < 0.05


def test_what_does_not_tell_is_refused(clip, tmp_path):
    knocks = [12.34 + k for k in CASE.knocks]
    with pytest.raises(CannotMeasure, match="stands out in the log"):
        told(clip, log_of(tmp_path / "a.csv", []))
    with pytest.raises(CannotMeasure, match=r"alike|more than one way"):
        told(clip, log_of(tmp_path / "b.csv", [3.0, 4.3, 9.0]))
    with pytest.raises(CannotMeasure, match="reading"):
        told(clip, log_of(tmp_path / "c.csv", knocks), "-60 ms ± 2 ms")


def test_a_single_knock_and_even_ones():
    one = Shocks(np.array([2.0]), np.array([1.0]))
    found = match(one, Shocks(np.array([5.0, 9.0]), np.array([40.0, 3.0])), 0.01)
    assert found.logged.tolist() == [5.0]
    with pytest.raises(CannotMeasure):
        match(one, Shocks(np.array([5.0, 9.0]), np.array([40.0, 30.0])), 0.01)
    even = Shocks(np.arange(4.0), np.ones(4))
    with pytest.raises(CannotMeasure, match="more than one way"):
        match(Shocks(np.arange(3.0), np.ones(3)), even, 0.01)


def test_of_many_events_a_pattern_is_found_or_refused_at_once():
    """A craft that rattles: 900 sounds and 700 shocks make 630,000 offsets (by arithmetic)."""
    rng = np.random.default_rng(7)
    noise = np.cumsum(rng.uniform(0.2, 1.2, 900)), np.cumsum(rng.uniform(0.3, 1.5, 700))
    rattle = [Shocks(t, np.ones(t.size)) for t in noise]
    with pytest.raises(CannotMeasure, match="900 sudden sounds and 700 shocks"):
        match(*rattle, 0.01)
    knocks = np.array([3.0, 3.4, 4.5, 601.0, 602.2, 602.5])
    alone = np.array([47.0, 210.0, 333.0])
    both = [np.sort(np.concatenate([t, alone + k])) for t, k in ((knocks, 0), (knocks + 8, 20))]
    found = match(*(Shocks(t, np.ones(t.size)) for t in both), 0.0025)
    assert found.heard == pytest.approx(knocks)
    assert found.logged == pytest.approx(knocks + 8)


def test_sound_with_a_hole_stays_on_its_time(monkeypatch):
    """Truth: a click at 5.3 s of the file; two seconds of sound are missing before it."""
    rate = 44100
    sound = np.random.default_rng(2).normal(0, 1e-3, (6 * rate, 1)).astype(np.float32)
    sound[round(5.3 * rate) : round(5.31 * rate)] += 0.5 * (-1.0) ** np.arange(441)[:, None]

    class Holed:
        rate, time_base = 44100, Fraction(1, 44100)

        def blocks(self):
            for k in range(0, 6 * rate, 1024):
                if not 2 * rate < k < 4 * rate:
                    yield Block(k + 441, sound[k : k + 1024])

    monkeypatch.setattr(run, "open_sound", lambda source: Holed())
    power, start = run._power(Source.of(__file__))
    assert start == pytest.approx(0.01)
    assert power.size == 6000
    assert sudden_sounds(power, start).time == pytest.approx([5.31], abs=2e-3)


def test_a_voice_that_swells_is_no_knock():
    rise = np.concatenate([np.full(500, 1e-6), np.geomspace(1e-6, 1e-2, 300), np.full(200, 1e-2)])
    assert sudden_sounds(rise, 0.0).time.size == 0
    rise[200:205] = 1e-2
    assert sudden_sounds(rise, 3.0).time == pytest.approx([3.2005])


def test_it_is_typed(clip, tmp_path, capsys):
    log = log_of(tmp_path / "a.csv", [12.34 + k for k in CASE.knocks])
    film = tmp_path / "tied.mp4"
    typed = ["measure", "tie", str(clip), "--with", f"log={log}", "--film", str(film)]
    assert seeworthy(typed) == 0
    said = capsys.readouterr().out
    assert "to get the logger's" in said
    assert "tied by 6 knocks" in said
    with av.open(film) as made, av.open(clip) as filmed:
        shown = [f.time for f in made.decode(video=0)]
        assert shown == pytest.approx([f.time for f in filmed.decode(video=0)], abs=1e-3)
    assert seeworthy(typed) == 2  # it is there
    assert seeworthy([*typed[:-1], str(tmp_path / "tied.avi")]) == 2
    assert seeworthy(["measure", "tie", str(clip)]) == 2
    assert seeworthy(["measure", "motion", str(clip), "--film", str(film)]) == 2


def test_the_camera_of_a_tied_take_has_the_film(clip, tmp_path):
    log = log_of(tmp_path / "a.csv", [12.34 + k for k in CASE.knocks])
    with create_bench(tmp_path / "marram") as bench, ThreadPoolExecutor(1) as pool:
        add_camera(bench, "Dunlin")
        with pytest.raises(CannotMeasure, match="tied"):
            card_clips.load(bench, "Dunlin", tmp_path / "load.mp4")
        add_take(bench, "tie", "Dunlin", files={"": [clip], "log": [log]})
        run_bench(bench, executor=pool)
        caption = card_clips.load(bench, "Dunlin", tmp_path / "load.mp4")
    assert "tied by 6 knocks" in caption
    with av.open(tmp_path / "load.mp4") as made:
        assert made.streams.video[0].frames == 330


def test_the_load_below_the_picture_stands_where_it_was_felt():
    """Truth: 1 g, and 4 g for 20 ms at 40 s of a minute; the log ends at 55 s."""
    time = np.arange(-5, 55, 0.01)
    load = np.where((time > 40) & (time < 40.02), 4.0, 1.0)
    strip = load_strip(time, load, (40.01,), (0.0, 60.0))
    assert strip.picture.shape[1] == 60 * 64  # 20 s across 1280 px
    blue = (strip.picture == (0x00, 0x72, 0xB2)).all(2)
    high = np.flatnonzero(blue[:60].any(0))
    assert high / 64 == pytest.approx(np.full(high.size, 40.0), abs=0.05)
    assert blue[:, : 54 * 64].any(0).all()
    assert not blue[:, 56 * 64 :].any()
    assert strip.most(39.98, 40.013) == 4
    assert strip.most(20.0001, 20.0002) == 1  # between two rows
    assert strip.most(57.0, 57.03) is None
    for moment, place in ((2.0, 128), (40.0, 640), (59.0, 1280 - 64)):
        mark = (strip.at(moment) == (0xD5, 0x5E, 0x00)).all(2).all(0)
        assert np.flatnonzero(mark).mean() == pytest.approx(place, abs=1)


def test_the_axis_holds_over_a_long_clip():
    """By arithmetic: 100 ppm over 1000 s are 0.1 s; a rate known to 400 ppm is not used."""
    said = {"middle_s": 100.0, "knocks": [[1.0, 13.0]]}
    sure, vague = (
        [result("log_offset", 12000.0, 5.0), result("log_rate", 100.0, u)] for u in (5.0, 400.0)
    )
    here = np.array([100.0, 1100.0])
    logged = here + 12 + 1e-4 * (here - 100)
    assert TimeAxis.of(sure, said).of_clip(logged) == pytest.approx(here)
    assert TimeAxis.of(vague, said).of_clip(logged) == pytest.approx([100, 1100.1])


def test_a_pattern_that_comes_twice_is_refused():
    """Six knocks laid on the log 100 s apart fit there as well as here."""
    knocks = np.array([3.0, 3.4, 4.5, 41.0, 42.2, 42.5])
    twice = np.concatenate([knocks, knocks + 100])
    heard, logged = (Shocks(t, np.ones(t.size)) for t in (knocks, twice))
    with pytest.raises(CannotMeasure, match="more than one way"):
        match(heard, logged, 0.0025)
    assert match(heard, heard, 0.0025).logged.tolist() == knocks.tolist()
