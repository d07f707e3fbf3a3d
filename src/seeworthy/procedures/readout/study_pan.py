"""Study of `readout`, what its groups share, and the groups of a camera that is panned by hand."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.frames import ColourTags, FrameView, Stage
from seeworthy.observe.motion_tracks import FramePair, MotionWatch
from seeworthy.observe.row_bands import ReadoutWatch
from seeworthy.procedures.readout.lamp import LampReadout
from seeworthy.procedures.readout.pan import judge_pan
from seeworthy.procedures.readout.passing import Passing, measure_passing
from seeworthy.procedures.study import Trial
from seeworthy.virtual import uprights_casts as casts
from seeworthy.virtual.scene_uprights import frames
from seeworthy.virtual.sensor import RollingCamera
from seeworthy.virtual.steadied import Steadier

PHOTO = 1e3  # s to ms
PANNED = "panned by hand, not steadied"
HELD = "panned by hand, steadied"
# What is held back: all or a part, over some tenths of a second to longer than a sweep takes,
# within windows of 4 to 20 % of the width; one jumps back.
_STEADIERS = (
    Steadier(0.4, 1.0, 24),
    Steadier(1.0, 1.0, 60),
    Steadier(0.2, 1.0, 60),
    Steadier(0.4, 0.5, 80),
    Steadier(0.4, 1.0, 24, recentre=True),
    Steadier(1.5, 0.4, 80),
)


@dataclass(frozen=True, slots=True)
class _Shown:
    """A rendered frame as an observer sees it, without a coder in between."""

    stage: Stage
    index: int
    seconds: float
    luma: npt.NDArray[np.uint8]
    corrupt: bool = False


def stage_for(camera: RollingCamera) -> Stage:
    """Return the stage of an uncoded clip."""
    tags = ColourTags("limited", 1, 1, 1)
    clock = Fraction(1, 90000)
    return Stage(camera.width, camera.height, 0, clock, camera.pace, 8, "yuv420p", tags)


def show(
    shown: Iterator[tuple[float, npt.NDArray[np.uint8]]],
    camera: RollingCamera,
    observer: ReadoutWatch,
) -> ReadoutWatch:
    """Show rendered frames to an observer directly."""
    stage = stage_for(camera)
    observer.begin(stage)
    for index, (seconds, codes) in enumerate(shown):
        view: Any = _Shown(stage, index, seconds, codes)
        observer.frame(cast(FrameView, view))
    observer.finish()
    return observer


def random_camera(rng: np.random.Generator, **fixed: Any) -> RollingCamera:
    """Draw a camera within the ranges that the measure must serve."""
    drawn: dict[str, Any] = {
        "readout_time": float(np.exp(rng.uniform(math.log(0.006), math.log(0.030)))),
        "roll": float(rng.uniform(-3, 3)),
        "pitch": float(rng.uniform(-3, 3)),
        "k1": float(rng.uniform(-0.15, 0.05)),
        "hfov": float(rng.uniform(45, 75)),
        "exposure": float(np.exp(rng.uniform(math.log(1 / 2000), math.log(1 / 120)))),
    }
    return RollingCamera(**{**drawn, **fixed})


def trial_of(
    group: str, truth: float, measure: Callable[[], Passing | LampReadout], rows: int
) -> Trial:
    """Run a measure and compare its read-out time, ms."""
    try:
        found = measure()
    except CannotMeasure as refusal:
        return Trial(group, "readout_time", truth, refused=refusal.message)
    if isinstance(found, Passing) and found.most is not None:
        most = PHOTO * rows * found.most
        return Trial(group, "readout_time", truth, most, most / math.sqrt(12), 0.0, most)
    value, u = PHOTO * rows * found.row_time, PHOTO * rows * found.u
    half = coverage_factor(found.dof) * u
    low, high = value - half, value + half
    if isinstance(found, Passing) and found.within is not None:
        low, high = (PHOTO * rows * v for v in found.within)
    return Trial(group, "readout_time", truth, value, u, low, high)


def swing(
    rng: np.random.Generator, camera: RollingCamera, size: float
) -> Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]:
    """Return a pan to and fro by a hand that shakes by about `size` px, s to px.

    A sine, or sweeps with a rest at each end.
    """
    far = camera.focal * math.radians(float(rng.uniform(15, 50)))
    period, start = float(rng.uniform(1.8, 4.0)), float(rng.uniform(0, 1))
    rests = bool(rng.random() < 0.5)
    tones = [
        (f, size * rng.uniform(0.5, 1) / (0.6 * f), rng.uniform(0, 2 * math.pi))
        for f in rng.uniform(1.2, 7, 5)
    ]

    def way(t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        turn = t / period + start
        u = np.clip((2 * turn) % 1 * 1.25, 0, 1)
        eased = u**3 * (10 - 15 * u + 6 * u * u)
        swept = np.where(np.floor(2 * turn) % 2 == 0, eased, 1 - eased) * 2 - 1
        path = far * (swept if rests else np.sin(2 * math.pi * turn))
        return np.asarray(path + sum(a * np.sin(2 * math.pi * f * t + p) for f, a, p in tones))

    return way


def pan_watched(
    shown: Iterator[tuple[float, npt.NDArray[np.uint8]]],
    camera: RollingCamera,
    times: Sequence[float],
    way: Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]],
    steadier: Steadier | None,
) -> tuple[ReadoutWatch, list[FramePair]]:
    """Show frames to both observers, as they are or through a window that steadies them."""
    if steadier is not None:
        across = way(np.array(times) + camera.readout_time / 2)
        window = steadier.window(np.stack([across, 0 * across], axis=1), camera.rate)
        camera = replace(
            camera,
            width=camera.width - 2 * steadier.margin,
            height=camera.height - 2 * steadier.margin,
        )
        shown = steadier.frames(shown, window)
    held = MotionWatch()
    held.begin(stage_for(camera))

    def both() -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
        for index, (seconds, codes) in enumerate(shown):
            view: Any = _Shown(stage_for(camera), index, seconds, codes)
            held.frame(view)
            yield seconds, codes

    return show(both(), camera, ReadoutWatch(lamp_frames=0)), held.pairs


def run_panned(repeats: int, seed: int) -> Iterator[Trial]:
    """A camera panned to and fro by hand, and the same through windows that steady it."""
    times = [k / 30 for k in range(100)]
    for number in range(repeats):
        one = seed * 1000 + number
        rng = np.random.default_rng([one, 95])
        camera = random_camera(rng, width=680, height=400)
        way = swing(rng, camera, float(rng.choice([0.0, 2.0, 5.0])))
        shown = list(frames(casts.swung(camera, one, way), camera, times))
        cases = (None, *(_STEADIERS[(number + k) % len(_STEADIERS)] for k in (0, 3)))
        for steadier in cases:
            seen, pairs = pan_watched(iter(shown), camera, times, way, steadier)
            truth = PHOTO * camera.readout_time * seen.height / camera.height

            def measure(s: ReadoutWatch = seen, p: list[FramePair] = pairs) -> Passing:
                return judge_pan(measure_passing(s), p, s.width)

            yield trial_of(PANNED if steadier is None else HELD, truth, measure, seen.height)
