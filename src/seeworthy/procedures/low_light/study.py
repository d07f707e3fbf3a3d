"""Accuracy of `low-light`: the edges target under less and less light."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.observe.grey_patches import INK, PAPER_DENSITY, U_NOMINAL
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, one_scene
from seeworthy.targets import target
from seeworthy.targets.edges import LOW_TONE
from seeworthy.virtual.coders import record
from seeworthy.virtual.dim_light import DimCamera
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Paint, Pose, Shot, photograph

WIDTH, HEIGHT = 640, 360
FRAMES = 16
GRAIN, WASH, CODED = "grain ends it, not coded", "denoising ends it, not coded", "H.264, 30 Mbit/s"
BRIGHT = "bright takes only: a bound"
SNR, SHARPNESS = 20.0, 0.5


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, other levels, another print and meter."""
    groups = cases(repeats, seed, (GRAIN, WASH, CODED, BRIGHT), (CODED, BRIGHT))
    for number, (group, rng) in enumerate(groups):
        yield from one_scene(f"{number}", _one(group, rng))


@dataclass(frozen=True, slots=True)
class _Bench:
    """What is on the wall and how it is metered: true reflectances, error of the meter."""

    paper: float
    grey: float
    meter: float


def _bench(rng: np.random.Generator) -> _Bench:
    paper = 10**-PAPER_DENSITY
    nominal = INK + LOW_TONE * (paper - INK)
    return _Bench(
        paper * float(1 + 0.04 * rng.standard_normal()),
        nominal * 10 ** float(-U_NOMINAL * rng.standard_normal()),
        float(1 + 0.0175 * rng.standard_normal()),
    )


def _camera(group: str, rng: np.random.Generator) -> DimCamera:
    wash = group == WASH
    return DimCamera(
        full_well=float(rng.uniform(20000, 30000) if wash else rng.uniform(4000, 9000)),
        read=float(rng.uniform(2, 4) if wash else rng.uniform(3, 7)),
        base_lux=float(rng.uniform(150, 400)),
        most_gain=float(rng.uniform(12, 32)),
        sigma=float(rng.uniform(0.5, 0.7)),
        wash=float(rng.uniform(0.25, 0.35) if wash else rng.uniform(0.0, 0.05)),
    )


@lru_cache(maxsize=1)
def _coverage() -> Any:
    """Return reflectance at sub-pixels as shares of paper and of grey, (2, H·4, W·4)."""
    layout = target("edges")
    lens = Lens.of_view(WIDTH, HEIGHT, 55.0)
    pose = Pose.facing(lens.fx * 272.0 / (WIDTH * 0.985), pivot=(136.0, 76.5), roll=0.3)
    shot = Shot(pose, oversample=4)
    squares = {id(p) for p in layout.patches}
    grey = [Paint(np.array(p.points, float), 1.0) for p in layout.patches if id(p) in squares]
    dark = [
        Paint(np.array(points, float), -step)
        for points, step in layout.painting()[len(layout.patches) :]
    ]
    return np.stack([photograph(grey, 0.0, lens, shot), photograph(dark, 0.0, lens, shot)])


def film(
    path: Path, camera: DimCamera, bench: _Bench, lux: float, rng: np.random.Generator,
    bit_rate: int | None = None,
) -> None:  # fmt: skip
    """Film the target at one light level."""
    taken = camera.at(lux)
    grey, dark = _coverage()
    seen = bench.paper + grey * (bench.grey - bench.paper) - dark * (bench.paper - 0.04)
    light = Blur(taken.sigma).apply(seen, 4).astype(np.float64) * taken.exposure
    count = FRAMES if bit_rate is None else 3 * FRAMES
    frames = taken.camera.film(np.maximum(light, 0), count, rng)
    record(path, frames, rate=taken.rate, bit_rate=bit_rate)


