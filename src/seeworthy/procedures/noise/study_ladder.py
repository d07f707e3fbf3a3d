"""Accuracy of the dynamic range off a ladder, of cameras whose read and photon noise are known."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.virtual.coders import record
from seeworthy.virtual.looks import LOOKS
from seeworthy.virtual.noise_camera import NoiseCamera

WIDTH, HEIGHT = 480, 300
BOXES = [(8 + 118 * (i % 4), 6 + 74 * (i // 4), 104, 64) for i in range(16)]
SHEETS, LOOK, CODED = "densities, BT.709", "densities, other tone curves", "densities, H.264"
CLIPS, MOVED = "exposures held", "exposures not held: no range"

Floats = npt.NDArray[np.float64]


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, ladder and error of its densities."""
    for group, rng in cases(repeats, seed, (SHEETS, LOOK, CODED, CLIPS, MOVED)):
        with tempfile.TemporaryDirectory() as name:
            yield from _one(group, Path(name), rng)


def _one(group: str, folder: Path, rng: np.random.Generator) -> Iterator[Trial]:
    camera = NoiseCamera(
        full_well=float(10 ** rng.uniform(3.3, 4.0)), read=float(rng.uniform(4, 10)),
        prnu=0.005, dsnu=1.0, look="" if group in (SHEETS, MOVED) else str(rng.choice(list(LOOKS))),
    )  # fmt: skip
    rate = int(rng.choice([2_000_000, 6_000_000])) if group in (CODED, CLIPS, MOVED) else None
    several = group in (CLIPS, MOVED)
    step = 0.42 if several else float(rng.uniform(0.7, 0.85))
    stops = -float(rng.uniform(0.0, 0.4)) - step * np.arange(12 if several else 16)
    stops = stops + (0.0 if several else 0.9)
    typed = (stops[0] - stops) / math.log2(10) + rng.normal(0, 0.01, len(stops)) + 0.05
    readings = {"densities": [" ".join(f"{max(d, 0):.3f}" for d in typed) + " ± 0.01"]}
    clips, lights = [], []
    for k in range(5 if several else 1):
        path = folder / f"{k}.mp4"
        opened = float(rng.uniform(0.7, 1.5)) if group == MOVED and k == 2 else 0.0
        record(path, camera.film(_picture(stops - 1.2 * k + opened), 16, rng), bit_rate=rate)
        clips.append(path)
        lux = 1000 * 2.0 ** (-1.2 * k)
        lights.append(f"{lux * math.exp(rng.normal(0, 0.02)):.2f} lx ± {0.02 * lux:.3f} lx")
    regions = [f"{x + 10},{y + 10},{w - 20},{h - 20}" for x, y, w, h in BOXES[: len(stops)]]

    def ask() -> Outcome:
        files = {"": clips[:1], "ladder": clips[1:]}
        light = {"light": lights} if several else {}
        return measured("noise", files, {**readings, **light}, {"region": regions})

    true = camera.dynamic_range()
    found = yield from asked(group, "dynamic_range", true, ask)
    for one in found.results if found else ():
        if one.measurand != "dynamic_range":
            continue
        if "bound" in one.conditions or group == MOVED:
            told = float(one.value <= true and "bound" in one.conditions)
            yield Trial(f"{group}, limit not reached", "bound holds", 1.0, told)
        else:
            yield held(group, true, one)


def _picture(stops: npt.NDArray[np.floating[Any]]) -> Floats:
    light = np.full((HEIGHT, WIDTH), 0.02)
    for (x, y, w, h), one in zip(BOXES, stops.tolist(), strict=False):
        light[y : y + h, x : x + w] = 2.0**one
    return light


STUDY = Study(
    id="noise-ladder",
    title=f"Dynamic range off a ladder, {WIDTH}×{HEIGHT}, 16 frames a clip",
    run=run,
    goals={
        **{g: (Goal("rms", 0.4), Goal("coverage", 0.90)) for g in (SHEETS, LOOK, CODED, CLIPS)},
        f"{MOVED}, limit not reached": (Goal("rms", 0.0),),
    },
)
"""What the study asks for."""
