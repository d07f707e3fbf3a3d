"""Accuracy of `white-balance`: grey steps on papers of known tint, filmed by tinted cameras."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.procedures.study import (
    Goal,
    Study,
    Trial,
    asked,
    cases,
    held,
    measured,
    must_refuse,
    one_scene,
)
from seeworthy.targets import target
from seeworthy.virtual.coders import record
from seeworthy.virtual.filming import paints_of
from seeworthy.virtual.looks import LOOKS
from seeworthy.virtual.optics import Blur, Sensor, Shading, develop
from seeworthy.virtual.planar import Lens, Pose, Shot, photograph

WIDTH, HEIGHT = 640, 360
PLAIN, LOOK, TINTED = "BT.709, grey card", "other tone curves, grey card", "printed on tinted paper"
NEUTRAL, GREY_CLIP = "neutral camera", "no colour: refused"
PAPERS = (
    (1.0, 1.0, 1.0), (1.0, 0.985, 1.06), (1.0, 0.99, 1.02), (1.01, 1.0, 0.95), (1.0, 0.98, 1.09)
)  # fmt: skip
"""Linear R, G, B of papers: barium sulphate, office paper with more and less brightener, recycled
paper, copy paper under much ultraviolet (a judgement: b* of 0, -6, -2, 4, -9)."""

Floats = npt.NDArray[np.float64]


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, lamp and lens."""
    groups = (PLAIN, LOOK, TINTED, NEUTRAL, GREY_CLIP)
    for k, (group, rng) in enumerate(cases(repeats, seed, groups, (GREY_CLIP,))):
        with tempfile.TemporaryDirectory() as name:
            yield from one_scene(f"{k}", _one(group, Path(name) / "greys.mp4", rng))


@lru_cache(maxsize=1)
def greys() -> Floats:
    """Return the light of the grey steps, 1 for a white surface, (H, W)."""
    lens = Lens.of_view(WIDTH, HEIGHT, 60.0)
    pose = Pose.facing(lens.fx * 186.0 / (HEIGHT * 0.96), pivot=(136.0, 93.0))
    seen = photograph(paints_of(target("greys").painting()), 0.851, lens, Shot(pose, oversample=2))
    return np.asarray(Blur(0.8).apply(seen, 2), np.float64)


def uv(rgb: Floats) -> Floats:
    """Return u', v' of linear RGB from chromaticities of BT.709 (written here, not imported)."""
    primaries = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    x, y = 0.3127, 0.3290
    columns = columns * np.linalg.solve(columns, np.array([x / y, 1.0, (1 - x - y) / y]))
    big = columns @ rgb
    return np.asarray(np.array([4 * big[0], 9 * big[1]]) / (big[0] + 15 * big[1] + 3 * big[2]))


def _one(group: str, path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    spread = 0.0 if group == NEUTRAL else 0.07
    gains = np.exp(rng.normal(0, spread, 3))
    gains = gains / gains[1]
    paper = np.array(PAPERS[int(rng.integers(len(PAPERS)))] if group == TINTED else (1.0, 1.0, 1.0))
    look = str(rng.choice(list(LOOKS))) if group == LOOK else ""
    shade = Shading(float(rng.uniform(0.2, 1.2)), 2.5, slope=(float(rng.normal(0, 0.1)), 0.0))
    light = greys()[..., None] * shade.gain(WIDTH, HEIGHT) * rng.uniform(0.7, 0.95)
    picture = (light * gains * paper).astype(np.float32)
    if group != GREY_CLIP:  # something coloured beside the scale, as in any picture
        picture[-24:, :60] *= np.array([1.2, 0.5, 0.4], np.float32)
    sensor = Sensor(float(rng.uniform(3000, 9000)))
    rate = int(rng.choice([1_500_000, 3_000_000, 8_000_000]))
    shown = (develop(picture, rng, sensor=sensor, look=look) for _ in range(16))
    if group == GREY_CLIP:
        shown = (np.repeat(codes[..., 1:2], 3, axis=2) for codes in shown)
    record(path, shown, bit_rate=rate)
    readings = {} if group == TINTED else {"chart_tint": ["0"]}

    if group == GREY_CLIP:
        yield must_refuse(group, "grey_tint", lambda: measured("white-balance", [path], readings))
        return
    truth = float(np.hypot(*(uv(gains) - uv(np.ones(3)))))
    found = yield from asked(
        group, "grey_tint", truth, lambda: measured("white-balance", [path], readings)
    )
    for one in found.results if found else ():
        # The same gains in light and dark: what drifts is the coding.
        yield held(group, truth if one.measurand == "grey_tint" else 0.0, one)


STUDY = Study(
    id="white-balance",
    title=f"White balance: grey steps filmed by tinted cameras, {WIDTH}×{HEIGHT}, H.264",
    run=run,
    goals={
        PLAIN: (Goal("rms", 0.001), Goal("coverage", 0.90)),
        LOOK: (Goal("coverage", 0.85),),
        TINTED: (Goal("coverage", 0.90),),
        NEUTRAL: (Goal("coverage", 0.90),),
        GREY_CLIP: (Goal("right", 1.0),),
    },
)
"""What the study asks for."""
