"""Clips of printed targets for the demo bench; they are rendered in worker processes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from seeworthy.demo.cameras import DemoCamera
from seeworthy.procedures.lens.study import script
from seeworthy.targets import target
from seeworthy.virtual.filming import Hold, Studio, film, paints_of
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Pose


def lens_of(camera: DemoCamera) -> Lens:
    """Return the lens of a demo camera as the target's renderer wants it."""
    bend = (camera.k1, 0.0, 0.0, 0.0, 0.0)
    return Lens.of_view(camera.width, camera.height, camera.hfov, bend)


def _studio(camera: DemoCamera, target_name: str) -> Studio:
    paints = paints_of(target(target_name).painting())
    return Studio(paints, lens_of(camera), blur=Blur(centre=camera.blur))


def film_board(path: Path, camera: DemoCamera) -> None:
    """Render the board at a dozen angles, held still at each."""
    rng = np.random.default_rng([camera.seed, 21])
    holds = script(lens_of(camera), rng)
    film(path, _studio(camera, "board"), holds, rng, rate=10, bit_rate=2_500_000)


def film_rings(path: Path, camera: DemoCamera, roll: float) -> None:
    """Render the rings as they stand, or with the board turned by `roll` degrees."""
    rng = np.random.default_rng([camera.seed, 22, round(roll)])
    near = lens_of(camera).fx * 168 / (0.7 * camera.height)
    pose = Pose.facing(near, pivot=(136.0, 87.0), tilt=(1.5, -1.0), roll=roll)
    film(path, _studio(camera, "rings"), [Hold(pose, frames=12)], rng)
