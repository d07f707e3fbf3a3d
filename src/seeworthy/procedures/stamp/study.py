"""Accuracy of `stamp`: is it told right whether something is burned in?"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, measured
from seeworthy.virtual.ground import ground
from seeworthy.virtual.stamp import Overlay, StampFlight, box_of, clock_text, film

WITH = "date, time or mark burned in"
WITHOUT = "nothing burned in"
AIRFRAME = "nothing burned in, airframe in view"
STILL = "still scene, stamp or none"
PLACE = "place of the box (share of overlap)"

_STYLES = (
    "%Y/%m/%d %H:%M:%S", "%d.%m.%Y|%H:%M:%S", "%H:%M:%S", "%Y-%m-%d  %H:%M:%S", "%d-%m-%Y %I:%M %p",
    "%m/%d/%Y %H:%M:%S", "%Y.%m.%d|%H:%M", "DUNES 1  %Y/%m/%d  %H:%M:%S", "%y%m%d-%H%M%S",
)  # fmt: skip
_COLOURS = (
    (255, 255, 255), (255, 255, 255), (255, 210, 0), (255, 120, 0), (255, 40, 40), (0, 255, 80),
    (0, 0, 0), (230, 230, 120),
)  # fmt: skip
_PHOTOGRAPHS = (
    "coffee", "chelsea", "rocket", "grass", "gravel", "brick", "coins", "moon", "page",
    "immunohistochemistry", "hubble_deep_field",
)  # fmt: skip


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat films one scene for each group, every fifth a still one."""
    for i in range(repeats):
        for number, group in enumerate((WITH, WITHOUT, AIRFRAME, STILL)):
            if group == STILL and i % 5:
                continue
            yield from one(group, np.random.default_rng([seed, number, i]))


def one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    """Film and judge one clip. What is said wrongly counts as no answer."""
    flight = random_flight(rng, still=group == STILL, airframe=group == AIRFRAME)
    stamped = group == WITH or (group == STILL and rng.random() < 0.5)
    overlay = random_overlay(rng, flight.height) if stamped else None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        film(path, scene(rng, flight), flight, overlay)
        truth, still = float(stamped), group == STILL
        said = yield from asked(
            group, "stamp_present", truth, lambda: measure(path), should_refuse=still
        )
    if said is None:
        return
    present = bool(said.findings["stamp_present"])
    value = float(present) if present == stamped else None
    wrong = "" if present == stamped else f"said {'yes' if present else 'no'}"
    yield Trial(group, "stamp_present", truth, value, refused=wrong, should_refuse=still)
    if present and overlay is not None and group == WITH:
        middle = flight.seconds / 2
        found = tuple(said.findings["stamp_box"])
        # Whether a plate behind the text belongs to the box is left open.
        truths = [box_of(overlay, flight, middle, plate=p) for p in (False, True)]
        share = max(overlap(found, truth) for truth in truths)
        yield Trial(PLACE, "stamp_box", 1.0, share)


def measure(path: Path) -> Outcome:
    """Run the procedure on a clip."""
    return measured("stamp", [path])


def overlap(a: tuple[int, ...], b: tuple[int, ...]) -> float:
    """Return the area that two boxes share over the area that either covers."""
    w = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    h = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    both = max(0, w) * max(0, h)
    return both / (a[2] * a[3] + b[2] * b[3] - both)


def random_flight(rng: np.random.Generator, *, still: bool, airframe: bool) -> StampFlight:
    """Return a way to film: size, motion, coding and what else is wrong with the picture."""
    sizes = ((640, 360), (640, 480), (848, 480), (1280, 720))
    width, height = sizes[int(rng.choice(4, p=(0.3, 0.3, 0.3, 0.1)))]
    kinds = ("nose", "strut", "guard", "wing", "legs")
    return StampFlight(
        width, height, 30, float(rng.uniform(2.0, 3.2)),
        speed=0.0 if still else float(rng.uniform(2.0, 10.0)) * height / 720,
        shake=float(rng.uniform(0, 1.5)),
        bit_rate=int(rng.uniform(3e6, 7e6)),
        noise=float(rng.uniform(0.5, 5.0)),
        airframe=kinds[int(rng.integers(5))] if airframe or rng.random() < 0.3 else None,  # type: ignore[arg-type]
        vignette=float(rng.uniform(0, 0.5)),
        dirt=int(rng.integers(0, 4)),
        hot=int(rng.integers(0, 12)),
        bars=int(0.09 * height) if rng.random() < 0.1 else 0,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip


def random_overlay(rng: np.random.Generator, rows: int) -> Overlay:
    """Return a date, a time or a mark as cameras burn them in."""
    start = dt.datetime(2026, 1, 1) + dt.timedelta(seconds=int(rng.integers(30_000_000)))
    places: Any = ("top left", "top right", "bottom left", "bottom right", "bottom", "top")
    style = _STYLES[int(rng.integers(len(_STYLES)))]
    logo = bool(rng.random() < 0.12)
    size = int(rows * (rng.uniform(0.06, 0.12) if logo else rng.uniform(0.02, 0.055)))
    font = None if rng.random() < 0.4 else int(rng.choice([0, 1, 2, 3]))
    colour = _COLOURS[int(rng.integers(len(_COLOURS)))]
    dark = max(colour) < 100  # nobody makes dark letters on a dark plate
    return Overlay(
        clock_text(style, start),
        height=size,
        place=places[int(rng.integers(6))],
        margin=int(rng.integers(3, 40)),
        colour=colour,
        edge=(255, 255, 255) if dark else (0, 0, 0),
        outline=int(rng.choice([0, 0, 1, 2])),
        opacity=float(rng.choice([1.0, 1.0, 0.8, 0.6])),
        plate=float(rng.choice([0.0, 0.0, 0.0, 0.5, 1.0])) * (not dark),
        font=font,
        bold=max(1, round(size * rng.uniform(0.07, 0.14))),
        logo=logo,
    )


def scene(rng: np.random.Generator, flight: StampFlight) -> npt.NDArray[np.uint8]:
    """Return a photograph, where scikit-image is installed, or painted ground."""
    size = (round(flight.width * 1.9), round(flight.height * 1.9))
    names = _photographs()
    if names and rng.random() < 0.6:
        import cv2

        picture = _photograph(names[int(rng.integers(len(names)))])
        if min(picture.shape[:2]) < flight.height / 2:
            picture = cv2.copyMakeBorder(
                picture, 0, picture.shape[0], 0, picture.shape[1], cv2.BORDER_REFLECT
            )  # type: ignore[assignment]
        return cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC)  # type: ignore[return-value]
    return ground(*size, int(rng.integers(1 << 30)))


@lru_cache(maxsize=1)
def _photographs() -> tuple[str, ...]:
    return _PHOTOGRAPHS if find_spec("skimage") else ()


@lru_cache(maxsize=16)
def _photograph(name: str) -> npt.NDArray[np.uint8]:
    from skimage import data

    picture = np.asarray(getattr(data, name)(), np.uint8)
    return np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture[..., :3]


STUDY = Study(
    id="stamp",
    title="Stamp: told right, over rendered moving scenes, H.264 at 3 to 7 Mbit/s",
    run=run,
    goals={
        WITH: (Goal("right", 0.99),),
        WITHOUT: (Goal("right", 0.99),),
        AIRFRAME: (Goal("right", 0.99),),
        STILL: (Goal("right", 0.99),),
    },
)
