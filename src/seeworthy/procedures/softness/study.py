"""Accuracy of `softness`: rendered flights over known scenes, 640×360, H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.study import Goal, Study, Trial, measured
from seeworthy.virtual.soft_scene import Course, SoftEye, Veil, film_softly, leaves

SMEARED = "smeared by 3 px and more"
SLOW = "smeared by less than 1 px"
SHAKEN = "a shake that comes and goes"
STILL = "no shake"
FOGGED = "fog that grows"
CLEAR = "no fog"
_SECONDS = 4.0
Codes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class _Case:
    eye: SoftEye
    course: Course


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield an exposure of fast and of slow flights, shakes and fog that are there or not."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for k in range(repeats):
            rng = np.random.default_rng((seed, k))
            picture = leaves(rng, 700, 1100)
            yield _exposed(path, rng, picture, slow=k % 4 == 3)
            if k % 4 == 1:
                yield _shaken(path, rng, picture, shaken=k % 8 == 1)
            if k % 4 == 2:
                yield _fogged(path, rng, picture, fogged=k % 8 == 2)


def _case(rng: np.random.Generator, blur: float) -> _Case:
    """Return a camera and a course that smears by so many px at the speed of 95 %."""
    eye = SoftEye(
        exposure=float(rng.uniform(0.15, 0.85)), readout=float(rng.uniform(0.2, 0.95)),
        focus=float(rng.uniform(0.4, 1.3)), noise=float(rng.uniform(0.5, 2.5)),
        bit_rate=int(math.exp(rng.uniform(math.log(1.5e6), math.log(8e6)))),
    )  # fmt: skip
    way = float(rng.uniform(0, 2 * math.pi))
    waves = (
        (math.cos(way), math.sin(way), float(rng.uniform(0.3, 0.7)), float(rng.uniform(0, 6))),
        (-0.3 * math.sin(way), 0.3 * math.cos(way), float(rng.uniform(0.6, 1.2)), 1.0),
    )
    unit = Course(waves)
    fast = float(np.quantile(unit.speed(np.arange(0, _SECONDS, 1 / eye.rate)), 0.95)) / eye.rate
    # No more than 22 px per frame, which corners are followed over.
    size = min(blur / eye.exposure, 22.0) / fast
    return _Case(eye, Course(tuple((size * a, size * d, f, p) for a, d, f, p in waves)))


def _exposed(
    path: Path, rng: np.random.Generator, picture: Codes, *, slow: bool
) -> Trial:  # fmt: skip
    case = _case(rng, float(rng.uniform(0.2, 0.9) if slow else rng.uniform(3.0, 9.0)))
    film_softly(path, case.eye, case.course, _SECONDS, picture, rng)
    truth = 1e3 * case.eye.exposure / case.eye.rate
    group = SLOW if slow else SMEARED
    try:
        found = [r for r in measured("softness", [path]).results if r.measurand.startswith("fl")]
    except CannotMeasure as error:
        return Trial(group, "flight_exposure", truth, refused=error.message, should_refuse=slow)
    if not found or found[0].conditions.get("bound"):
        if found and not found[0].interval[1] >= truth:
            return Trial(group, "flight_exposure", truth, 0.0, 0.0, *found[0].interval)
        return Trial(group, "flight_exposure", truth, refused="a bound", should_refuse=slow)
    one = found[0]
    return Trial(group, "flight_exposure", truth, one.value, one.u, *one.interval)


def _shaken(
    path: Path, rng: np.random.Generator, picture: Codes, *, shaken: bool
) -> Trial:  # fmt: skip
    case = _case(rng, 2.0)
    eye = replace(case.eye, exposure=0.5, readout=0.3, focus=0.7)
    # Not near a multiple of half the frame rate, where frames show one and the same.
    shake = (0.3, 2.5, float(rng.uniform(34, 41)), 0.5)
    course = Course((*case.course.waves, shake)) if shaken else case.course
    film_softly(path, eye, course, _SECONDS, picture, rng)
    word = measured("softness", [path]).findings["lost_to_shake"]
    told = word != "cannot tell" and "at most" not in word
    return Trial(
        SHAKEN if shaken else STILL, "shake", float(shaken), 1.0 if told else None,
        refused="" if told else word, should_refuse=not shaken,
    )  # fmt: skip


def _fogged(
    path: Path, rng: np.random.Generator, picture: Codes, *, fogged: bool
) -> Trial:  # fmt: skip
    eye = SoftEye(width=320, height=180, rate=5.0, exposure=0.01, readout=0.05)
    course = Course(((160, 20, float(rng.uniform(0.05, 0.15)), 0.0), (20, 90, 0.23, 1.0)))
    veil = Veil(0.0, float(rng.uniform(0.3, 0.6))) if fogged else None
    film_softly(path, eye, course, 75.0, picture, rng, veil=veil)
    word = measured("softness", [path]).findings["lost_to_fog"]
    told = word != "cannot tell" and "at most" not in word
    return Trial(
        FOGGED if fogged else CLEAR, "fog", float(fogged), 1.0 if told else None,
        refused="" if told else word, should_refuse=not fogged,
    )  # fmt: skip


STUDY = Study(
    id="softness",
    title="Softness: exposure and causes from rendered flights, clips of 4 s, 640×360, H.264",
    run=run,
    goals={
        SMEARED: (Goal("rms_percent", 10.0), Goal("coverage", 0.93)),
        SLOW: (Goal("right", 0.95, "refused, or a bound that holds the truth"),),
        SHAKEN: (Goal("right", 0.75),),
        STILL: (Goal("right", 0.95),),
        FOGGED: (Goal("right", 0.75),),
        CLEAR: (Goal("right", 0.95),),
    },
)
