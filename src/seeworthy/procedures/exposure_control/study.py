"""Accuracy of `exposure-control`: cameras with a known control, filmed from bright to dim."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, one_scene
from seeworthy.virtual.exposure import PassingCard, film_card, steady
from seeworthy.virtual.sensor import RollingCamera

WIDTH, HEIGHT, RATE = 320, 180, 30
FLOOR, FOLLOWS, GAIN = "least exposure reached", "exposure follows all light", "gain makes up"
GREY = "6,4,24,20"  # of the wall: nothing passes there but the card


@dataclass(frozen=True)
class Control:
    """An automatic exposure.

    Attributes:
        aim: Linear light that it brings 18 % grey to.
        shortest, longest: Exposure, s.
        lux: Light at which the shortest is just enough.
        most_gain: Amplification at most.
    """

    aim: float
    shortest: float
    longest: float
    lux: float
    most_gain: float

    def at(self, lux: float) -> tuple[float, float]:
        """Return exposure, s, and light of 18 % grey."""
        wanted = self.shortest * self.lux / lux
        exposure = min(max(wanted, self.shortest), self.longest)
        gain = min(max(wanted / exposure, 1.0), self.most_gain)
        return exposure, self.aim * gain * exposure / wanted


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, filmed at three levels; it counts once."""
    for k, (group, rng) in enumerate(cases(repeats, seed, (FLOOR, FOLLOWS, GAIN))):
        with tempfile.TemporaryDirectory() as name:
            yield from one_scene(f"{k}", _one(group, Path(name), rng))


def _one(group: str, folder: Path, rng: np.random.Generator) -> Iterator[Trial]:
    control = Control(
        float(rng.uniform(0.1, 0.2)), 1 / float(np.exp(rng.uniform(math.log(90), math.log(200)))),
        1 / RATE, float(np.exp(rng.uniform(math.log(500), math.log(4000)))),
        float(rng.choice([2, 16])),
    )  # fmt: skip
    stops = {
        FLOOR: (1.9, 0.9, -1.0), FOLLOWS: (-0.1, -0.6, -1.0), GAIN: (-2.2, -3.2, -4.2),
    }[group]  # fmt: skip
    lights = [control.lux * 2.0**s for s in stops]
    found = yield from asked(
        group, "shortest_exposure", 1e3 * control.shortest,
        lambda: _measure(folder, control, lights, rng),
    )  # fmt: skip
    if found is None:
        return
    for one in found.results:
        lux = one.conditions.get("light")
        if one.measurand == "exposure_time" and lux is not None:
            yield held(group, 1e3 * control.at(lux)[0], one)
        elif one.measurand == "mid_grey" and lux is not None:
            yield held(group, 100 * control.at(lux)[1], one)
        elif one.measurand == "shortest_exposure":
            yield held(group, 1e3 * control.shortest, one)
    reached = float(found.findings["least_reached"])
    truth = float(group == FLOOR)
    yield Trial(group, "least reached", truth, reached, 0.0, reached, reached)


def _measure(
    folder: Path, control: Control, lights: list[float], rng: np.random.Generator
) -> Outcome:
    """Film every level: a card that passes a wall of 18 %, and the card at rest."""
    typed: list[str] = []
    clips: list[Path] = []
    rests: list[Path] = []
    share = float(rng.choice([0.08, 0.2]))
    tilt = float(rng.choice([-1, 1]) * rng.uniform(0.015, 0.06))
    psf, readout = float(rng.uniform(0.5, 1.0)), float(rng.uniform(0.004, 0.03))
    off = float(rng.normal(0, 0.03))  # of the meter, alike at all levels
    for i, lux in enumerate(lights):
        exposure, grey = control.at(lux)
        camera = RollingCamera(
            width=WIDTH, height=HEIGHT, rate=RATE, exposure=exposure, readout_time=readout, psf=psf,
            full_well=6000.0,
        )  # fmt: skip
        speed = min(max(400.0, 3.5 / exposure), 700.0)
        bits = int(rng.uniform(0.8e6, 2.5e6))
        for name, place, into, frames in (
            ("moving", steady(70.0, speed), clips, 18),
            ("rest", steady(200.0, 0.0), rests, 6),
        ):
            path = folder / f"{name}{i}.mp4"
            card = PassingCard(
                place, width=60.0, tilt=tilt, light=share * grey, wall=grey,
                seed=int(rng.integers(1 << 30)),
            )  # fmt: skip
            film_card(path, card, camera, frames, bit_rate=bits)
            into.append(path)
        typed.append(f"{lux * math.exp(off + float(rng.normal(0, 0.03))):.4g} lx")
    options = {"grey": [GREY]}
    return measured("exposure-control", {"": clips, "rest": rests}, {"light": typed}, options)


STUDY = Study(
    id="exposure-control",
    title=f"Exposure control: a card that passes, from bright to dim, {WIDTH}×{HEIGHT}, H.264",
    run=run,
    goals={
        group: (Goal("coverage", 0.90), Goal("right", 0.95)) for group in (FLOOR, FOLLOWS, GAIN)
    },
)
"""What the study asks for."""
