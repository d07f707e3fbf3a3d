"""Accuracy of `pad-time`: starts of a camera before the rendered clock, filmed by a witness."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured
from seeworthy.virtual.clock_screen import Screen, ScreenView
from seeworthy.virtual.clock_shots import Shots
from seeworthy.virtual.coders import record
from seeworthy.virtual.sensor import RollingCamera

ONE, THREE, WRONG = "one start", "three starts", "clips of two starts: refused"
_RATE = 30


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, witness, screen and delay."""
    for group, rng in cases(repeats, seed, (ONE, THREE, WRONG), (WRONG,)):
        yield from _one(group, rng)


def before_clock(rng: np.random.Generator, refresh: float) -> Shots:
    """Return a camera of 480×270 before a screen."""
    camera = RollingCamera(width=480, height=270, exposure=float(rng.uniform(1 / 250, 1 / 40)),
                    readout_time=float(rng.uniform(5e-3, 2.5e-2)))  # fmt: skip
    view = ScreenView(share=float(rng.uniform(0.8, 0.95)), tilt=float(rng.uniform(-10, 10)))
    return Shots(camera, Screen(refresh=refresh), view, seed=int(rng.integers(1 << 30)))


def film(path: Path, shots: Shots, begin: float, frames: int) -> None:
    """Write a clip whose first frame is exposed at a second of the screen's clock."""
    shown = (shots(begin + i / _RATE) for i in range(frames))
    record(path, shown, rate=_RATE, bit_rate=4_000_000)


def start(folder: Path, number: int, delay: float, rng: np.random.Generator) -> tuple[Any, str]:
    """Write clip and witness of one start; return their paths and the press as typed."""
    refresh = float(rng.choice([60, 90, 120]))
    camera, phone = before_clock(rng, refresh), before_clock(rng, refresh)
    began = float(rng.uniform(0, 150_000))
    at = float(rng.uniform(0.8, 1.2))  # second of the witness clip, as its file has it
    pressed = began + at + phone.lag
    paths = folder / f"clip{number}.mp4", folder / f"phone{number}.mp4"
    film(paths[0], camera, pressed + delay - camera.lag, 36)
    film(paths[1], phone, began, 60)
    typed = at + float(rng.uniform(-0.5, 0.5)) / _RATE
    return paths, f"{typed:.4f} s ± {1 / _RATE / 12**0.5:.4f} s"


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    delay = float(rng.uniform(0.3, 4.0))
    scatter = 0.0 if group == ONE else 0.05
    with tempfile.TemporaryDirectory() as name:
        made = [
            start(Path(name), i, delay + scatter * float(rng.standard_normal()), rng)
            for i in range(3 if group == THREE else 1)
        ]
        if group == WRONG:
            made = [((made[0][0][0], start(Path(name), 7, delay, rng)[0][1]), made[0][1])]
        files = {"": [paths[0] for paths, _ in made], "witness": [paths[1] for paths, _ in made]}
        pressed, wrong = {"pressed": [text for _, text in made]}, group == WRONG
        outcome = yield from asked(
            group, "start_delay", delay, lambda: measured("pad-time", files, pressed),
            should_refuse=wrong,
        )  # fmt: skip
    if outcome is not None:
        yield held(group, delay, outcome.results[0], should_refuse=wrong)


STUDY = Study(
    id="pad-time",
    title="Starts before the clock, 480×270, filmed by a witness of 30 frames/s",
    run=run,
    goals={
        ONE: (Goal("coverage", 0.90), Goal("max", 0.05)),
        THREE: (Goal("coverage", 0.90),),
        WRONG: (Goal("right", 1.0),),
    },
)
