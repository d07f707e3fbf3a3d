"""Accuracy of `interval`: time lapses of the rendered clock, and stills with capture times."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image

from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.virtual.clock_screen import Screen, ScreenView
from seeworthy.virtual.clock_shots import Shots
from seeworthy.virtual.coders import record
from seeworthy.virtual.sensor import RollingCamera

CLIP, STILLS, STAMPS = "clip of the clock", "stills of the clock", "capture times, whole seconds"
FILM, FAST = "a film: refused", "capture times under 3 s: refused"
_SHOTS = 30


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, interval, unevenness and set of holes."""
    for group, rng in cases(repeats, seed, (CLIP, STILLS, STAMPS, FILM, FAST), (FILM, FAST)):
        yield from _one(group, rng)


def moments(rng: np.random.Generator, wait: float, scatter: float, holes: int) -> tuple[Any, int]:
    """Return when pictures are taken, s from 0, and how many of them are not written.

    A timer starts anew after each picture, or keeps to a grid, from which pictures stray.
    """
    places = _SHOTS + holes
    if rng.random() < 0.5:
        times = np.cumsum(wait + scatter * rng.standard_normal(places))
    else:
        times = wait * np.arange(places) + scatter / np.sqrt(2) * rng.standard_normal(places)
    inside = np.arange(4, places - 4)
    lost = rng.choice(inside, holes, replace=False) if holes else np.array([], int)
    return np.delete(times, lost) - times[0], holes


def clock(rng: np.random.Generator) -> Shots:
    """Return a camera of 480×270 before the clock."""
    camera = RollingCamera(width=480, height=270, exposure=float(rng.uniform(1 / 500, 1 / 40)),
                    readout_time=float(rng.uniform(5e-3, 2.5e-2)))  # fmt: skip
    screen = Screen(refresh=float(rng.choice([60, 90, 120])))
    view = ScreenView(share=float(rng.uniform(0.8, 0.95)), tilt=float(rng.uniform(-10, 10)))
    return Shots(camera, screen, view, seed=int(rng.integers(1 << 30)))


def write(folder: Path, group: str, times: Any, rng: np.random.Generator) -> list[Path]:
    """Write the series as a clip, as stills of the clock, or as stills with capture times."""
    if group in (STAMPS, FAST):
        return [_stamped(folder / f"P{i:04}.jpg", float(t)) for i, t in enumerate(times)]
    shots, start = clock(rng), float(rng.uniform(0, 150_000))
    frames = (shots(start + float(t)) for t in times)
    if group == STILLS:
        paths = [folder / f"P{i:04}.png" for i in range(len(times))]
        for path, luma in zip(paths, frames, strict=True):
            PIL.Image.fromarray(luma).save(path)
        return paths
    path = folder / "lapse.mp4"
    record(path, frames, bit_rate=4_000_000)
    return [path]


def _stamped(path: Path, seconds: float) -> Path:
    picture = PIL.Image.new("L", (32, 24), 90)
    exif = PIL.Image.Exif()
    when = dt.datetime(2026, 5, 4, 10, 0, 0) + dt.timedelta(seconds=seconds)
    exif.get_ifd(0x8769)[0x9003] = when.strftime("%Y:%m:%d %H:%M:%S")  # cuts the second
    picture.save(path, exif=exif)
    return path


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    least, most = {FILM: (0.03, 0.1), FAST: (1.0, 2.5), STAMPS: (5.0, 30.0)}.get(group, (1.0, 20.0))
    wait = float(rng.uniform(least, most))
    scatter = wait * float(rng.uniform(0.002, 0.04))
    holes = 0 if group in (FILM, FAST) else int(rng.integers(0, 3))
    times, missed = moments(rng, wait, scatter, holes)
    if group in (STAMPS, FAST):
        times = times + rng.uniform(0, 1)
    wrong = group in (FILM, FAST)
    with tempfile.TemporaryDirectory() as folder:
        files = write(Path(folder), group, times, rng)
        outcome = yield from asked(
            group, "shot_interval", wait, lambda: measured("interval", files), should_refuse=wrong
        )
    if outcome is None:
        return
    truth = {"shot_interval": wait, "interval_scatter": 1e3 * scatter}
    for r in outcome.results:
        name = group if wrong else f"{group}: {r.measurand}"
        yield held(name, truth[r.measurand], r, should_refuse=wrong)
    told = float(outcome.findings["missed_shots"] == missed)
    yield Trial(f"{group}: missing shots counted", "missed_shots", 1.0, told)


STUDY = Study(
    id="interval",
    title=f"Time lapses of {_SHOTS} pictures, two of three with holes",
    run=run,
    goals={
        **{f"{g}: shot_interval": (Goal("coverage", 0.90),) for g in (CLIP, STILLS, STAMPS)},
        **{f"{g}: interval_scatter": (Goal("coverage", 0.90),) for g in (CLIP, STILLS)},
        **{f"{g}: missing shots counted": (Goal("rms", 0.0),) for g in (CLIP, STILLS, STAMPS)},
        FILM: (Goal("right", 1.0),),
        FAST: (Goal("right", 1.0),),
    },
)
