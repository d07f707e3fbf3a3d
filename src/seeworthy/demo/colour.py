"""Coloured objects on the boathouse table, for the demo bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.demo.cameras import DemoCamera
from seeworthy.virtual.colour_scene import (
    Shoot,
    SmallCamera,
    Viewpoint,
    good_linear,
    picture,
    random_table,
    write_clip,
    write_still,
)
from seeworthy.virtual.optics import Sensor

# Strength of the colours, gains of red and blue, exposure: what these cameras make of them.
LOOKS: dict[str, tuple[float, tuple[float, float], float]] = {
    "Dunlin": (0.52, (1.09, 0.88), 1.05),
    "Turnstone": (0.86, (0.98, 1.04), 0.9),
}


def _set(camera: DemoCamera) -> tuple[Any, Any, Any]:
    """Return the objects (the same for all), and a random generator for the camera's place."""
    table = random_table(np.random.default_rng(2026))
    rng = np.random.default_rng([camera.seed, 70])
    return table, Viewpoint.near(np.random.default_rng(7), 1200, 900), rng


def take_reference(path: Path, camera: DemoCamera) -> None:
    """Take the still with the good camera."""
    table, place, rng = _set(camera)
    light = picture(table, np.clip(good_linear(table.paints), 0, 1), place)
    write_still(path, light, rng, sensor=Shoot().good_sensor)


def film_objects(path: Path, camera: DemoCamera) -> None:
    """Film the objects with the camera under test."""
    table, _, rng = _set(camera)
    saturation, white, exposure = LOOKS[camera.name]
    seen = SmallCamera(saturation, white, exposure).linear(table.paints)
    place = Viewpoint.near(rng, camera.width, camera.height)
    light = picture(table, seen, place, blur=camera.blur)
    shoot = Shoot(20, round(camera.bit_rate * 1e6), Sensor(6000.0, camera.noise))
    write_clip(path, light, rng, shoot)
