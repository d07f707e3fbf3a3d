"""Accuracy of `oecf`: curves that files do not name, measured, and what other tests make of them.

Every camera has a curve that its files (tagged BT.709) do not name. Its grey steps are filmed
behind a lens that falls off, under a sloping lamp, their densities typed with an error; the curve
is then given to `shading`, `noise` and `sharpness` of the same camera.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Outcome
from seeworthy.ground.uncertainty import interval
from seeworthy.media.tone_curve import ToneCurve
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.targets import target
from seeworthy.targets.greys import DENSITIES
from seeworthy.virtual.coders import record
from seeworthy.virtual.filming import Hold, Studio, film, paints_of
from seeworthy.virtual.looks import LOOKS, signal_of
from seeworthy.virtual.noise_camera import NoiseCamera
from seeworthy.virtual.optics import Blur, Sensor, Shading, develop
from seeworthy.virtual.planar import Lens, Pose, Shot, photograph

WIDTH, HEIGHT = 960, 540
PAPER = 0.851
"""Reflectance of the paper (density 0.07), the same in truth and in what is typed."""
TYPED = 0.02
"""Densities are typed off by up to this, each for itself."""
SLOPE, STOP = "slope at mid-grey", "one stop about mid-grey"
SHADING, BY_TAG = "corner shading, by the curve", "corner shading, by the tag"
SNR, EDGE = "SNR, by the curve", "MTF50 in the middle, by the curve"

Floats = npt.NDArray[np.float64]


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: `repeats` cameras of each look."""
    for look, rng in cases(repeats, seed, tuple(LOOKS)):
        yield from _one(look, rng)


@dataclass(frozen=True)
class _Camera:
    look: str
    shade: Shading
    full_well: float
    blur: Blur
    exposure: float


def random_camera(look: str, rng: np.random.Generator) -> _Camera:
    """Return a camera of a look, its lens from even to dark in the corners."""
    shade = Shading(
        float(rng.uniform(0.3, 1.8)),
        float(rng.uniform(2.0, 3.5)),
        slope=(float(rng.normal(0, 0.15)), float(rng.normal(0, 0.15))),
    )
    return _Camera(
        look, shade, float(rng.uniform(3000, 9000)), Blur(float(rng.uniform(0.7, 1.1))),
        float(rng.uniform(0.75, 0.95)),
    )  # fmt: skip


@lru_cache(maxsize=1)
def greys() -> Floats:
    """Return linear light of the grey steps in the middle of the frame, 1 for a white surface."""
    layout = target("greys")
    lens = Lens.of_view(WIDTH, HEIGHT, 55.0)
    pose = Pose.facing(
        lens.fx * layout.width / (WIDTH * 0.75), pivot=(layout.width / 2, layout.height / 2)
    )
    paints = paints_of(layout.painting(), paper=PAPER, ink=0.0)
    seen = photograph(paints, PAPER, lens, Shot(pose, oversample=2))
    return np.asarray(Blur(0.8).apply(seen, 2), np.float64)


def film_greys(path: Path, camera: _Camera, rng: np.random.Generator, *, less: float = 0.0) -> Path:
    """Film the steps, `less` stops darker, through H.264."""
    gain = camera.shade.gain(WIDTH, HEIGHT).mean(axis=2)
    light = greys() * gain * camera.exposure * 2.0**-less
    return _write(path, np.repeat(light[..., None], 3, axis=2), camera, rng)


def _write(path: Path, light: Floats, camera: _Camera, rng: np.random.Generator) -> Path:
    sensor, seen = Sensor(camera.full_well), light.astype(np.float32)
    shown = (develop(seen, rng, sensor=sensor, look=camera.look) for _ in range(6))
    record(path, shown, bit_rate=8_000_000)
    return path


def densities(rng: np.random.Generator) -> str:
    """Return the steps' densities as typed, each off by up to `TYPED`."""
    off = rng.uniform(-TYPED, TYPED, len(DENSITIES))
    typed = " ".join(
        f"{d - math.log10(PAPER) + e:.3f}" for d, e in zip(DENSITIES, off, strict=True)
    )
    return f"{typed} ± {TYPED / math.sqrt(3):.4f}"


def measure(
    name: str,
    files: Mapping[str, Sequence[Path]],
    curve: Path | None = None,
    readings: Mapping[str, Sequence[str]] | None = None,
    options: Mapping[str, Sequence[str]] | None = None,
) -> Outcome:
    """Run a procedure on files, with a measured curve where one is given."""
    given = files if curve is None else {**files, "oecf": [curve]}
    return measured(name, given, readings, options)


def measure_curve(folder: Path, camera: _Camera, rng: np.random.Generator) -> tuple[Outcome, Path]:
    """Film the steps twice, a stop apart, and keep the curve as a file."""
    clips = [film_greys(folder / f"greys{k}.mp4", camera, rng, less=1.2 * k) for k in range(2)]
    outcome = measure("oecf", {"": clips}, readings={"densities": [densities(rng)]})
    kept = folder / "curve.json"
    kept.write_text(json.dumps({"correction": dict(outcome.correction)}), "utf-8")
    return outcome, kept


