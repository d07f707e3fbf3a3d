"""The bench clock: its code, reading of rendered frames and clips, refusals.

The frames come from ``virtual/clock_screen.py``, which shares no code with the finder.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

import seeworthy
from seeworthy.clock import code
from seeworthy.clock.find import find_corners, follow_corners, is_mirrored, read_clock
from seeworthy.clock.mixed import mixture
from seeworthy.clock.rate import find_lost, fit_rate, without_hidden
from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.procedures.declare import gather
from seeworthy.procedures.timing import PROCEDURE
from seeworthy.virtual.clock_screen import ClockRecording, Screen, ScreenView, film
from seeworthy.virtual.clock_shots import still
from seeworthy.virtual.sensor import RollingCamera

PAGE = Path(seeworthy.__file__).parent / "web"
SHARP = RollingCamera(exposure=1 / 60, readout_time=1e-6)
SCAN_HALF = 0.95 / 2


def read(luma: np.ndarray) -> float:
    corners = find_corners(luma)
    assert corners is not None
    reading = read_clock(luma, corners)
    assert reading is not None
    return reading.time_ms


# Code


def constants():
    """What the page needs to know, under the names it uses."""
    return {
        "bits": code.BITS,
        "countMs": code.COUNT_MS,
        "rateBits": code.RATE_BITS,
        "rates": list(code.RATES),
        "width": code.WIDTH,
        "height": code.HEIGHT,
        "share": code.SHARE,
        "marker": code.MARKER,
        "markers": [[*code.MARKERS[key], code.PATTERNS[key]] for key in code.MARKERS],
        "cells": list(code.CELLS),
        "sweeps": [list(sweep) for sweep in code.SWEEPS],
        "pad": code.PAD,
        "bar": round(code.BAR, 6),
        "flash": list(code.FLASH),
        "flashMs": code.FLASH_MS,
    }


def test_neighbouring_counts_differ_in_one_cell_over_a_day() -> None:
    assert code.RANGE_MS >= 24 * 3600 * 1000
    for count in (*range(3000), (1 << code.BITS) - 1):
        ahead = (count + 1) % (1 << code.BITS)
        assert (code.gray(count) ^ code.gray(ahead)).bit_count() == 1
        assert code.count_of(code.gray(count)) == count


def test_page_holds_the_same_constants_and_marks() -> None:
    script = (PAGE / "static" / "clock.js").read_text(encoding="utf-8")
    found = re.search(r"^const CODE = (\{.*\});$", script, re.MULTILINE)
    assert found is not None
    assert json.loads(found[1]) == constants()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for key, pattern in code.PATTERNS.items():
        mark = cv2.aruco.generateImageMarker(dictionary, key, 6)[1:5, 1:5]
        assert "".join("1" if cell else "0" for cell in mark.ravel()) == pattern


def test_page_keeps_to_the_content_policy() -> None:
    page = (PAGE / "templates" / "clock.html").read_text(encoding="utf-8")
    assert not re.search(r"<style|style=|\son\w+=|<script>", page)
    assert "photosensitive" in page


# One frame


@pytest.mark.parametrize("begin", [0.1, 0.3839, 0.576, 51_234.567, 201_326.0])
def test_reads_the_mean_of_what_is_shown(begin: float) -> None:
    """Exposures of one whole update: half an update and the scan late, whatever the moment."""
    luma, truth = still(SHARP, Screen(response=0.0), ScreenView(), begin)
    late = (0.5 + SCAN_HALF) * 1000 / 60
    assert read(luma) == pytest.approx(truth * 1e3 - late, abs=0.5)


@pytest.mark.parametrize(
    "view",
    [ScreenView(share=0.25), ScreenView(share=0.25, tilt=30), ScreenView(share=1.2),
     ScreenView(share=1.2, tilt=30),
     ScreenView(share=0.5, roll=25), ScreenView(gain=0.35), ScreenView(gain=1.1)],
)  # fmt: skip
def test_reads_small_large_tilted_dim_and_bright(view: ScreenView) -> None:
    luma, truth = still(SHARP, Screen(response=0.0), view, 7654.321)
    assert read(luma) == pytest.approx(truth * 1e3 - (0.5 + SCAN_HALF) * 1000 / 60, abs=1.0)


def test_follows_marks_that_moved_and_gives_up_without_them() -> None:
    luma, _ = still(SHARP, Screen(), ScreenView(), 100.0)
    corners = find_corners(luma)
    assert corners is not None
    moved = np.roll(luma, (2, 3), (0, 1))
    after = follow_corners(moved, corners)
    assert after is not None
    shift = after / after[2, 2] - corners / corners[2, 2]
    assert shift[:2, 2] == pytest.approx([3, 2], abs=0.3)
    assert follow_corners(np.full_like(luma, 128), corners) is None


def test_says_mirrored_and_refuses_what_it_cannot_read() -> None:
    luma, _ = still(SHARP, Screen(), ScreenView(), 5.0)
    corners = find_corners(luma)
    assert corners is not None
    assert is_mirrored(np.ascontiguousarray(luma[:, ::-1]))
    assert not is_mirrored(luma)
    assert find_corners(np.full((720, 1280), 128, np.uint8)) is None
    assert read_clock(np.full((720, 1280), 250, np.uint8), corners) is None


def test_mixture_is_what_plain_summing_over_the_exposure_gives() -> None:
    """Against a staircase of exponentials summed in small steps, written here."""
    period, exposure, answer = 16.0, 9.0, 2.5
    mean, variance = mixture(period, exposure, answer)
    steps = np.linspace(-0.5, 0.5, 1500) * exposure
    numbers = np.arange(-6, 4)
    for place in (0, 40, 77, 127):
        moment = (place + 0.5) / len(mean) * period
        late = (moment + steps)[:, None] - numbers * period
        begun = np.where(late > 0, 1 - np.exp(-np.maximum(late, 0) / answer), 0.0)
        share = np.mean(begun[:, :-1] - begun[:, 1:], axis=0)
        share[0] += 1 - share.sum()
        times = numbers[:-1] * period
        middle = float(share @ times)
        assert mean[place] == pytest.approx(middle - moment + period / 2 + answer, abs=0.02)
        assert variance[place] == pytest.approx(share @ times**2 - middle**2, abs=0.2)


# A clip


def test_every_frame_is_read_at_its_moment(tmp_path: Path) -> None:
    """Short exposures, which meet one update mostly: bands and mixtures tell the rest."""
    camera = RollingCamera(width=640, height=360, exposure=1 / 240, rate=29.5)
    clip = tmp_path / "clock.mp4"
    truth = film(
        clip, camera, Screen(), ScreenView(tilt=15), ClockRecording(frames=80, start=4321.0)
    )
    watcher = ClockWatch()
    watch(Source(clip, "clock.mp4"), [watcher])
    track = watcher.track()
    assert track.frames == 80
    assert len(track.index) == 80
    off = (track.time - truth.time) * 1e3
    assert np.mean(off) == pytest.approx(-2.0, abs=1.0)  # the screen's pixels answer in 2 ms
    assert np.std(off) < 2.0
    plain = np.std(off) / np.sqrt(np.mean(track.u**2)) / 1e3
    assert 0.1 < plain < 1.6
    assert track.row == pytest.approx(truth.row, abs=1.0)
    assert track.moments is not None
    assert track.moments.exposure_limits[1] < 1e3 / 60


@pytest.mark.parametrize(
    ("exposure", "rate", "ppm", "phase"),
    [(0.012, 30.0, 20.0, 0.75), (0.030, 29.5, 0.0, 0.5)],
)  # fmt: skip
def test_bounds_of_the_exposure_hold_it_in_step_and_out_of_step(
    tmp_path: Path, exposure: float, rate: float, ppm: float, phase: float
) -> None:
    """In step one phase of the updates is seen for ever: then all is said that it allows."""
    camera = RollingCamera(width=640, height=360, exposure=exposure, rate=rate, readout_time=16e-3)
    clip = tmp_path / "clock.mp4"
    take = ClockRecording(frames=64, start=1000 + phase / 60, camera_ppm=ppm)
    film(clip, camera, Screen(), ScreenView(), take)
    watcher = ClockWatch()
    watch(Source(clip, "clock.mp4"), [watcher])
    moments = watcher.track().moments
    assert moments is not None
    low, high = moments.exposure_limits
    assert low <= 1e3 * exposure <= high < 3e3 / 60


def test_timing_finds_hidden_losses_and_the_rate(tmp_path: Path) -> None:
    take = ClockRecording(
        frames=140, start=900.0, camera_ppm=2000.0, hidden=frozenset({40, 41, 90}),
        lost=frozenset({120}),
    )  # fmt: skip
    clip = tmp_path / "clock.mp4"
    truth = film(
        clip, RollingCamera(width=640, height=360, exposure=1 / 60), Screen(), ScreenView(), take
    )
    inputs = gather(PROCEDURE, {"": [Source(clip, "clock.mp4")]},
                    {"screen_clock": ["100 ppm ± 1 ppm"]}, {"clock": ["yes"]})  # fmt: skip
    outcome = PROCEDURE.run(inputs)
    assert outcome.findings["hidden_drops"] == {"count": 3, "at": [39, 39, 87]}
    assert truth.after == (39, 87)
    assert outcome.findings["dropped_frames"]["count"] == 4
    assert outcome.findings["clock_read_share"] == 1.0
    rate = next(r for r in outcome.results if r.measurand == "rate_error")
    assert rate.interval[0] < 2100 < rate.interval[1]
    assert rate.value == pytest.approx(2100, abs=30)
    assert {p.name for p in outcome.pictures} >= {"timing-clock.png"}


@pytest.mark.parametrize(
    ("view", "words"),
    [(ScreenView(mirrored=True), "mirrored"), (ScreenView(gain=400.0), "overexposed"),
     (ScreenView(share=4.0), "not found in any")],
)  # fmt: skip
def test_refuses_with_a_picture(tmp_path: Path, view: ScreenView, words: str) -> None:
    clip = tmp_path / "clock.mp4"
    film(clip, RollingCamera(width=640, height=360), Screen(), view, ClockRecording(frames=5))
    inputs = gather(PROCEDURE, {"": [Source(clip, "clock.mp4")]}, {}, {"clock": ["yes"]})
    with pytest.raises(CannotMeasure, match=words) as refusal:
        PROCEDURE.run(inputs)
    assert refusal.value.pictures


# Rate and losses from numbers


def test_losses_hidden_shown_and_false() -> None:
    interval = 1 / 30
    taken = np.array([k for k in range(100) if k not in (20, 50, 51)])
    times = taken * interval
    stamps = np.arange(len(taken)) * interval
    stamps[taken > 50] += 2 * interval  # the pair is shown, the single one hidden
    stamps[80:] += interval  # a gap where nothing is missing
    times[60] += 0.02  # one misread frame
    lost = find_lost(np.arange(len(taken)), stamps, times)
    assert lost.hidden == (19,)
    assert lost.shown == (48, 48)
    assert lost.kept == (79,)


def test_rate_is_not_bent_by_hidden_losses() -> None:
    interval = 1 / 30
    taken = np.array([k for k in range(900) if k % 100 != 7])
    stamps = np.arange(len(taken)) * interval
    times = taken * interval / (1 + 30e-6)
    lost = find_lost(np.arange(len(taken)), stamps, times)
    fit = fit_rate(without_hidden(stamps, lost), times)
    assert fit.rate_ppm == pytest.approx(30.0, abs=0.5)
