"""Accuracy of `pixel-aspect`: rings filmed with known pixels, through H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, held, measured, must_refuse
from seeworthy.targets import target
from seeworthy.virtual.filming import Hold, Studio, film
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Paint, Pose, disc

WIDTH, HEIGHT = 1280, 720
ASPECTS = (1.0, 1.0, 12 / 11, 10 / 11, 16 / 11, 4 / 3, 128 / 117, 1.015)
TURNED = "turned, tilt up to 10°"
PLAIN = "any ring, turned, tilt up to 10°"
FACING = "one take, facing"
NOTHING = "no whole ring"
GROUPS = (TURNED, PLAIN, FACING)


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: `repeats` random cameras and poses per group."""
    for group in GROUPS:
        for i in range(repeats):
            yield from trial(group, seed, i)
    for i in range(max(2, repeats // 5)):
        yield refusal(seed, i)


def trial(group: str, seed: int, i: int) -> Iterator[Trial]:
    """Film one or two takes and measure them."""
    rng = np.random.default_rng([seed, GROUPS.index(group), i])
    aspect = ASPECTS[i % len(ASPECTS)]
    lens = _lens(aspect, rng)
    stretch = float(rng.normal(0, 0.0015)) if group == FACING else float(rng.normal(0, 0.003))
    studio = _studio(lens, stretch, rng, plain=group == PLAIN)
    lean = rng.normal(0, 1.0) if group == FACING else rng.uniform(0, 10)
    way = rng.uniform(0, 2 * math.pi)
    tilt = (float(lean * math.cos(way)), float(lean * math.sin(way)))
    poses = [_pose(lens, tilt, float(rng.normal(0, 1)), rng)]
    if group != FACING:
        # The board is turned with all that holds it; by hand, so not exactly.
        slip = rng.normal(0, 0.5, 2)
        second = (float(-tilt[1] + slip[0]), float(tilt[0] + slip[1]))
        poses.append(_pose(lens, second, 90.0 + float(rng.normal(0, 1)), rng))
    outcome = yield from asked(group, "pixel_aspect", aspect, lambda: measure(studio, poses, rng))
    if outcome is not None:
        yield held(group, aspect, outcome.results[0])


def refusal(seed: int, i: int) -> Trial:
    """Film a ring that is cut off by the frame."""
    rng = np.random.default_rng([seed, 98, i])
    lens = _lens(1.0, rng)
    near = lens.fx * 168 / HEIGHT
    pose = Pose.facing(near, pivot=(136.0, 87.0), at=(0.0, float(rng.uniform(0.4, 0.5)) * 168))
    studio = _studio(lens, 0.0, rng, plain=True)
    return must_refuse(NOTHING, "pixel_aspect", lambda: measure(studio, [pose], rng), 1.0)


def _lens(aspect: float, rng: np.random.Generator) -> Lens:
    bend = (float(rng.uniform(-0.25, 0.02)), float(rng.uniform(0, 0.04)), 0.0, 0.0, 0.0)
    return Lens.of_view(WIDTH, HEIGHT, float(rng.uniform(50, 95)), bend, aspect)


def _pose(lens: Lens, tilt: tuple[float, float], roll: float, rng: np.random.Generator) -> Pose:
    tall = rng.uniform(0.55, 0.8) * HEIGHT
    near = lens.fy * 168 / tall
    x, y = rng.normal(0, 0.02 * WIDTH, 2) * near / lens.fx
    return Pose.facing(near, pivot=(136.0, 87.0), at=(float(x), float(y)), tilt=tilt, roll=roll)


def _studio(lens: Lens, stretch: float, rng: np.random.Generator, *, plain: bool) -> Studio:
    pull = np.array([math.exp(stretch / 2), math.exp(-stretch / 2)])
    centre = np.array([136.0, 87.0])
    if plain:  # a ring of some other make: one thick ring, proportions unknown
        thick = float(rng.uniform(0.6, 0.85))
        drawn = [(disc((136.0, 87.0), 84.0), -0.7), (disc((136.0, 87.0), 84.0 * thick), 0.7)]
    else:
        drawn = [(np.array(p), 0.8 * s) for p, s in target("rings").painting()]
    paints = [Paint((p - centre) * pull + centre, step) for p, step in drawn]
    return Studio(paints, lens, blur=Blur(centre=float(rng.uniform(0.5, 1.2))))


def measure(studio: Studio, poses: list[Pose], rng: np.random.Generator) -> Outcome:
    """Film a clip per pose and run the procedure."""
    with tempfile.TemporaryDirectory() as folder:
        clips = []
        for pose, name in zip(poses, ("stands", "turned"), strict=False):
            path = Path(folder) / f"{name}.mp4"
            film(path, studio, [Hold(pose, frames=12)], rng)
            clips.append(path)
        return measured("pixel-aspect", {"": clips[:1], "turned": clips[1:]})


_COVERS = Goal("coverage", 0.90, "95 % intervals hold the truth in 90–99 %")
STUDY = Study(
    id="pixel-aspect",
    title="Pixel aspect",
    run=run,
    goals={
        TURNED: (Goal("max_percent", 0.2, "within 0.2 %"), _COVERS),
        PLAIN: (Goal("rms_percent", 0.2, "0.2 % rms"), _COVERS),
        FACING: (Goal("max_percent", 0.5, "within 0.5 %"), _COVERS),
        NOTHING: (Goal("right", 1.0, "always refused"),),
    },
)