def _one(look: str, rng: np.random.Generator) -> Iterator[Trial]:
    camera = random_camera(look, rng)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = yield from asked(
            SLOPE, "mid_tone_slope", 1.0, lambda: measure_curve(folder, camera, rng)
        )
        if made is None:
            return
        outcome, kept = made
        yield from _curve(camera, outcome)
        yield from _shading(folder, camera, kept, rng)
        yield from _snr(folder, camera, kept, rng)
        yield from _edge(folder, camera, kept, rng)


def _tag_stops(light: float, look: str) -> float:
    """Return log2 of the light that BT.709's inverse makes of a look's signal."""
    signal = float(signal_of(light, look))
    linear = signal / 4.5 if signal < 0.081 else ((signal + 0.099) / 1.099) ** (1 / 0.45)
    return math.log2(linear)


def _curve(camera: _Camera, outcome: Outcome) -> Iterator[Trial]:
    slope = outcome.results[0]
    # The grey of the middle of the frame, as in the first clip.
    grey = 0.18 * camera.exposure
    tag = [_tag_stops(grey * 2.0**e, camera.look) for e in (0.5, -0.5)]
    yield held(SLOPE, tag[0] - tag[1], slope, "mid_tone_slope")
    curve = ToneCurve.from_json(outcome.correction, "")
    light = curve.light(np.exp2(tag))
    stops, u = math.log2(light[0] / light[1]), curve.u_between(*light)
    yield Trial(STOP, "stops", 1.0, stops, u, *interval(stops, u))


def _shading(
    folder: Path, camera: _Camera, kept: Path, rng: np.random.Generator
) -> Iterator[Trial]:
    level = float(rng.uniform(0.25, 0.5))
    shade = Shading(camera.shade.stops, camera.shade.power)
    light = shade.gain(WIDTH, HEIGHT).astype(np.float64) * level
    clip = _write(folder / "wall.mp4", light, camera, rng)
    for group, curve in ((SHADING, kept), (BY_TAG, None)):
        found = measure("shading", {"": [clip]}, curve, {"evenness": ["0.001 stops"]})
        yield held(group, camera.shade.stops, found.results[0])


def _snr(folder: Path, camera: _Camera, kept: Path, rng: np.random.Generator) -> Iterator[Trial]:
    own = NoiseCamera(full_well=camera.full_well, look=camera.look)
    stripe = WIDTH // 5
    light = np.tile(np.repeat([0.09, 0.13, 0.18, 0.25, 0.36], stripe), (HEIGHT, 1))
    clip = folder / "noise.mp4"
    record(clip, own.film(light, 12, rng))
    regions = [f"{k * stripe + 40},200,{stripe - 80},100" for k in range(5)]
    found = yield from asked(
        SNR, "snr_18", 0.0,
        lambda: measure("noise", {"": [clip]}, kept, options={"region": regions}),
    )  # fmt: skip
    if found is not None:
        snr = next(r for r in found.results if r.measurand == "snr_18")
        yield held(SNR, own.noise(0.18).snr, snr)


def _edge(folder: Path, camera: _Camera, kept: Path, rng: np.random.Generator) -> Iterator[Trial]:
    layout = target("edges-high")
    lens = Lens.of_view(WIDTH, HEIGHT, 55.0)
    pose = Pose.facing(lens.fx * 272.0 / (WIDTH * 0.985), pivot=(136.0, 76.5), roll=0.3)
    made = Studio(
        paints_of(layout.painting()), lens, blur=camera.blur, exposure=0.8, oversample=4,
        sensor=Sensor(camera.full_well), look=camera.look,
    )  # fmt: skip
    clip = folder / "edges.mp4"
    film(clip, made, [Hold(pose, 12, 0)], rng)
    frequency = np.arange(0.0, 1.0, 1e-4)
    truth = float(frequency[np.argmax(camera.blur.mtf(frequency, 0.0, 0.0) < 0.5)])
    found = yield from asked(EDGE, "mtf50", truth, lambda: measure("sharpness", {"": [clip]}, kept))
    for r in found.results if found else ():
        if r.measurand == "mtf50_centre":
            yield held(EDGE, truth, r, "mtf50")


STUDY = Study(
    id="oecf",
    title=f"Tone curve: {len(LOOKS)} looks that files do not name, {WIDTH}×{HEIGHT}",
    run=run,
    goals={
        SLOPE: (Goal("rms", 0.06), Goal("coverage", 0.90)),
        STOP: (Goal("rms", 0.05), Goal("coverage", 0.90)),
        SHADING: (Goal("rms", 0.06), Goal("coverage", 0.90)),
        SNR: (Goal("rms", 0.5), Goal("coverage", 0.90)),
        EDGE: (Goal("rms_percent", 4.0), Goal("coverage", 0.90)),
    },
)
