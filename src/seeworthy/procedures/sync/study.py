"""Accuracy of `sync`: the clock filmed with its beeps, sound and picture apart by known times."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.procedures.study import Goal, Study, Trial, asked, held, measured, must_refuse
from seeworthy.procedures.sync.measure import SPEED_OF_SOUND
from seeworthy.virtual.clock_screen import ClockRecording, Screen, ScreenView, film
from seeworthy.virtual.sensor import RollingCamera

_SECONDS = 10
_EXPOSURES = {"exposure 1/30 to 1/60 s": (1 / 60, 1 / 30), "exposure 1/240 s": (1 / 240, 1 / 240)}
_REFUSED = "no sound, or the clock in a mirror"
_START = 51_234.5


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield offset and drift of every repeat, and clips that must be refused."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):
            for group, (short, long) in _EXPOSURES.items():
                rng = np.random.default_rng((seed, k, round(1 / short)))
                yield from _one(
                    Path(folder) / "clip.mp4", group, float(rng.uniform(short, long)), rng
                )
            yield _refusal(Path(folder) / "clip.mp4", k)


def film_clock(
    path: Path,
    rng: np.random.Generator,
    *,
    exposure: float = 1 / 60,
    seconds: float = _SECONDS,
    offset: float | None = 0.0,
    ppm: float = 0.0,
    mirrored: bool = False,
) -> float:
    """Film the clock at 320×180 with its beep; return how late the sound comes, s.

    The moment of a picture is the middle of the exposure where the clock stands. The path of
    the sound through the air is part of `offset`.
    """
    camera = RollingCamera(
        width=320, height=180, exposure=exposure, readout_time=float(rng.uniform(5e-3, 2.5e-2)),
        rate=30,
    )  # fmt: skip
    # What methods say of screens: 2 to 5 ms late.
    screen = Screen(
        refresh=float(rng.choice([60, 90, 120])), response=float(rng.uniform(2e-3, 5e-3))
    )
    view = ScreenView(
        share=float(rng.uniform(0.85, 1.0)), tilt=float(rng.uniform(-15, 15)), mirrored=mirrored
    )
    take = ClockRecording(
        round(seconds * 30), _START + float(rng.uniform(0, 1)), sound_offset=offset, sound_ppm=ppm,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    filmed = film(path, camera, screen, view, take)
    return (offset or 0.0) + float(filmed.time[0]) - take.start


def _one(path: Path, group: str, exposure: float, rng: np.random.Generator) -> Iterator[Trial]:
    offset, ppm = float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-150, 150))
    late = film_clock(path, rng, exposure=exposure, offset=offset, ppm=ppm)
    # The loudspeaker starts a beep a little late or early, and stands within a metre.
    distance, speaker = float(rng.uniform(0.2, 0.8)), float(rng.normal(0, 1.5e-3))
    middle = late + ppm * 1e-6 * _SECONDS / 2
    truth = {"av_offset": 1e3 * (middle - speaker - distance / SPEED_OF_SOUND), "av_drift": ppm}
    taped = {"distance": [f"{distance} m ± 0.02 m"]}
    outcome = yield from asked(
        f"{group}: offset", "av_offset", truth["av_offset"], lambda: measured("sync", [path], taped)
    )
    for r in outcome.results if outcome else ():
        part = "offset" if r.measurand == "av_offset" else "drift"
        yield held(f"{group}: {part}", truth[r.measurand], r)


def _refusal(path: Path, number: int) -> Trial:
    """A clip that must not be answered."""
    rng = np.random.default_rng(number)
    silent = bool(number % 2)
    film_clock(path, rng, seconds=3, offset=None if silent else 0.0, mirrored=not silent)
    return must_refuse(_REFUSED, "av_offset", lambda: measured("sync", [path]))


STUDY = Study(
    id="sync",
    title="Sync: offset and drift of the sound, clips of 10 s, 320×180, H.264 and AAC",
    run=run,
    goals={
        **{
            f"{group}: offset": (
                Goal("max", 5.0, "largest error at most 5 ms"),
                Goal("coverage", 0.90),
            )
            for group in _EXPOSURES
        },
        **{f"{group}: drift": (Goal("coverage", 0.90),) for group in _EXPOSURES},
        _REFUSED: (Goal("right", 1.0),),
    },
)
