"""Accuracy of `native`: small rasters enlarged in many ways, and true ones, through H.264."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.native import footage
from seeworthy.procedures.native.measure import LEAST, Answer
from seeworthy.procedures.study import Goal, Study, Trial, measured
from seeworthy.virtual.coders import ENCODERS
from seeworthy.virtual.detail_scene import leaves, wall
from seeworthy.virtual.optics import Sharpening
from seeworthy.virtual.resample import ENLARGERS, MARGIN, SmallRaster

WIDTH, HEIGHT = 1280, 720
ASKED = ((848, 480), (960, 540), (640, 360), (960, 720))
SOFT = "true 1280×720, lens blur up to 1.5 px"
SHARPENED = "true 1280×720, sharpened in the camera"
OTHER = "other sizes, 7 Mbit/s"
LATE = "960×540, sharpened after resizing"
POOR = "asked sizes, 3 Mbit/s"
POOR_TRUE = "true 1280×720, 3 Mbit/s"
DOWN = "1920×1080 or more made smaller"
REAL = "real footage enlarged, H.264"
REAL_TRUE = "real footage as it is"
CODED = "true small clips"
_FACTORS = (1.25, 4 / 3, 1.5, 1.6, 5 / 3, 2.0, 2.5, 3.0)
_TRUE_PER_SCENE = 4
_FRAMES = 12
_PHOTOGRAPHS = (
    "astronaut", "camera", "coffee", "rocket", "brick", "grass", "gravel", "chelsea", "moon",
    "immunohistochemistry",
)  # fmt: skip
_MADE_SMALLER = ("opencv bilinear", "opencv bicubic", "pil bicubic", "swscale bilinear")


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat paints a scene and films it once or more for each group."""
    for i in range(repeats):
        rng = np.random.default_rng([seed, i])
        seen = scene(rng, photographs=i % 2 == 1)
        for native in ASKED:
            yield from enlarged(group_of(native), native, seen, rng)
        for _ in range(_TRUE_PER_SCENE):
            yield from true(SOFT, seen, rng, sigma=float(rng.uniform(0.4, 1.5)))
            yield from true(SHARPENED, seen, rng, sharpened=True)
        yield from enlarged(OTHER, _other(rng), seen, rng)
        yield from enlarged(LATE, (960, 540), seen, rng, late=True)
        yield from enlarged(POOR, ASKED[int(rng.integers(4))], seen, rng, bit_rate=3_000_000)
        yield from true(POOR_TRUE, seen, rng, bit_rate=3_000_000)
        yield from made_smaller(seen, rng)
        yield from real(rng)
        yield from coded(seen, rng)


def group_of(native: tuple[int, int]) -> str:
    """Return the name of the group of an asked size."""
    return f"{native[0]}×{native[1]} enlarged, 7 Mbit/s"


def _other(rng: np.random.Generator) -> tuple[int, int]:
    sizes = ((1024, 576), (1152, 648), (1088, 612), (720, 576), (800, 600))
    return sizes[int(rng.integers(len(sizes)))]


def scene(rng: np.random.Generator, *, photographs: bool) -> npt.NDArray[np.float32]:
    """Return a painted scene, or a wall of photographs where scikit-image is installed."""
    size = 2 * WIDTH + 2 * MARGIN, 2 * HEIGHT + 2 * MARGIN
    pictures = _photographs() if photographs else []
    if pictures:
        return wall(pictures, *size, rng)
    grain, least = float(rng.uniform(0.03, 0.15)), float(rng.uniform(2.0, 6.0))
    return leaves(*size, rng, grain=grain, least=least)


@lru_cache(maxsize=1)
def _photographs() -> list[Any]:
    try:
        from skimage import data
    except ImportError:
        return []
    return [getattr(data, name)() for name in _PHOTOGRAPHS]


