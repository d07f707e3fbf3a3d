"""Accuracy of `noise`: grey steps filmed by a camera whose noise is known."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.observe.grey_patches import PAPER_DENSITY
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.targets import target
from seeworthy.targets.greys import DENSITIES
from seeworthy.virtual.coders import ENCODERS, record
from seeworthy.virtual.filming import paints_of
from seeworthy.virtual.noise_camera import NoiseCamera
from seeworthy.virtual.optics import Blur
from seeworthy.virtual.planar import Lens, Pose, Shot, photograph

WIDTH, HEIGHT = 640, 400
EXPOSURE = 0.92
FRAMES = 24
PLAIN, DENOISED, LAMP = "not coded", "not coded, denoised over time", "not coded, lamp flickers"
CODERS = "grainy cameras, encoders of five makes, 1 to 7 Mbit/s"
GENTLE, MEDIUM, STARVED = "H.264, 40 Mbit/s", "H.264, 6 Mbit/s", "H.264, 1 Mbit/s"
MOVING, CLIPPED, SHORT = "hand-held: refused", "overexposed: refused", "six frames: refused"


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, and another draw of its noise."""
    few = (CODERS, GENTLE, MEDIUM, STARVED, MOVING, CLIPPED, SHORT)
    for group, rng in cases(repeats, seed, (PLAIN, DENOISED, LAMP, *few), few):
        yield from _one(group, rng)


def random_camera(rng: np.random.Generator) -> NoiseCamera:
    """Return a camera from clean to grainy."""
    return NoiseCamera(
        full_well=float(rng.uniform(3000, 10000)),
        gain=float(2 ** rng.uniform(0.0, 2.5)),
        read=float(rng.uniform(3, 8)),
        dsnu=float(rng.uniform(1, 4)),
        prnu=float(rng.uniform(0.005, 0.015)),
    )


@lru_cache(maxsize=2)
def scene(shift: float = 0.0) -> Any:
    """Return linear light of the grey steps, as our target prints and lights them."""
    layout = target("greys")
    lens = Lens.of_view(WIDTH, HEIGHT, 55.0)
    pose = Pose.facing(
        lens.fx * layout.width / (WIDTH * 0.97),
        pivot=(layout.width / 2 + shift, layout.height / 2 - 5.0),
        roll=0.4,
    )
    # No ink is left on the steps but their own density, so that the truth is exact.
    paper = 10**-PAPER_DENSITY
    paints = paints_of(layout.painting(), paper=paper, ink=0.0)
    seen = photograph(paints, paper, lens, Shot(pose, oversample=2))
    light = Blur(0.8).apply(seen, 2).astype(np.float64) * EXPOSURE
    light.flags.writeable = False
    return light


def measure(path: Path, **readings: str) -> Outcome:
    """Run the procedure on a clip, the steps' true densities typed."""
    typed = " ".join(f"{PAPER_DENSITY + d:.4f}" for d in DENSITIES) + " ± 0.0001"
    given = {"densities": [typed], **{k: [v] for k, v in readings.items()}}
    return measured("noise", [path], given)


@dataclass(frozen=True)
class _Case:
    camera: NoiseCamera
    light: Any
    frames: int = FRAMES
    bit_rate: int | None = None
    encoder: str = ""


def _case(group: str, rng: np.random.Generator) -> _Case:
    camera, light = random_camera(rng), scene()
    if group == CODERS:
        # As small cameras are in poor light: the coder wipes out what noise is in the darks.
        grainy = replace(camera, gain=float(2 ** rng.uniform(1.0, 5.0)))
        rate, encoder = int(1e6 * rng.uniform(1, 7)), str(rng.choice(sorted(ENCODERS)))
        return _Case(grainy, light, 2 * FRAMES, rate, encoder)
    if group == DENOISED:
        return _Case(replace(camera, denoise=float(rng.uniform(0.2, 0.6))), light)
    if group == LAMP:
        rows = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.5, 3.0))
        return _Case(
            replace(camera, flicker=float(rng.uniform(0.01, 0.05)), flicker_rows=rows), light
        )
    if group == GENTLE:
        return _Case(camera, light, 72, 40_000_000)
    if group == MEDIUM:
        return _Case(camera, light, 72, 6_000_000)
    if group == STARVED:
        return _Case(camera, light, 72, 1_000_000)
    if group == CLIPPED:
        return _Case(camera, light * 12)
    return _Case(camera, light, 6 if group == SHORT else FRAMES)


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    case = _case(group, rng)
    frames = case.camera.film(case.light, case.frames, rng)
    if group == MOVING:
        frames = _shaken(case.camera, rng)
    with tempfile.TemporaryDirectory() as folder:
        path = _write(Path(folder), frames, case)
        wrong = group in (MOVING, CLIPPED, SHORT)
        outcome = yield from asked(group, "snr_18", 0.0, lambda: measure(path), should_refuse=wrong)
    if outcome is not None:
        yield from _held(group, case, outcome)


