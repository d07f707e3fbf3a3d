"""Time-lapse intervals: arithmetic of a series, the rendered clock, capture times, refusals."""

from __future__ import annotations

import datetime as dt
import json

import numpy as np
import PIL.Image
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.procedures.interval.measure import ShotSeries, intervals
from seeworthy.procedures.interval.study import CLIP, FILM, STAMPS, STILLS, write


def series(times, number=None, u=0.001):
    times = np.asarray(times, float)
    places = np.arange(times.size) if number is None else np.asarray(number)
    return ShotSeries(times, places, u)


def measured(tmp_path, group, times, **readings):
    paths = write(tmp_path, group, np.asarray(times, float), np.random.default_rng(7))
    given = {k: [v] for k, v in readings.items()}
    return measure("interval", paths, readings=given).outcome


def values(outcome):
    return {r.measurand: r for r in outcome.results}


# --- a series of times ----------------------------------------------------------------


def test_holes_count_and_a_long_wait_is_no_hole():
    times = np.array([0, 2, 4, 6, 12, 14, 17, 19, 21, 23.0])  # two missing; one wait of 1.5
    found = intervals(series(times))
    assert found.holes == ((4, 2),)
    assert found.missed == 2
    assert (found.longest, found.after) == (6.0, 4)
    assert found.mean == pytest.approx(23 / 11)
    assert found.median == 2.0
    assert found.single == 8


def test_pictures_that_were_not_read_make_no_holes():
    places = [0, 1, 2, 3, 6, 7, 8, 9]
    found = intervals(series([5.0 * p for p in places], places))
    assert found.missed == 0
    assert found.runs == 2
    assert found.counted == 6
    assert found.mean == pytest.approx(5.0)


def test_too_few_and_out_of_order():
    with pytest.raises(CannotMeasure, match="Only 4 intervals"):
        intervals(series([0, 1, 2, 3, 4]))
    with pytest.raises(CannotMeasure, match="Picture 4 is not later than picture 3"):
        intervals(series([0, 1, 2, 2, 4, 5, 6]))


# --- the rendered clock ---------------------------------------------------------------


@pytest.mark.parametrize("group", [CLIP, STILLS])
def test_the_clock_tells_interval_error_and_holes(tmp_path, group):
    times = np.delete(5.25 * np.arange(14), [6, 7])
    outcome = measured(tmp_path, group, times, set_interval="5 s")
    found = values(outcome)
    assert outcome.method == "clock"
    assert found["shot_interval"].value == pytest.approx(5.25, abs=0.002)
    low, high = found["shot_interval"].interval
    assert low <= 5.25 <= high
    assert found["interval_error"].value == pytest.approx(5.0, abs=0.05)
    assert found["interval_scatter"].interval[0] == 0  # no more than the clock's updates
    assert outcome.findings["missed_shots"] == 2
    assert outcome.findings["missed_after"] == [[6, 2]]
    assert outcome.findings["longest_after"] == 6
    assert "set to 5 s; 2 are missing" in outcome.sentence
    json.dumps(outcome.to_json(), allow_nan=False)


def test_scatter_of_shots(tmp_path):
    times = 2.0 * np.arange(12) + np.where(np.arange(12) % 2, 0.1, 0.0)
    found = values(measured(tmp_path, STILLS, times))["interval_scatter"]
    truth = 1e3 * np.std(np.diff(times), ddof=1)
    assert found.value == pytest.approx(truth, rel=0.1)


# --- capture times --------------------------------------------------------------------


def test_capture_times_tell_the_interval_but_no_scatter(tmp_path):
    times = np.delete(7.3 * np.arange(20) + 0.4, 9)
    outcome = measured(tmp_path, STAMPS, times)
    found = values(outcome)
    assert outcome.method == "capture times"
    assert set(found) == {"shot_interval"}
    assert found["shot_interval"].interval[0] <= 7.3 <= found["shot_interval"].interval[1]
    assert outcome.findings["missed_after"] == [[9, 1]]


def stamped(tmp_path, times, digits):
    """Write stills with a fraction of the second of so many digits, cut off (EXIF 2.32, 4.6.6)."""
    paths = []
    for number, seconds in enumerate(times):
        when = dt.datetime(2026, 5, 4, 10, 0, 0) + dt.timedelta(seconds=float(seconds))
        exif = PIL.Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = when.strftime("%Y:%m:%d %H:%M:%S")
        exif.get_ifd(0x8769)[0x9291] = f"{when.microsecond:06d}"[:digits] if digits else "00"
        paths.append(tmp_path / f"P{number:03}.jpg")
        PIL.Image.new("L", (32, 24), 90).save(paths[-1], exif=exif)
    return paths


def test_fractions_of_the_second_tell_short_intervals(tmp_path):
    times = 0.31 + 1.4137 * np.arange(14)
    found = measure("interval", stamped(tmp_path, np.delete(times, 6), 2)).outcome
    value = values(found)["shot_interval"]
    assert value.interval[0] <= 1.4137 <= value.interval[1]
    assert value.u < 0.002  # steps of 0.01 s over 13 intervals
    assert found.findings["missed_after"] == [[6, 1]]
    with pytest.raises(CannotMeasure, match=r"steps of 1 s"):
        measure("interval", stamped(tmp_path, times, 0))


def test_order_is_that_of_capture_not_of_the_files_given(tmp_path):
    paths = write(tmp_path, STAMPS, 6.0 * np.arange(9), np.random.default_rng(1))
    outcome = measure("interval", paths[::-1]).outcome
    assert values(outcome)["shot_interval"].value == pytest.approx(6.0)


# --- refusals -------------------------------------------------------------------------


def test_whole_seconds_are_too_coarse_for_short_intervals(tmp_path):
    with pytest.raises(CannotMeasure, match="steps of 1 s"):
        measured(tmp_path, STAMPS, 1.4 * np.arange(12))


def test_a_film_is_no_time_lapse(tmp_path):
    with pytest.raises(CannotMeasure, match="no time lapse"):
        measured(tmp_path, FILM, np.arange(12) / 30)


def test_without_a_clock(tmp_path):
    from PIL import Image

    from seeworthy.media.write import ClipWriter

    grey = np.full((120, 160), 90, np.uint8)
    paths = [tmp_path / f"{i}.png" for i in range(8)]
    for path in paths:
        Image.fromarray(grey).save(path)
    with pytest.raises(CannotMeasure, match="no bench clock"):
        measure("interval", paths)
    clip = tmp_path / "grey.mp4"
    with ClipWriter(clip, 160, 120, 30) as writer:
        for _ in range(10):
            writer.write_luma(grey)
    with pytest.raises(CannotMeasure, match="not in the picture"):
        measure("interval", [clip])
    with pytest.raises(WrongCall, match="one by one"):
        measure("interval", [clip, paths[0]])
