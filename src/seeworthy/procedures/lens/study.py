"""Accuracy of `lens`: the board filmed with known lenses, through H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, must_refuse
from seeworthy.targets import target
from seeworthy.virtual.filming import Hold, Studio, film, paints_of
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Pose

WIDTH, HEIGHT = 1280, 720
GROUPS = ("mild barrel", "strong barrel", "fisheye")
ONE_ANGLE = "one angle only"


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: `repeats` random lenses and films of the board per group."""
    for group, rng in cases(repeats, seed, GROUPS):
        lens = random_lens(group, rng)
        yield from _trials(group, lens, script(lens, rng), rng)
    for i in range(max(1, repeats // 5)):
        rng = np.random.default_rng([seed, 99, i])
        lens = random_lens("mild barrel", rng)
        holds = script(lens, rng, tilt=3.0)
        with tempfile.TemporaryDirectory() as folder:
            clip = _film(lens, holds, rng, folder)
            yield must_refuse(ONE_ANGLE, "hfov", lambda c=clip: measure(c))  # type: ignore[misc]


def random_lens(group: str, rng: np.random.Generator) -> Lens:
    """Return a lens of a group, with a shifted centre and a little decentring."""
    cx = (WIDTH - 1) / 2 + rng.normal(0, 8)
    cy = (HEIGHT - 1) / 2 + rng.normal(0, 8)
    if group == "fisheye":
        f = rng.uniform(520, 640)
        k = (rng.uniform(-0.03, 0.03), rng.uniform(-0.01, 0.01), 0.0, 0.0)
        return Lens(WIDTH, HEIGHT, f, f, cx, cy, "fisheye", k)
    strong = group == "strong barrel"
    f = rng.uniform(720, 860) if strong else rng.uniform(900, 1500)
    k1 = rng.uniform(-0.3, -0.2) if strong else rng.uniform(-0.15, 0.05)
    k2 = rng.uniform(0.04, 0.08) if strong else rng.uniform(-0.01, 0.01)
    p1, p2 = rng.normal(0, 4e-4, 2)
    return Lens(WIDTH, HEIGHT, f, f, cx, cy, k=(k1, k2, float(p1), float(p2), 0.0))


def script(lens: Lens, rng: np.random.Generator, tilt: float = 32.0, holds: int = 12) -> list[Hold]:
    """Return holds as a careful person would film: tilts both ways, into every corner."""
    found = []
    for i in range(holds):
        near = lens.fx * (0.27 if i % 3 else 0.36) * rng.uniform(0.85, 1.1)
        turn = 2 * math.pi * (i * 0.382) + rng.normal(0, 0.3)
        lean = tilt * rng.uniform(0.6, 1.1)
        at = np.array([0.0, 0.0])
        if i % 5:  # towards a corner of the frame
            sx, sy = ((-1, -1), (1, -1), (1, 1), (-1, 1))[i % 4]
            aim = np.array([[lens.width * (0.5 + 0.27 * sx), lens.height * (0.5 + 0.25 * sy)]])
            ray = lens.ray(aim)[0]
            at = ray[:2] / ray[2] * near
        pose = Pose.facing(
            near,
            pivot=(136.0, 88.0),
            at=(float(at[0]), float(at[1])),
            tilt=(lean * math.sin(turn), lean * math.cos(turn)),
            roll=float(rng.normal(0, 12)),
        )
        found.append(Hold(pose, frames=3, moving=0))
    return found


def measure(path: Path) -> Outcome:
    """Run the procedure on a clip."""
    return measured("lens", [path])


def _film(lens: Lens, holds: list[Hold], rng: np.random.Generator, folder: str) -> Path:
    path = Path(folder) / "board.mp4"
    blur = Blur(centre=float(rng.uniform(0.5, 1.0)))
    studio = Studio(paints_of(target("board").painting()), lens, blur=blur)
    # Ten frames a second at a third of 7 Mbit/s: the bits per frame of 30 frames a second.
    film(path, studio, holds, rng, rate=10, bit_rate=7_000_000 // 3)
    return path


def _trials(group: str, lens: Lens, holds: list[Hold], rng: np.random.Generator) -> Iterator[Trial]:
    truth = dict(zip(("hfov", "vfov", "dfov"), lens.view_angles(), strict=True))
    truth["focal_length"] = lens.fx
    with tempfile.TemporaryDirectory() as folder:
        clip = _film(lens, holds, rng, folder)
        outcome = yield from asked(f"{group}: hfov", "hfov", truth["hfov"], lambda: measure(clip))
    if outcome is None:
        return
    # Every figure has goals of its own, so each is a group of its own.
    found = {r.measurand: r for r in outcome.results}
    for name, true in truth.items():
        if name in found:
            yield held(f"{group}: {name}", true, found[name])
        else:
            yield Trial(f"{group}: {name}", name, true, refused="no value")
    rms = found["reprojection_rms"].value
    yield Trial(f"{group}: reprojection_rms", "reprojection_rms", 0.0, rms)
    if lens.kind == outcome.findings["model"]:
        yield _k1(group, lens.k[0], outcome.findings["coefficients"]["k1"])
    right = float(outcome.findings["model"] == lens.kind)
    yield Trial(f"{group}: model", "model", 1.0, right)


def _k1(group: str, truth: float, found: dict[str, Any]) -> Trial:
    value, u = found["value"], found["u"]
    half = coverage_factor(11) * u
    return Trial(f"{group}: k1", "k1", truth, value, u, value - half, value + half)


def _goals() -> dict[str, tuple[Goal, ...]]:
    honest = Goal("coverage", 0.90, "95 % intervals hold the truth in 90–99 %")
    goals: dict[str, tuple[Goal, ...]] = {}
    for group in GROUPS:
        for name in ("vfov", "dfov", "focal_length"):
            goals[f"{group}: {name}"] = (honest,)
        goals[f"{group}: hfov"] = (honest, Goal("max", 0.3, "within 0.3°"))
        goals[f"{group}: reprojection_rms"] = (Goal("max", 0.3, "under 0.3 px"),)
        goals[f"{group}: model"] = (Goal("max", 0.0, "the right model is chosen"),)
        # A fisheye's k1 is not the figure that the goal speaks of, and k2 can stand in for it.
        within = () if group == "fisheye" else (Goal("max", 0.005, "within 0.005"),)
        goals[f"{group}: k1"] = (honest, *within)
    return {**goals, ONE_ANGLE: (Goal("right", 1.0, "always refused"),)}


STUDY = Study(id="lens", title="Lens", run=run, goals=_goals())
