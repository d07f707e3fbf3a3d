"""Accuracy of `sharpness`: the edges target filmed with known blur, through H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.procedures.sharpness.lines import per_height
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, one_scene
from seeworthy.targets import target
from seeworthy.virtual.coders import ENCODERS
from seeworthy.virtual.filming import Hold, Studio, film, film_colours, paints_of, take_still
from seeworthy.virtual.looks import LOOKS
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Pose

WIDTH, HEIGHT = 1280, 720
HIGH, LOW = "high contrast, H.264", "contrast 4:1, H.264"
UNCODED = "high contrast, not coded"
FOREIGN = "other tone curves and encoders"
FRINGE = "colour fringe, 4:2:0, other tone curves and encoders"
TENTH = "a tenth, centre"
_CORNERS = {
    "top_left": (-1, -1), "top_right": (1, -1), "bottom_left": (-1, 1), "bottom_right": (1, 1),
}  # fmt: skip


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat films both targets with another blur."""
    # The places of one clip share lens, blur and coder.
    for number, (group, rng) in enumerate(cases(repeats, seed, (HIGH, LOW, UNCODED, FOREIGN))):
        yield from one_scene(f"{number}", _one(group, rng))
    for i in range(repeats):
        yield from one_scene(f"fringe {i}", _fringes(np.random.default_rng([seed, 9, i])))


def _fringes(rng: np.random.Generator) -> Iterator[Trial]:
    """Film with a lens that draws red and blue at up to 0.3 % another size."""
    contrast, encoder, options = foreign(rng)
    made, pose = studio_of(random_blur(rng), rng, contrast=contrast, look=options["look"])
    scales = {"red": 1 + rng.uniform(-0.003, 0.003), "blue": 1 + rng.uniform(-0.003, 0.003)}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"colour.{ENCODERS[encoder][1]}"
        sizes = scales["red"], 1.0, scales["blue"]
        film_colours(path, made, pose, sizes, rng, frames=24, encoder=encoder)
        outcome = measured("sharpness", [path])
    found = {r.conditions["channel"]: r for r in outcome.results if r.measurand == "lateral_colour"}
    for channel, scale in scales.items():
        true = 100 * (scale - 1) * math.hypot(WIDTH, HEIGHT) / 2 / HEIGHT
        if channel not in found:
            yield Trial(FRINGE, "lateral_colour", true, refused="no value")
        else:
            yield held(FRINGE, true, found[channel])


def random_blur(rng: np.random.Generator) -> Blur:
    """Return a blur from sharp to soft, even or with one soft corner."""
    centre = float(rng.uniform(0.5, 1.2))
    corners = centre * np.full(4, rng.uniform(1.0, 1.4))
    if rng.random() < 0.5:
        corners[int(rng.integers(4))] *= rng.uniform(1.2, 1.6)
    return Blur(centre, tuple(float(c) for c in corners))  # type: ignore[arg-type]


def foreign(rng: np.random.Generator) -> tuple[str, str, dict[str, Any]]:
    """Return contrast, encoder and settings of a camera whose curve its files do not name."""
    encoder = str(rng.choice(list(ENCODERS)))
    look = str(rng.choice(list(LOOKS)))
    jpeg = encoder == "Motion JPEG"
    return str(rng.choice(["high", "low"])), encoder, {"look": look, "full_range": jpeg}


def film_edges(
    path: Path, blur: Blur, rng: np.random.Generator, *, contrast: str = "high", encoder: str = "",
    **studio: Any,
) -> None:  # fmt: skip
    """Film the edges target facing the camera, 60 still frames (one lossless still for .png)."""
    made, pose = studio_of(blur, rng, contrast=contrast, **studio)
    if path.suffix == ".png":
        cv2.imwrite(str(path), take_still(made, pose, rng))
    else:
        film(path, made, [Hold(pose, 60, 0)], rng, encoder=encoder)


def studio_of(
    blur: Blur, rng: np.random.Generator, *, contrast: str = "high", **studio: Any
) -> tuple[Studio, Pose]:
    """Return a studio with the edges target filling the frame, and where it stands."""
    layout = target("edges" if contrast == "low" else "edges-high")
    lens = Lens.of_view(WIDTH, HEIGHT, 55.0)
    distance = lens.fx * 272.0 / (WIDTH * 0.985)
    tilt = tuple(float(t) for t in rng.uniform(-1.0, 1.0, 2))
    pose = Pose.facing(
        distance,
        pivot=(136.0, 76.5),
        at=tuple(float(v) for v in rng.uniform(-0.5, 0.5, 2)),  # type: ignore[arg-type]
        tilt=tilt,  # type: ignore[arg-type]
        roll=float(rng.uniform(-0.5, 0.5)),
    )
    made = Studio(
        paints_of(layout.painting()), lens, blur=blur, exposure=0.8, oversample=4, **studio
    )
    return made, pose


