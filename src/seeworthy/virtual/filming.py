"""Clips and stills of a flat target, rendered with known truth.

A script is a list of holds: the target stands still for some frames, then moves on.
While it moves, the rolling shutter bends it and the exposure smears it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from seeworthy.virtual.coders import record
from seeworthy.virtual.optics import Blur, Sensor, Sharpening, Tone, develop
from seeworthy.virtual.planar import Lens, Paint, Pose, Shot, photograph

Codes = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Studio:
    """Everything that stays the same during a clip.

    Attributes:
        paints: Steps of reflectance; `base` is the paper's.
        exposure: Linear value that a reflectance of 1 gets.
        readout_share: Time from first to last row as a share of the frame period.
        exposure_share: Exposure time as a share of the time from first to last row.
        look: Tone curve of `seeworthy.virtual.looks` that its files do not name; left out: `tone`.
    """

    paints: Sequence[Paint]
    lens: Lens
    base: float = 0.84
    blur: Blur = field(default_factory=Blur)
    sensor: Sensor | None = field(default_factory=Sensor)
    sharpening: Sharpening | None = None
    tone: Tone = "bt709"
    exposure: float = 0.9
    readout_share: float = 0.7
    exposure_share: float = 0.3
    oversample: int = 2
    mirrored: bool = False
    full_range: bool = False
    look: str = ""


@dataclass(frozen=True, slots=True)
class Hold:
    """The target at one pose for `frames` frames, then `moving` frames to the next one."""

    pose: Pose
    frames: int = 8
    moving: int = 4


def take_still(studio: Studio, pose: Pose, rng: np.random.Generator) -> Codes:
    """Return one picture of the target standing still, coded."""
    shot = Shot(pose, oversample=studio.oversample, mirrored=studio.mirrored)
    return _develop(studio, _light(studio, shot), rng)


def light_of_pose(studio: Studio, pose: Pose) -> npt.NDArray[np.float32]:
    """Return the linear light of the target standing still, without noise."""
    return _light(studio, Shot(pose, oversample=studio.oversample, mirrored=studio.mirrored))


def _light(studio: Studio, shot: Shot) -> npt.NDArray[np.float32]:
    seen = photograph(studio.paints, studio.base, studio.lens, shot)
    return studio.blur.apply(seen, studio.oversample) * np.float32(studio.exposure)


def frames(studio: Studio, script: Sequence[Hold], rng: np.random.Generator) -> Iterator[Codes]:
    """Yield coded pictures of a script, each with its own noise."""
    for i, hold in enumerate(script):
        shot = Shot(hold.pose, oversample=studio.oversample, mirrored=studio.mirrored)
        light = _light(studio, shot)
        for _ in range(hold.frames):
            yield _develop(studio, light, rng)
        if i + 1 == len(script):
            return
        step = 1 / (hold.moving + 1)
        for k in range(1, hold.moving + 1):
            start = between(hold.pose, script[i + 1].pose, k * step)
            end = between(hold.pose, script[i + 1].pose, (k + studio.readout_share) * step)
            moving = Shot(start, end, studio.exposure_share, 3, studio.oversample, studio.mirrored)
            yield _develop(studio, _light(studio, moving), rng)


def _develop(studio: Studio, light: npt.NDArray[np.float32], rng: np.random.Generator) -> Codes:
    return develop(
        light,
        rng,
        sensor=studio.sensor,
        sharpening=studio.sharpening,
        tone=studio.tone,
        full_range=studio.full_range,
        look=studio.look,
    )


def between(a: Pose, b: Pose, share: float) -> Pose:
    """Return the pose on the way from one to the other (shortest turn, straight line)."""
    turn = Rotation.from_matrix(b.rotation @ a.rotation.T).as_rotvec() * share
    rotation = Rotation.from_rotvec(turn).as_matrix() @ a.rotation
    place = a.translation + share * (b.translation - a.translation)
    return Pose(np.asarray(rotation, float), place)


def film(
    path: Path,
    studio: Studio,
    script: Sequence[Hold],
    rng: np.random.Generator,
    *,
    rate: int = 30,
    bit_rate: int = 7_000_000,
    encoder: str = "",
) -> int:
    """Render a script to a clip, H.264 if no other encoder is named; return the frames."""
    return record(
        path, frames(studio, script, rng), rate=rate, bit_rate=bit_rate,
        full_range=studio.full_range, encoder=encoder,
    )  # fmt: skip


def paints_of(
    painting: Sequence[tuple[Sequence[tuple[float, float]], float]],
    paper: float = 0.84,
    ink: float = 0.04,
) -> list[Paint]:
    """Turn tone steps (0 ink to 1 paper) into steps of reflectance."""
    return [Paint(np.array(points, float), step * (paper - ink)) for points, step in painting]


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
    encoder: str = "",
) -> None:
    """Film a target that stands still with a lens of three magnifications: red, green, blue."""
    light: npt.NDArray[np.float32] = np.dstack(
        [light_of_pose(replace(studio, lens=magnified(studio.lens, s)), pose) for s in scales]
    )
    shown = (_develop(studio, light, rng) for _ in range(frames))
    record(path, shown, bit_rate=7_000_000, encoder=encoder)