def enlarged(
    group: str,
    native: tuple[int, int],
    seen: npt.NDArray[np.float32],
    rng: np.random.Generator,
    *,
    bit_rate: int = 7_000_000,
    late: bool = False,
) -> Iterator[Trial]:
    """Film with a small raster; one trial per axis. An axis that is undecided has no value."""
    names = [name for name in ENLARGERS if "nearest" not in name]
    camera = SmallRaster(
        native,
        enlarger=names[int(rng.integers(len(names)))],
        sigma=float(rng.uniform(0.3, 0.7)),
        sharpening=Sharpening(float(rng.uniform(0.3, 1.2)), 1.0) if late else None,
        late=late,
    )
    answers, values = film_and_ask(camera, seen, rng, bit_rate)
    for k, name in enumerate(("native_width", "native_height")):
        size = (WIDTH, HEIGHT)[k]
        truth = float(native[k])
        kept = native[k] == size
        # Along an axis that was kept only a yes is wrong.
        told = values[k] if answers[k] == "yes" else None
        value, low, high = told or (truth if kept else None, None, None)
        yield Trial(group, name, truth, value, None, low, high,
                    refused="" if value is not None else answers[k])  # fmt: skip


def true(
    group: str,
    seen: npt.NDArray[np.float32],
    rng: np.random.Generator,
    *,
    sigma: float = 0.7,
    sharpened: bool = False,
    bit_rate: int = 7_000_000,
) -> Iterator[Trial]:
    """Film with a true raster: a `yes` is a number that should not be there."""
    sharpening = None
    if sharpened:
        sigma = float(rng.uniform(0.4, 1.2))
        sharpening = Sharpening(float(rng.uniform(0.3, 1.5)), float(rng.uniform(0.7, 1.5)))
    camera = SmallRaster((WIDTH, HEIGHT), sigma=sigma, sharpening=sharpening)
    yield from _never_yes(group, *film_and_ask(camera, seen, rng, bit_rate))


def made_smaller(seen: npt.NDArray[np.float32], rng: np.random.Generator) -> Iterator[Trial]:
    """Film with a larger raster, made smaller with kernels that alias."""
    sizes = ((1920, 1080), (1536, 864), (2304, 1296))
    native = sizes[int(rng.integers(len(sizes)))]
    how = _MADE_SMALLER[int(rng.integers(len(_MADE_SMALLER)))]
    camera = SmallRaster(native, enlarger=how, sigma=float(rng.uniform(0.4, 0.8)))
    yield from _never_yes(DOWN, *film_and_ask(camera, seen, rng, 7_000_000))


def real(rng: np.random.Generator) -> Iterator[Trial]:
    """Code every installed real clip as it is by another encoder each, and enlarge it once."""
    for path in footage.clips().values():
        frames = footage.pictures(path, int(rng.integers(60)), _FRAMES)
        encoder = list(ENCODERS)[int(rng.integers(len(ENCODERS)))]
        fineness = float(rng.uniform(0, 1))
        if min(frames[0].width, frames[0].height) >= LEAST:
            answers, values = _write_and_ask(frames, encoder, fineness)
            yield from _never_yes(f"{REAL_TRUE}, {encoder}", answers, values)
        yield from _real_enlarged(frames, rng)


def coded(seen: npt.NDArray[np.float32], rng: np.random.Generator) -> Iterator[Trial]:
    """Film with a true raster of 640×360 (or, one in four, 1280×720), once by every encoder."""
    for encoder in ENCODERS:
        size = (WIDTH, HEIGHT) if rng.random() < 0.25 else (640, 360)
        said = _write_and_ask(true_pictures(seen, size, rng), encoder, float(rng.uniform(0, 1)))
        yield from _never_yes(f"{CODED}, {encoder}", *said)