def truth_of(blur: Blur, position: str, level: float = 0.5) -> float:
    """Return the true MTF50 (or at another level) at a place of the target, cy/px."""
    u, v = place_of(position)
    frequency = np.arange(0.0, 1.0, 1e-4)
    curve = blur.mtf(frequency, u, v)
    return float(frequency[np.argmax(curve < level)])


def place_of(position: str) -> tuple[float, float]:
    """Return where a square of the target is in the frame, −1 to 1."""
    layout = target("edges")
    found = [r for r in layout.regions if r.position == position]
    x = sum(p[0] for r in found for p in r.corners) / sum(len(r.corners) for r in found)
    y = sum(p[1] for r in found for p in r.corners) / sum(len(r.corners) for r in found)
    scale = WIDTH * 0.985 / 272.0
    return (x - 136.0) * scale / (WIDTH / 2), (y - 76.5) * scale / (HEIGHT / 2)


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    blur = random_blur(rng)
    contrast, encoder, options = "low" if group == LOW else "high", "", dict[str, Any]()
    ending = "mp4"
    if group == UNCODED:
        ending, options = "png", {"sensor": None, "tone": "srgb", "full_range": True}
    if group == FOREIGN:
        contrast, encoder, options = foreign(rng)
        ending = ENCODERS[encoder][1]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"edges.{ending}"
        film_edges(path, blur, rng, contrast=contrast, encoder=encoder, **options)
        truth = truth_of(blur, "centre")
        outcome = yield from asked(
            group, "mtf50_centre", truth, lambda: measured("sharpness", [path])
        )
    if outcome is not None:
        yield from _held(group, blur, outcome)


def _held(group: str, blur: Blur, outcome: Outcome) -> Iterator[Trial]:
    for r in outcome.results:
        if r.measurand == "mtf10_ph_centre":
            true = min(per_height(truth_of(blur, "centre", 0.1), (HEIGHT, WIDTH)), float(HEIGHT))
            yield held(f"{group}: {TENTH}", true, r, "mtf10_ph")
        if r.unit != "cy/px" or r.measurand == "mtf50_corner_mean":
            continue
        position = r.measurand.removeprefix("mtf50_")
        where = "corners" if position in _CORNERS else "centre and sides"
        yield held(f"{group}: {where}", truth_of(blur, position), r, "mtf50")
    found = {r.measurand: r for r in outcome.results}
    corners = [truth_of(blur, c) for c in _CORNERS]
    if "decentring" in found:
        yield held(f"{group}: decentring", max(corners) / min(corners), found["decentring"])


STUDY = Study(
    id="sharpness",
    title="Sharpness: MTF50 of rendered edges, 1280×720, 30 frames",
    run=run,
    goals={
        f"{HIGH}: centre and sides": (Goal("rms_percent", 2.0), Goal("coverage", 0.90)),
        f"{HIGH}: corners": (Goal("rms_percent", 2.0), Goal("coverage", 0.90)),
        f"{LOW}: centre and sides": (Goal("rms_percent", 4.0), Goal("coverage", 0.90)),
        f"{LOW}: corners": (Goal("rms_percent", 4.0), Goal("coverage", 0.90)),
        f"{FOREIGN}: centre and sides": (Goal("coverage", 0.90),),
        f"{FOREIGN}: corners": (Goal("coverage", 0.90),),
        f"{UNCODED}: centre and sides": (Goal("rms_percent", 1.0), Goal("coverage", 0.90)),
        f"{UNCODED}: corners": (Goal("rms_percent", 1.0), Goal("coverage", 0.90)),
        **{
            f"{group}: {TENTH}": (Goal("rms_percent", 4.0), Goal("coverage", 0.90))
            for group in (HIGH, LOW, UNCODED)
        },
        FRINGE: (Goal("max", 0.03, "within 0.03 % of the picture height"), Goal("coverage", 0.90)),
        f"{HIGH}: decentring": (Goal("coverage", 0.90),),
        f"{LOW}: decentring": (Goal("coverage", 0.90),),
    },
)
