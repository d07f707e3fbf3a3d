"""Exposure control: levels by arithmetic, and clips of a passing card by the virtual camera."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import WrongCall
from seeworthy.procedures.exposure_control.measure import (
    Level,
    Shutter,
    gain_stops,
    grey_slope,
    shortest,
)
from seeworthy.procedures.study import measured
from seeworthy.virtual.clock_screen import ClockRecording, Screen, ScreenView, film
from seeworthy.virtual.exposure import PassingCard, film_card, steady
from seeworthy.virtual.sensor import RollingCamera


def shutter(ms, share=0.02, bound=False):
    u = share * ms
    parts = (Component("blur", u, "ms"),)
    return Shutter(ms, parts, 0.0 if bound else ms - 2 * u, ms if bound else ms + 2 * u, bound)


def level(lux, ms, grey, clipped=0.0, bound=False):
    time = None if ms is None else shutter(ms, bound=bound)
    return Level(lux, 0.03 * lux, time, grey, 0.0, clipped)


def test_grey_that_is_held_has_no_slope_and_a_fixed_exposure_has_one():
    rng = np.random.default_rng(1)
    lights = [100 * 2.0**k for k in range(6)]
    held = grey_slope([level(x, 10, 0.15 * math.exp(rng.normal(0, 0.05))) for x in lights])
    fixed = grey_slope([level(x, 10, 1e-4 * x) for x in lights])
    assert abs(held.value) < 3 * held.u_scatter
    assert fixed.value == pytest.approx(1, abs=1e-9)
    # Light known to 3 %, of which the square root of a half is its own, over 2 stops rms of 5.
    assert fixed.u_light == pytest.approx(0.03 * 0.7071 / math.log(2) / math.sqrt(17.5), rel=0.01)
    assert grey_slope([level(100, 10, 0.1), level(200, 10, 0.1)]) is None


def test_the_end_of_the_control_is_told_from_plateaus():
    follows = [level(8000, 1.0, 0.15), level(4000, 2.0, 0.15), level(2000, 4.0, 0.15)]
    end = [level(16000, 1.01, 0.6), level(8000, 1.0, 0.3), level(2000, 4.0, 0.15)]
    white = [level(16000, 1.01, None, 0.3), level(8000, 1.0, 0.3), level(2000, 4.0, 0.15)]
    # Lamps that flicker at 100 Hz: many cameras stay at 10 ms and change the gain.
    plateau = [level(800, 10.0, 0.15), level(400, 10.0, 0.15), level(50, 33.3, 0.15)]
    long_end = [level(20, 33.3, 0.15), level(10, 33.3, 0.075), level(5, 33.3, 0.04)]
    assert [shortest(v)[1] for v in (follows, end, white, plateau, long_end)] == [
        False, True, True, False, False,
    ]  # fmt: skip
    assert shortest(end)[0].value == pytest.approx(1.005, abs=0.001)
    assert shortest(follows)[0].value == 1.0
    bounds = [level(8000, 1.0, 0.3, bound=True), level(2000, 4.0, 0.15)]
    assert shortest(bounds)[0].bound
    assert shortest([level(100, None, 0.1)] * 2) is None


def test_gain_is_what_light_and_exposure_do_not_explain():
    bright, dim = level(1000, 2.0, 0.15), level(62.5, 8.0, 0.15)
    assert gain_stops(dim, bright) == pytest.approx(2)  # four stops of light, two of exposure
    assert gain_stops(dim, level(1000, None, 0.15)) is None


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """Exposures of 6, 6 and 18 ms; grey at 0.45, 0.2 and 0.2."""
    folder = tmp_path_factory.mktemp("levels")
    moving, rests = [], []
    for i, (exposure, grey) in enumerate(((0.006, 0.45), (0.006, 0.2), (0.018, 0.2))):
        camera = RollingCamera(width=320, height=180, exposure=exposure, full_well=8000)
        for name, place, into, count in (
            ("moving", steady(70, 550), moving, 16), ("rest", steady(200, 0), rests, 6),
        ):  # fmt: skip
            path = folder / f"{name}{i}.mp4"
            card = PassingCard(place, 60, 0.03, 0.15 * grey, grey, seed=10 * i + count)
            film_card(path, card, camera, count, bit_rate=2_500_000)
            into.append(path)
    return moving, rests


LIGHTS = ["9000 lx", "4000 lx", "1330 lx"]


def test_a_card_that_passes_tells_the_curve(clips):
    moving, rests = clips
    options = {"grey": ["6,4,24,20"]}
    said = measured(
        "exposure-control", {"": moving, "rest": rests}, {"light": LIGHTS}, options
    )  # fmt: skip
    by_light = {(r.measurand, r.conditions.get("light")): r for r in said.results if r.conditions}
    for lux, ms, grey in ((9000, 6, 45), (4000, 6, 20), (1330, 18, 20)):
        time, mid = by_light["exposure_time", lux], by_light["mid_grey", lux]
        assert time.interval[0] < ms < time.interval[1]
        assert time.u < 0.1 * ms
        assert mid.interval[0] < grey < mid.interval[1]
        assert by_light["clipped_share", lux].value == 0
    best = said.results[0]
    assert best.measurand == "shortest_exposure"
    assert best.interval[0] < 6 < best.interval[1]
    assert "bound" not in best.conditions
    assert said.findings["least_reached"]
    assert [f.name for f in said.figures] == ["exposure_light", "grey_light", "clipped_light"]
    assert all(t["gain_stops"] == pytest.approx(0, abs=0.3) for t in said.findings["takes"])


def test_without_an_edge_at_rest_there_is_grey_and_clipping_alone(clips):
    said = measured("exposure-control", clips[0], {"light": LIGHTS}, {"grey": ["6,4,24,20"]})
    assert {r.measurand for r in said.results} == {"mid_grey", "clipped_share", "grey_per_light"}
    assert said.findings["exposure_from"] == "picture alone"
    bare = measured("exposure-control", clips[0], {"light": LIGHTS})
    assert {r.measurand for r in bare.results} == {"clipped_share"}
    assert any("No grey card" in text for text in bare.warnings)


def test_a_card_in_front_of_the_grey_is_noticed(clips):
    said = measured("exposure-control", clips[0], {"light": LIGHTS}, {"grey": ["150,60,24,20"]})
    assert not any(r.measurand == "mid_grey" for r in said.results)
    assert any("covered for a while" in text for text in said.warnings)


def test_wrong_calls_are_named(clips):
    moving, rests = clips
    with pytest.raises(WrongCall, match="2, for 3 clips"):
        measured("exposure-control", moving, {"light": LIGHTS[:2]})
    with pytest.raises(WrongCall, match="one light level only"):
        measured("exposure-control", moving, {"light": ["400 lx", "410 lx", "420 lx"]})
    with pytest.raises(WrongCall, match="2 clips at rest"):
        measured("exposure-control", {"": moving, "rest": rests[:2]}, {"light": LIGHTS})


def test_the_bench_clock_bounds_the_exposure_of_every_level(tmp_path):
    """Two levels before a 60 Hz screen, the camera out of step: limits that hold, never a point."""
    screen, view = Screen(refresh=60.0, response=2e-3), ScreenView(share=0.9, shake=0.1)
    clips, truth = [], {800.0: 1000 / 60, 200.0: 1000 / 30}
    for k, ms in enumerate(truth.values()):
        camera = RollingCamera(
            width=640, height=360, rate=30.05, readout_time=0.015, exposure=ms / 1000
        )
        path = tmp_path / f"{k}.mp4"
        film(path, camera, screen, view, ClockRecording(frames=24, start=77.0, seed=k))
        clips.append(path)
    said = measured(
        "exposure-control", clips, {"light": ["800 lx", "200 lx"]}, {"clock": ["yes"]}
    )  # fmt: skip
    assert said.method == said.findings["exposure_from"] == "bench clock"
    times = {r.conditions["light"]: r for r in said.results if r.measurand == "exposure_time"}
    assert times
    for lux, found in times.items():
        low, high = found.interval
        assert low <= truth[lux] <= high
        assert high - low >= 1000 / 120  # an update of the screen, less what the rows tell
    assert any(r.measurand == "shortest_exposure" for r in said.results)