def truth(camera: DimCamera) -> float:
    """Return the true least usable light."""
    grain = camera.least_lux(SNR)
    low, high = 1e-3, 1e5
    bright = _mtf50(camera.at(high).sigma)
    if _mtf50(camera.at(low).sigma) > SHARPNESS * bright:
        return grain
    for _ in range(60):
        middle = math.sqrt(low * high)
        if _mtf50(camera.at(middle).sigma) < SHARPNESS * bright:
            low = middle
        else:
            high = middle
    return max(grain, high)


@lru_cache(maxsize=4096)
def _mtf50(sigma: float) -> float:
    frequency = np.arange(0.0, 1.0, 1e-4)
    return float(frequency[np.argmax(Blur(sigma).mtf(frequency) < 0.5)])


def levels(camera: DimCamera, rng: np.random.Generator, group: str) -> list[float]:
    """Return light levels as somebody sets them: from bright, about two stops apart."""
    end = truth(camera)
    start = max(camera.base_lux * 1.5, 3 * end)
    if group == BRIGHT:
        return [start * 2**-k for k in (0.0, 0.5, 1.0)]
    found = [start]
    while found[-1] > end / 1.3 and len(found) < 9:
        found.append(found[-1] / 2 ** float(rng.uniform(1.2, 2.0)))
    return found


def reading(lux: float, bench: _Bench, rng: np.random.Generator) -> str:
    """Return what a dome meter shows, with its errors."""
    ev = math.log2(lux * bench.meter * 100 / 330.0) + 0.1 * float(rng.standard_normal())
    return f"{ev:.1f} EV dome"


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    camera, bench = _camera(group, rng), _bench(rng)
    true = levels(camera, rng, group)
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"level_{i}.mp4" for i in range(len(true))]
        for path, lux in zip(paths, true, strict=True):
            film(path, camera, bench, lux, rng, 30_000_000 if group == CODED else None)
        metered = {"light": [reading(lux, bench, rng) for lux in true]}
        outcome = yield from asked(
            group, "usable_lux", truth(camera), lambda: measured("low-light", paths, metered)
        )
    if outcome is not None:
        yield from _held(group, camera, true, outcome)


def _held(group: str, camera: DimCamera, true: list[float], outcome: Outcome) -> Iterator[Trial]:
    usable = outcome.results[0]
    end = truth(camera)
    if group == BRIGHT:
        holds = usable.conditions.get("bound") == "upper" and usable.interval[1] >= end
        yield Trial(f"{group} is told and holds", "usable_lux", 1.0, float(holds))
        return
    yield held(group, end, usable)
    bright = _mtf50(camera.at(true[0]).sigma)
    snr = [r for r in outcome.results if r.measurand == "snr_18"]
    kept = [r for r in outcome.results if r.measurand == "sharpness_kept"]
    # Results go from bright to dark, as the levels do.
    if len(snr) == len(true):
        for lux, r in zip(true, snr, strict=True):
            yield held(f"{group}: SNR of every take", camera.snr(lux), r)
    if len(kept) == len(true) - 1:
        for lux, r in zip(true[1:], kept, strict=True):
            ratio = _mtf50(camera.at(lux).sigma) / bright
            yield held(f"{group}: sharpness of every take", ratio, r)


STUDY = Study(
    id="low-light",
    title=f"Low light: rendered takes of the edges target, {WIDTH}×{HEIGHT}, {FRAMES} frames each",
    run=run,
    goals={
        **{group: (Goal("rms_percent", 20.0), Goal("coverage", 0.90)) for group in (GRAIN, WASH)},
        **{
            f"{group}: SNR of every take": (Goal("rms", 1.0), Goal("coverage", 0.90))
            for group in (GRAIN, WASH)
        },
        **{
            f"{group}: sharpness of every take": (Goal("rms_percent", 3.0), Goal("coverage", 0.90))
            for group in (GRAIN, WASH)
        },
        f"{BRIGHT} is told and holds": (Goal("rms", 0.0),),
    },
)