def true_pictures(
    seen: npt.NDArray[np.float32], size: tuple[int, int], rng: np.random.Generator
) -> list[Any]:
    """Return pictures of a scene that drifts past: every pixel is the mean of four finer ones."""
    wide, high = 2 * size[0], 2 * size[1]
    blurred = cv2.GaussianBlur(seen, (0, 0), 2 * float(rng.uniform(0.3, 1.0)))
    step = rng.integers(-6, 7, 2)
    reach = _FRAMES * 6
    left, top = (
        int(rng.integers(reach, have - want - reach)) if have - want > 2 * reach else None
        for have, want in ((seen.shape[1], wide), (seen.shape[0], high))
    )
    grain, made = float(rng.uniform(0.002, 0.02)), []
    for k in range(_FRAMES):
        x = int(step[0]) * k + left if left is not None else abs(int(step[0])) * k
        y = int(step[1]) * k + top if top is not None else abs(int(step[1])) * k
        light = cv2.resize(blurred[y : y + high, x : x + wide], size, interpolation=cv2.INTER_AREA)
        signal = np.clip(light + grain * rng.standard_normal(light.shape), 0, 1) ** 0.45
        planes = np.full((3 * size[1] // 2, size[0]), 128, np.uint8)
        planes[: size[1]] = np.round(16 + 219 * signal)
        made.append(av.VideoFrame.from_ndarray(planes, "yuv420p"))
    return made


def _real_enlarged(frames: list[Any], rng: np.random.Generator) -> Iterator[Trial]:
    native = frames[0].width, frames[0].height
    factor = _FACTORS[int(rng.integers(len(_FACTORS)))]
    if native[0] * factor > 1920:
        factor = 1.5
    size = 2 * round(native[0] * factor / 2), 2 * round(native[1] * factor / 2)
    way = list(footage.FILTERS)[int(rng.integers(len(footage.FILTERS)))]
    answers, values = _write_and_ask(frames, "H.264 medium", float(rng.uniform(0.5, 1)), size, way)
    for k, name in enumerate(("native_width", "native_height")):
        # A no is a size too, and a wrong one here.
        told = values[k] if answers[k] != "undecided" else None
        value, low, high = told or (None, None, None)
        yield Trial(REAL, name, float(native[k]), value, None, low, high,
                    refused="" if value is not None else answers[k])  # fmt: skip


def _write_and_ask(
    frames: list[Any], encoder: str, fineness: float, size: tuple[int, int] | None = None,
    way: str = "bicubic",
) -> tuple[list[Answer], list[tuple[float, float, float] | None]]:  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"clip.{ENCODERS[encoder][1]}"
        footage.write(path, frames, ENCODERS[encoder], fineness, size, way)
        return _ask(path)


def _never_yes(
    group: str, answers: list[Answer], values: list[tuple[float, float, float] | None]
) -> Iterator[Trial]:
    wrong = [v for a, v in zip(answers, values, strict=True) if a == "yes" and v]
    truth = (WIDTH, HEIGHT)[answers.index("yes")] if wrong else WIDTH
    value = wrong[0][0] if wrong else None
    yield Trial(group, "called enlarged", float(truth), value, should_refuse=True)
    told = 1.0 if set(answers) == {"no"} else None
    yield Trial(f"{group}: said to be true", "called true", 1.0, told)


def film_and_ask(
    camera: SmallRaster, seen: npt.NDArray[np.float32], rng: np.random.Generator, bit_rate: int
) -> tuple[list[Answer], list[tuple[float, float, float] | None]]:
    """Return answer and (value, low, high) across and down."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        camera.film(path, seen, rng, frames=_FRAMES, bit_rate=bit_rate)
        return _ask(path)


def _ask(path: Path) -> tuple[list[Answer], list[tuple[float, float, float] | None]]:
    try:
        said = measured("native", [path])
    except CannotMeasure:
        return ["undecided", "undecided"], [None, None]
    found = {r.measurand: (r.value, *r.interval) for r in said.results}
    answers: list[Answer] = [said.findings["upscaled_across"], said.findings["upscaled_down"]]
    return answers, [found.get("native_width"), found.get("native_height")]


_ASKED_GOALS = (
    Goal("right", 0.95, "recognised, share at least 0.95"),
    Goal("max_percent", 2.0, "largest error of the size (%) at most 2"),
)
_NEVER = (Goal("right", 0.99, "not called enlarged, share at least 0.99"),)
_NEVER_WRONG = (Goal("max_percent", 2.0, "largest error of the size (%) at most 2"),)

STUDY = Study(
    "native",
    "Native resolution: small rasters enlarged to 1280×720, and true ones",
    run,
    {
        **{group_of(native): _ASKED_GOALS for native in ASKED},
        SOFT: _NEVER,
        SHARPENED: _NEVER,
        POOR_TRUE: _NEVER,
        DOWN: _NEVER,
        OTHER: _NEVER_WRONG,
        LATE: _NEVER_WRONG,
        POOR: _NEVER_WRONG,
        REAL: _NEVER_WRONG,
        **{f"{REAL_TRUE}, {encoder}": _NEVER for encoder in ENCODERS},
        **{f"{CODED}, {encoder}": _NEVER for encoder in ENCODERS},
    },
)
