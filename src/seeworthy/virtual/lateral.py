"""A lens that draws red and blue larger or smaller than green (lateral colour)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter
from seeworthy.virtual.filming import Studio, light_of_pose
from seeworthy.virtual.optics import develop
from seeworthy.virtual.planar import Lens, Pose


def magnified(lens: Lens, scale: float) -> Lens:
    """Return the lens as one colour sees it: everything `scale` times as far from the middle."""
    middle = ((lens.width - 1) / 2, (lens.height - 1) / 2)
    return replace(
        lens,
        fx=lens.fx * scale,
        fy=lens.fy * scale,
        cx=middle[0] + scale * (lens.cx - middle[0]),
        cy=middle[1] + scale * (lens.cy - middle[1]),
    )


def film_colours(
    path: Path,
    studio: Studio,
    pose: Pose,
    scales: Sequence[float],
    rng: np.random.Generator,
    *,
    frames: int = 40,
    bit_rate: int = 7_000_000,
) -> None:
    """Film a target that stands still with a lens of three magnifications: red, green, blue."""
    light: npt.NDArray[np.float32] = np.dstack(
        [light_of_pose(replace(studio, lens=magnified(studio.lens, s)), pose) for s in scales]
    )
    with ClipWriter(
        path, studio.lens.width, studio.lens.height, 30, bit_rate=bit_rate
    ) as writer:  # fmt: skip
        for _ in range(frames):
            writer.write_rgb(develop(light, rng, sensor=studio.sensor, tone=studio.tone))
