"""The virtual camera for read-out: what it renders is what it says."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.virtual import lamp as lamps
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import Bar, Renderer, UprightScene, frames, steady
from seeworthy.virtual.sensor import RollingCamera, transfer_table

SMALL = {"width": 320, "height": 180, "exposure": 1 / 4000, "psf": 0.7}


def _centre_per_row(camera: RollingCamera, speed: float, tilt: float = 0.0) -> np.ndarray:
    """Centroid of one black bar in each row, from noise-free light."""
    bar = Bar(steady(10.0, speed), 12.0, 0.0, tilt=tilt, grain=0.0)
    renderer = Renderer(UprightScene([bar], steady(0.0, 0.0), contrast=0.0), camera)
    blank = Renderer(UprightScene([], steady(0.0, 0.0), contrast=0.0), camera)
    cover = 1 - renderer.light(0.0) / blank.light(0.0)
    columns = np.arange(camera.width) - (camera.width - 1) / 2
    return (cover @ columns) / cover.sum(axis=1)


def test_a_still_upright_is_upright():
    centre = _centre_per_row(RollingCamera(**SMALL), 0.0)
    assert centre == pytest.approx(np.full(180, 10.0), abs=0.03)


def test_a_passing_upright_leans_by_speed_times_row_time():
    camera = RollingCamera(**SMALL, readout_time=0.020)
    centre = _centre_per_row(camera, 800.0)
    rows = np.arange(180)
    assert centre == pytest.approx(10 + 800 * 0.020 / 180 * rows, abs=0.03)


def test_an_upside_down_camera_leans_the_other_way():
    camera = RollingCamera(**SMALL, readout_time=0.020, upwards=True)
    centre = _centre_per_row(camera, 800.0)
    assert np.polyfit(np.arange(180), centre, 1)[0] == pytest.approx(-800 * 0.020 / 180, rel=0.01)


def test_roll_leans_a_still_upright():
    centre = _centre_per_row(RollingCamera(**SMALL, roll=2.0), 0.0)
    assert np.polyfit(np.arange(180), centre, 1)[0] == pytest.approx(
        -math.tan(math.radians(2)), rel=0.02
    )


def test_rays_undo_distortion():
    camera = RollingCamera(**SMALL, k1=-0.12, hfov=70)
    xu, yu = camera.rays()
    r2 = xu.astype(float) ** 2 + yu.astype(float) ** 2
    xd = xu * (1 + camera.k1 * r2) * camera.focal
    assert xd[3] == pytest.approx(np.arange(320) - 159.5, abs=0.01)


def test_motion_blur_is_speed_times_exposure():
    sharp = RollingCamera(**SMALL, readout_time=1e-6)
    smeared = RollingCamera(**{**SMALL, "exposure": 0.02}, readout_time=1e-6)
    widths = []
    for camera in (sharp, smeared):
        bar = Bar(steady(0.0, 1000.0), 4.0, 0.0, grain=0.0)
        scene = UprightScene([bar], steady(0.0, 0.0), contrast=0.0)
        blank = Renderer(UprightScene([], steady(0.0, 0.0), contrast=0.0), camera).light(0.0)
        cover = (1 - Renderer(scene, camera).light(0.0) / blank)[40]
        x = np.arange(320)
        middle = np.average(x, weights=cover)
        widths.append(np.average((x - middle) ** 2, weights=cover))
    # Variance of a box of L px is L^2/12.
    assert widths[1] - widths[0] == pytest.approx(20.0**2 / 12, rel=0.03)


def test_the_same_seed_gives_the_same_frame():
    camera = RollingCamera(**SMALL)
    one, two, other = (
        next(frames(casts.passing(camera, seed), camera, [0.4]))[1] for seed in (5, 5, 6)
    )
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_transfer_is_bt709_limited():
    # ITU-R BT.709-6: V(0.18) = 0.409008, limited code 105.57 (shared checks: transfer_functions).
    table = transfer_table()
    assert table[0] == 16
    assert table[65535] == 235
    assert table[round(0.18 * 65535)] == 106


@pytest.mark.parametrize("kind", ["sine", "rectified", "square"])
def test_a_lamp_keeps_its_mean(kind):
    lamp = lamps.Lamp(100.0, kind, 0.8, 0.3, 0.2)
    t = np.arange(0, 1, 1e-4)
    assert lamp.exposed(t, 1e-3).mean() == pytest.approx(1.0, abs=1e-3)


def test_exposure_of_a_whole_period_removes_the_flicker():
    lamp = lamps.Lamp(100.0, "square", 1.0, 0.3)
    assert lamp.exposed(np.linspace(0, 0.1, 50), 0.01) == pytest.approx(np.ones(50), abs=1e-9)


def test_exposure_weakens_a_sine_by_sinc():
    lamp = lamps.Lamp(100.0, "sine", 0.5)
    light = lamp.exposed(np.arange(0, 0.05, 1e-5), 0.004)
    assert (light.max() - light.min()) / 2 == pytest.approx(0.5 * np.sinc(0.4), rel=1e-3)


def test_bands_stand_still_at_a_multiple_of_the_frame_rate():
    lamp = lamps.Lamp(120.0, "rectified", 0.9)
    quiet = RollingCamera(**{**SMALL, "exposure": 0.001}, read_noise=0.0, full_well=1e9)
    first, second = (f for _, f in lamps.frames(lamp, quiet, [0.0, 1 / 30]))
    assert np.abs(first.astype(int) - second.astype(int)).max() <= 1
    assert first.mean(axis=1).std() > 5
