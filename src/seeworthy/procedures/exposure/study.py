"""Accuracy of `exposure`: passing cards with exact exposures, lamps that are switched."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, held, measured
from seeworthy.virtual.exposure import Adapting, PassingCard, film_card, film_step, steady
from seeworthy.virtual.sensor import RollingCamera

PASSING = "passing card, 1/30 to 1/250 s"
SHORT = "blur under the lens's own (bound holds)"
STEP = "step of light, not clipped"
EARLY = "step of light, the clip ends at 96 to 99 % of the way"
CLIPPED = "step of light, clipped at first"
NONE = "no step"
_CARDS = ((0.05, 0.6), (0.6, 0.05), (0.2, 0.5), (0.04, 0.85))


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat films a card and a step of light, every fourth the rest too."""
    for i in range(repeats):
        for number, group in enumerate((PASSING, SHORT, STEP, CLIPPED, NONE, EARLY)):
            if group not in (PASSING, STEP, EARLY) and i % 4:
                continue
            rng = np.random.default_rng([seed, number, i])
            with tempfile.TemporaryDirectory() as folder:
                if group in (PASSING, SHORT):
                    yield _card(group, rng, Path(folder))
                else:
                    yield _step(group, rng, Path(folder))


def measure(path: Path, rest: Path | None = None) -> Outcome:
    """Run the procedure on a clip, and the same edge at rest."""
    return measured("exposure", {"": [path], **({"rest": [rest]} if rest else {})})


def film_pair(rng: np.random.Generator, folder: Path, exposure: float, speed: float) -> None:
    """Film ``moving.mp4`` and ``rest.mp4``: 480×270, another lens, card and coding each time."""
    camera = RollingCamera(
        width=480, height=270, exposure=exposure,
        readout_time=float(rng.uniform(0.004, 0.03)), psf=float(rng.uniform(0.5, 1.1)),
        full_well=float(rng.choice([3000, 8000])),
    )  # fmt: skip
    light, wall = _CARDS[int(rng.integers(len(_CARDS)))]
    tilt = float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.07))
    bits = int(rng.uniform(0.8e6, 2.2e6))
    seed = int(rng.integers(1 << 30))
    seconds = 0.8
    moves = steady(240 - speed * seconds / 2, speed, float(rng.uniform(-0.2, 0.2)) * speed)
    moving = PassingCard(moves, width=160.0, tilt=tilt, light=light, wall=wall, seed=seed)
    still = PassingCard(
        steady(float(rng.uniform(190, 290)), 0),
        width=160.0,
        tilt=tilt,
        light=light,
        wall=wall,
        seed=seed + 1,
    )
    film_card(folder / "moving.mp4", moving, camera, round(seconds * 30), bit_rate=bits)
    film_card(folder / "rest.mp4", still, camera, 8, bit_rate=bits)


def _card(group: str, rng: np.random.Generator, folder: Path) -> Trial:
    if group == PASSING:
        exposure = float(np.exp(rng.uniform(np.log(1 / 250), np.log(1 / 30))))
        # A blur that is more than the lens's own needs speed.
        least = max(350.0, 3.2 / exposure)
        speed = float(rng.choice([-1, 1]) * rng.uniform(least, max(1.1 * least, 900.0)))
    else:
        exposure = float(rng.uniform(1 / 2000, 1 / 600))
        speed = float(rng.choice([-1, 1]) * rng.uniform(250.0, 400.0))
    film_pair(rng, folder, exposure, speed)
    truth = 1000 * exposure
    try:
        said = measure(folder / "moving.mp4", folder / "rest.mp4")
    except CannotMeasure as refusal:
        return Trial(group, "exposure_time", truth, refused=refusal.message)
    found = next(r for r in said.results if r.measurand == "exposure_time")
    bound = found.conditions.get("bound") == "upper"
    if bound != (group == SHORT):
        return Trial(group, "exposure_time", truth, refused="bound" if bound else "no bound")
    if bound:
        # The figure of a bound is no estimate; only whether it holds is judged.
        return Trial(group, "exposure_time", truth, truth, found.u, *found.interval)
    return held(group, truth, found)


def _step(group: str, rng: np.random.Generator, folder: Path) -> Trial:
    tau = float(np.exp(rng.uniform(np.log(0.1), np.log(0.8))))
    rises = group == CLIPPED or rng.random() < 0.7
    ratio = float(rng.uniform(1.6, 4.0)) if group in (STEP, EARLY) else float(rng.uniform(8, 30))
    if group == NONE:
        ratio = 1.0
    target = float(rng.uniform(0.06, 0.15) if group in (STEP, EARLY) else rng.uniform(0.15, 0.25))
    step = Adapting(
        tau, float(rng.choice([0.0, 0.1, 0.3])), 1.0 if rises else ratio,
        ratio if rises else 1.0, target, at=float(rng.uniform(0.7, 1.2)),
    )  # fmt: skip
    camera = RollingCamera(width=320, height=180, full_well=float(rng.choice([3000, 8000])))
    path = folder / "step.mp4"
    # 96 to 99 % of the way are walked after 3.2 to 4.6 time constants.
    rest = float(rng.uniform(3.2, 4.6)) * tau if group == EARLY else 8 * tau + 1.2
    film_step(
        path, step, camera, step.at + step.delay + rest, seed=int(rng.integers(1 << 30)),
        flicker=float(rng.choice([0.0, 0.002])), bit_rate=int(rng.uniform(0.7e6, 1.5e6)),
    )  # fmt: skip
    truth = 0.0 if group == NONE else step.settling()
    try:
        said = measure(path)
    except CannotMeasure as refusal:
        return Trial(
            group, "adaptation_time", truth, refused=refusal.message, should_refuse=group == NONE
        )
    found = said.results[0]
    if group == CLIPPED and found.conditions.get("bound") == "upper":
        return Trial(group, "adaptation_time", truth, truth, found.u, *found.interval)
    return held(group, truth, found, "adaptation_time", should_refuse=group == NONE)


STUDY = Study(
    id="exposure",
    title="Exposure: passing cards of 480×270 and steps of light, H.264",
    run=run,
    goals={
        PASSING: (Goal("max_percent", 10.0), Goal("coverage", 0.90), Goal("right", 0.99)),
        SHORT: (Goal("coverage", 0.90), Goal("right", 0.95)),
        STEP: (Goal("max_percent", 10.0), Goal("coverage", 0.90), Goal("right", 0.99)),
        EARLY: (Goal("max_percent", 10.0), Goal("coverage", 0.90)),
        CLIPPED: (Goal("coverage", 0.90), Goal("right", 0.95)),
        NONE: (Goal("right", 0.99),),
    },
)
