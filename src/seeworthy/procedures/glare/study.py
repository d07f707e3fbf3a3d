"""Accuracy of `glare`: a black hole in a bright field, light spread by a known amount."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, must_refuse
from seeworthy.virtual.coders import record
from seeworthy.virtual.looks import LOOKS
from seeworthy.virtual.optics import Sensor, develop

WIDTH, HEIGHT = 480, 270
TAG, LOOK, CURVE = "BT.709, by the tag", "other tone curves, by the tag", "by the measured curve"
CLIPPED, NO_HOLE = "field clipped: refused", "no hole: refused"
DENSITIES = (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0, 1.15, 1.3, 1.45, 1.6, 1.75)

Floats = npt.NDArray[np.float64]


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another lens, field and trap."""
    groups = (TAG, LOOK, CURVE, CLIPPED, NO_HOLE)
    for group, rng in cases(repeats, seed, groups, (CLIPPED, NO_HOLE)):
        with tempfile.TemporaryDirectory() as name:
            yield from _one(group, Path(name), rng)


def _write(path: Path, light: Floats, look: str, well: float, rng: np.random.Generator) -> Path:
    rate, seen = int(rng.uniform(1.5e6, 5e6)), light.astype(np.float32)
    shown = (develop(seen, rng, sensor=Sensor(well), look=look) for _ in range(14))
    record(path, shown, bit_rate=rate)
    return path


def _scene(rng: np.random.Generator, level: float, hole: bool) -> tuple[Floats, float]:
    """Return light of the picture, and the index: glare at the hole over light beside it, %."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    even = 1 + rng.normal(0, 0.04) * (x / WIDTH - 0.5) + rng.normal(0, 0.04) * (y / HEIGHT - 0.5)
    across, down = rng.uniform(0.3, 0.7, 2)
    side = rng.uniform(0.06, 0.12) * WIDTH
    inside = (abs(x - across * WIDTH) < side / 2) & (abs(y - down * HEIGHT) < side / 2)
    own = float(rng.uniform(0.0005, 0.0045))
    field = level * even
    scene = np.where(inside & hole, own * field, field)
    spread = float(np.exp(rng.uniform(np.log(0.004), np.log(0.08))))
    near = float(rng.uniform(0.05, 0.3))
    # Beyond the picture the field goes on: what spreads comes from there, too.
    wide = cv2.GaussianBlur(scene, (0, 0), near * WIDTH, borderType=cv2.BORDER_REPLICATE)
    fine = cv2.GaussianBlur(scene, (0, 0), 0.9, borderType=cv2.BORDER_REPLICATE)
    picture = (1 - spread) * fine + spread * wide
    middle = (round(down * HEIGHT), round(across * WIDTH))
    beside = (1 - spread) * field[middle] + spread * wide[middle]
    return picture, 100 * float(spread * wide[middle] / beside)


def _curve(folder: Path, look: str, well: float, rng: np.random.Generator) -> Path:
    """Measure the tone curve of this camera on twelve patches at three levels."""
    boxes = [(10 + 118 * (i % 4), 8 + 88 * (i // 4), 104, 78) for i in range(12)]
    clips = []
    for k in range(4):
        light = np.full((HEIGHT, WIDTH), 0.02)
        for (x, y, w, h), density in zip(boxes, DENSITIES, strict=True):
            light[y : y + h, x : x + w] = 0.95 * 10**-density * 2.0 ** (-1.2 * k)
        clips.append(_write(folder / f"steps{k}.mp4", light, look, well, rng))
    typed = " ".join(f"{d + rng.normal(0, 0.01):.3f}" for d in DENSITIES) + " ± 0.01"
    regions = [f"{x + 12},{y + 12},{w - 24},{h - 24}" for x, y, w, h in boxes]
    found = measured("oecf", {"": clips}, {"densities": [typed]}, {"region": regions})
    kept = folder / "curve.json"
    kept.write_text(json.dumps({"correction": dict(found.correction)}), "utf-8")
    return kept


def _one(group: str, folder: Path, rng: np.random.Generator) -> Iterator[Trial]:
    look = "" if group == TAG else str(rng.choice(list(LOOKS)))
    well = float(rng.uniform(4000, 10000))
    level = 1.4 if group == CLIPPED else float(rng.uniform(0.3, 0.7))
    light, truth = _scene(rng, level, group != NO_HOLE)
    clip = _write(folder / "trap.mp4", light, look, well, rng)
    if group in (CLIPPED, NO_HOLE):
        yield must_refuse(group, "veiling_glare", lambda: measured("glare", [clip]), truth)
        return

    def ask() -> Outcome:
        files = {"": [clip]}
        if group == CURVE:
            files["oecf"] = [_curve(folder, look, well, rng)]
        return measured("glare", files)

    found = yield from asked(group, "veiling_glare", truth, ask)
    if found is not None:
        one = found.results[0]
        bound = "bound" in one.conditions
        # The figure of a bound is no estimate; only whether it holds is judged.
        yield (
            Trial(group, one.measurand, truth, truth, one.u, *one.interval) if bound
            else held(group, truth, one)
        )  # fmt: skip


STUDY = Study(
    id="glare",
    title=f"Veiling glare: a black hole in a bright field, {WIDTH}×{HEIGHT}, H.264",
    run=run,
    goals={
        TAG: (Goal("coverage", 0.90),),
        LOOK: (Goal("coverage", 0.85),),
        CURVE: (Goal("rms", 0.5), Goal("coverage", 0.90)),
        CLIPPED: (Goal("right", 1.0),),
        NO_HOLE: (Goal("right", 1.0),),
    },
)
"""What the study asks for."""
