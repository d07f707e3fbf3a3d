"""Edges and flat fields of the demo cameras, rendered in worker processes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from seeworthy.demo.cameras import DemoCamera
from seeworthy.demo.targets import lens_of
from seeworthy.procedures.shading.study import ShadedField, film_field
from seeworthy.targets import target
from seeworthy.virtual.filming import Hold, Studio, film, paints_of
from seeworthy.virtual.optics import Blur, Sensor, Shading
from seeworthy.virtual.planar import Pose

CORNERS = {
    "Dunlin": (1.9, 1.7, 2.4, 1.8),
    "Turnstone": (1.3, 1.3, 1.35, 1.3),
    "Sanderling": (1.6, 1.5, 1.5, 1.6),
}
"""Blur in the corners (px, standard deviation); Dunlin's lens sits askew."""

FALL_OFF = {
    "Dunlin": (1.6, 2.4, 0.18, -0.12),
    "Turnstone": (0.7, 2.8, 0.0, 0.05),
    "Sanderling": (1.1, 2.6, -0.06, 0.1),
}
"""Stops in the corners, power of the radius, extra stops of red and of blue."""


def film_edges(path: Path, camera: DemoCamera, dusk: bool = False) -> None:
    """Render the edges target filling the frame, on a tripod, by day or at dusk.

    At dusk the camera's gain reaches only so far: the picture is darker, and noisier.
    """
    rng = np.random.default_rng([camera.seed, 31 + 2 * dusk])
    layout = target("edges")
    lens = lens_of(camera)
    distance = lens.fx * 272.0 / (camera.width * 0.985)
    pose = Pose.facing(distance, pivot=(136.0, 76.5), tilt=(0.4, -0.3), roll=0.2)
    blur = Blur(camera.blur, CORNERS[camera.name])
    sensor = Sensor(full_well=600.0) if dusk else Sensor()
    made = Studio(
        paints_of(layout.painting()), lens, blur=blur, sensor=sensor,
        exposure=0.35 if dusk else 0.8, oversample=4,
    )  # fmt: skip
    film(path, made, [Hold(pose, 32, 0)], rng, bit_rate=round(camera.bit_rate * 1e6))


def film_flat(path: Path, camera: DemoCamera, turn: bool) -> None:
    """Render the overcast sky through a sheet of paper, upright or with the camera turned."""
    stops, power, red, blue = FALL_OFF[camera.name]
    # The sky is brighter on one side.
    shade = Shading(stops, power, (0.5, 0.5), red, blue, (-0.12, 0.0))
    rng = np.random.default_rng([camera.seed, 32, turn])
    size, bits = (camera.width, camera.height), round(camera.bit_rate * 1e6)
    film_field(path, ShadedField(shade, 0.4, 6000.0), rng, turn=turn, size=size, bit_rate=bits)