def _write(folder: Path, frames: Iterator[Any], case: _Case) -> Path:
    path = folder / f"greys.{ENCODERS[case.encoder][1] if case.encoder else 'mp4'}"
    rate = case.bit_rate or (0 if case.encoder else None)
    record(path, frames, bit_rate=rate, encoder=case.encoder)
    return path


def _shaken(camera: NoiseCamera, rng: np.random.Generator) -> Iterator[Any]:
    for i in range(FRAMES):
        yield from camera.film(scene(0.0 if i < FRAMES // 2 else 1.5), 1, rng)


def _held(group: str, case: _Case, outcome: Outcome) -> Iterator[Trial]:
    truth = case.camera.noise(0.18 * EXPOSURE)
    if group in (MOVING, CLIPPED, SHORT):
        # A dynamic range may still be told from the dark steps; mid-grey may not.
        greys = [r.value for r in outcome.results if r.measurand == "snr_18"]
        yield Trial(group, "snr_18", 0.0, greys[0] if greys else None, should_refuse=True)
        return
    true = {
        ("snr_18", "temporal"): truth.snr,
        ("snr_18", "total"): truth.total,
        ("temporal_noise", ""): 100 * truth.temporal,
        ("fixed_pattern_noise", ""): 100 * truth.fixed,
    }
    if group == CODERS:
        yield from _least(group, case.camera.dynamic_range(), outcome)
        return
    if group in (GENTLE, MEDIUM, STARVED):
        yield from _coding(group, truth.snr, outcome)
        return
    yield from _range(group, case.camera.dynamic_range(), outcome)
    for r in outcome.results:
        key = (r.measurand, str(r.conditions.get("noise", "")))
        if key in true:
            yield held(f"{group}: {' '.join(key).strip()}", true[key], r)


def _range(group: str, true: float, outcome: Outcome) -> Iterator[Trial]:
    """Hold the bound and the model's dynamic range against the camera's."""
    model = outcome.findings["dynamic_range_model_stops"]
    if model is not None:
        ends = model["interval"]
        yield Trial(
            f"{group}: dynamic_range", "dynamic_range", true, model["value"], None, *ends
        )  # fmt: skip
    yield from _least(group, true, outcome)


def _least(group: str, true: float, outcome: Outcome) -> Iterator[Trial]:
    """Hold what is said of the range itself: both ends, or the least that it is."""
    for r in outcome.results:
        if r.measurand == "dynamic_range" and "bound" not in r.conditions:
            yield held(f"{group}: dynamic range, both ends seen", true, r)
        elif r.measurand == "dynamic_range":
            holds = float(r.value <= true)
            yield Trial(f"{group}: dynamic range is at least that", "held", 1.0, holds)


def _coding(group: str, sensor: float, outcome: Outcome) -> Iterator[Trial]:
    """Hold what is said of the encoder against what it did; delivered noise has no other truth."""
    delivered = next(r for r in outcome.results if r.measurand == "snr_18")
    told = float(bool(outcome.findings["coded"]))
    yield Trial(f"{group}: coding told", "coded", 1.0, told)
    bound = delivered.value - float(outcome.findings["coding_took_at_least_db"])
    # The sensor's own SNR must not be above the bound.
    own = next(c.part for c in delivered.budget if c.name == "noise and signal")
    holds = float(sensor <= bound + 2 * own + 0.1)
    yield Trial(f"{group}: bound on the sensor holds", "sensor_snr_bound", 1.0, holds)
    yield held(f"{group}: SNR as delivered against the sensor's", sensor, delivered)
    yield Trial(f"{group}: bound against the sensor's SNR", "sensor_snr_bound", sensor, bound)


STUDY = Study(
    id="noise",
    title=f"Noise of rendered grey steps, {WIDTH}×{HEIGHT}, {FRAMES} frames",
    run=run,
    goals={
        **{
            f"{group}: {what}": (Goal("max", 0.5), Goal("coverage", 0.90))
            for group in (PLAIN, DENOISED, LAMP)
            for what in ("snr_18 temporal", "snr_18 total")
        },
        **{
            f"{group}: {what}": (Goal("rms_percent", 5.0), Goal("coverage", 0.90))
            for group in (PLAIN, DENOISED, LAMP)
            for what in ("temporal_noise", "fixed_pattern_noise")
        },
        **{
            f"{group}: dynamic_range": (Goal("rms", 0.3), Goal("coverage", 0.90))
            for group in (PLAIN, DENOISED, LAMP)
        },
        f"{STARVED}: coding told": (Goal("rms", 0.0),),
        f"{STARVED}: bound on the sensor holds": (Goal("rms", 0.0),),
        f"{GENTLE}: bound on the sensor holds": (Goal("rms", 0.0),),
        f"{CODERS}: dynamic range is at least that": (Goal("rms", 0.0),),
        MOVING: (Goal("right", 1.0),),
        CLIPPED: (Goal("right", 1.0),),
        SHORT: (Goal("right", 1.0),),
    },
)
