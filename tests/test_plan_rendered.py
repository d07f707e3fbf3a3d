"""Plans against clips rendered for that flight: lean, blur and ground width agree."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy import optimize
from scipy.special import ndtr

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import result
from seeworthy.judge.plan.camera import FlownCamera as Figures
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.plan.predict import predict
from seeworthy.judge.plan.preview import preview
from seeworthy.virtual.scene_uprights import Bar, Renderer, UprightScene, steady, write_clip
from seeworthy.virtual.sensor import RollingCamera

HFOV, READOUT, EXPOSURE = 60.0, 0.018, 1 / 300
SPEED, DISTANCE = 14.0, 12.0  # m/s past uprights 12 m away

PLAN = f"""
[motion]
speed = "{SPEED} m/s ± 0.2 m/s"
distance = "{DISTANCE} m ± 0.1 m"
looks = "side"
"""


def rolling(**changes):
    return RollingCamera(hfov=HFOV, readout_time=READOUT, exposure=EXPOSURE, **changes)


def foreseen():
    """What the plan says, from figures with their usual uncertainty."""
    figures = {
        "hfov": [result("hfov", HFOV, 0.2)],
        "readout_time": [result("readout_time", READOUT * 1000, 0.1)],
        "exposure_time": [result("exposure_time", EXPOSURE * 1000, 0.05)],
    }
    camera = Figures("Dunlin", figures, frame=(1280, 720))
    return {p.name: p for p in predict(read_flight(PLAN, "test"), camera)}


def inside(value, prediction):
    low, high = prediction.interval
    return low <= value <= high


def speed_px(camera):
    return camera.focal * SPEED / DISTANCE


def test_ground_width_of_marks_a_known_distance_apart():
    # Two posts 6 m apart, seen square on; the frame spans so many metres more.
    camera = rolling()
    half = 3.0 / DISTANCE * camera.focal
    bars = [Bar(steady(sign * half, 0.0), 8.0, 0.02, grain=0.0) for sign in (-1, 1)]
    picture = Renderer(UprightScene(bars, steady(0.0, 0.0), contrast=0.0), camera).frame(0.0)
    dark = np.flatnonzero(picture[300:420].mean(axis=0) < picture.mean() * 0.6)
    middle = dark.mean()
    left, right = dark[dark < middle].mean(), dark[dark > middle].mean()
    measured = 6.0 / (right - left) * camera.width
    assert inside(measured, foreseen()["ground_width"])


def test_blur_of_a_passing_edge():
    camera = rolling()
    speed = speed_px(camera)
    foreseen_blur = foreseen()["blur"]
    bar = Bar(steady(-200.0, speed), 400.0, 0.6, grain=0.0)
    light = Renderer(UprightScene([bar], steady(0.0, 0.0), contrast=0.0), camera).light(0.0)
    row = light[0]
    steps = np.gradient(row.astype(float))
    edge = int(np.argmax(steps))
    profile = row[edge - 30 : edge + 30].astype(float)
    x = np.arange(-30.0, 30.0)

    def smeared(p):
        # A step under the lens's Gaussian, averaged over the travel during the exposure.
        parts = [ndtr((x - p[0] - p[1] * k) / camera.psf) for k in np.linspace(-0.5, 0.5, 41)]
        return p[2] + p[3] * np.mean(parts, axis=0) - profile

    found = optimize.least_squares(smeared, [0.0, 3.0, profile[0], profile[-1] - profile[0]])
    measured = abs(float(found.x[1]))
    assert measured == pytest.approx(foreseen_blur.value, rel=0.05)
    assert inside(measured, foreseen_blur)


def passing(camera):
    speed = speed_px(camera)
    rng = np.random.default_rng(4)
    bars = []
    for start, way in ((-500, 1), (-1100, 1), (-1700, 1), (350, -1), (800, -1), (1400, -1)):
        lane = 1.0 if way > 0 else 0.55
        bars.append(
            Bar(steady(start, way * speed * lane), float(rng.uniform(18, 40)), 0.03, grain=0.02)
        )
    return UprightScene(bars, steady(0.0, 40.0), seed=2)


def test_lean_of_a_rendered_flight(tmp_path):
    camera = rolling()
    path = tmp_path / "passing.mp4"
    write_clip(path, passing(camera), camera, [i / 30 for i in range(45)])
    outcome = measure("readout", [path]).outcome
    found = next(r for r in outcome.results if r.measurand == "readout_time")
    # Lean over the frame of what passes at the planned speed, from the clip alone.
    measured = found.value / 1000 * speed_px(camera)
    plan = foreseen()
    assert inside(measured, plan["lean_px"])
    assert inside(math.degrees(math.atan(measured / camera.height)), plan["lean"])


# The preview.


def flown(text=PLAN, **figures):
    made = {
        "hfov": [result("hfov", HFOV, 0.2)],
        "readout_time": [result("readout_time", READOUT * 1000, 0.1)],
        "exposure_time": [result("exposure_time", EXPOSURE * 1000, 0.05)],
        **figures,
    }
    made = {k: v for k, v in made.items() if v}
    return read_flight(text, "t"), Figures("Dunlin", made, frame=(1280, 720))


def test_a_preview_is_a_picture_of_the_right_shape(tmp_path):
    flight, camera = flown()
    said = preview(flight, camera, tmp_path / "p.png")
    picture = cv2.imread(str(tmp_path / "p.png"))
    assert picture.shape == (360, 640, 3)
    assert picture.std() > 5
    assert said == ("The exposure time was taken as measured; its light is not known.",)


def test_a_preview_clip_plays(tmp_path):
    import av

    flight, camera = flown()
    preview(flight, camera, tmp_path / "p.mp4", seconds=0.2)
    with av.open(str(tmp_path / "p.mp4")) as clip:
        assert sum(1 for _ in clip.decode(video=0)) == 6


def test_motion_blurs_the_preview(tmp_path):
    calm, camera = flown(PLAN.replace(f"{SPEED} m/s ±", "0.01 m/s ±"))
    fast, _ = flown(PLAN.replace(f"{SPEED} m/s", "150 m/s"))
    preview(calm, camera, tmp_path / "calm.png")
    preview(fast, camera, tmp_path / "fast.png")
    detail = [
        float(np.abs(np.diff(cv2.imread(str(tmp_path / n), 0).astype(float), axis=1)).mean())
        for n in ("calm.png", "fast.png")
    ]
    assert detail[1] < 0.8 * detail[0]


def test_what_is_missing_or_wrong_is_said(tmp_path):
    flight, camera = flown(exposure_time=[])
    assert any("exposure" in s for s in preview(flight, camera, tmp_path / "p.png"))
    flight, camera = flown(readout_time=[])
    with pytest.raises(CannotMeasure, match="read-out"):
        preview(flight, camera, tmp_path / "p.png")
    flight, camera = flown()
    with pytest.raises(WrongCall, match="no clip"):
        preview(flight, camera, tmp_path / "p.txt")
