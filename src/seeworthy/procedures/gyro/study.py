"""Accuracy of `gyro`: rendered flights with a log that is turned and late by known amounts."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from seeworthy.ground.results import Outcome
from seeworthy.procedures.study import Goal, Study, Trial, asked, held, measured, must_refuse
from seeworthy.virtual.flight_view import Eye, Wave, film, fly, log_rows

_SECONDS = 10.0
_GROUP = "turned by hand and flown"
_REFUSED = "the log of another flight"


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield lens, offset and read-out of every repeat, and logs that do not belong."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):
            rng = np.random.default_rng((seed, k))
            yield from _one(Path(folder), rng)
        yield _refusal(Path(folder), seed)


def _one(folder: Path, rng: np.random.Generator) -> Iterator[Trial]:
    eye = Eye(
        hfov=float(rng.uniform(50, 95)), straight=bool(rng.integers(2)),
        readout=float(rng.uniform(0.01, 0.03)), exposure=float(rng.uniform(0.001, 0.006)),
    )  # fmt: skip
    waves = [
        Wave(axis, float(rng.uniform(2, 6)), float(rng.uniform(0.4, 1.6)), float(rng.uniform(0, 6)))
        for axis in range(3)
    ]
    flight = fly(_SECONDS, waves, 6.0, rng)
    film(folder / "clip.mp4", eye, flight, _SECONDS, rng)
    offset = float(rng.uniform(-3, 3))
    axes = Rotation.random(random_state=rng).as_matrix()
    rows = log_rows(flight, axes, offset, 200.0, 0.3, rng)
    (folder / "log.csv").write_text(rows, encoding="utf-8")
    truth = {
        "hfov": eye.hfov, "focal_length": eye.focal, "gyro_offset": 1e3 * offset,
        "readout_time": 1e3 * eye.readout,
    }  # fmt: skip
    outcome = yield from asked(_GROUP, "focal_length", eye.focal, lambda: _measured(folder))
    for r in outcome.results if outcome else ():
        yield held(_GROUP, truth[r.measurand], r)


def _measured(folder: Path) -> Outcome:
    return measured("gyro", {"": [folder / "clip.mp4"], "log": [folder / "log.csv"]})


def _refusal(folder: Path, seed: int) -> Trial:
    rng = np.random.default_rng((seed, 99))
    film(folder / "clip.mp4", Eye(), fly(5.0, (), 8.0, rng), 5.0, rng)
    other = log_rows(fly(12.0, (), 8.0, rng), np.eye(3), 0.0, 200.0, 0.3, rng)
    (folder / "log.csv").write_text(other, encoding="utf-8")
    return must_refuse(_REFUSED, "hfov", lambda: _measured(folder))


STUDY = Study(
    id="gyro",
    title="Gyro: lens, clock and read-out from rendered flights of 10 s, 320×180, H.264",
    run=run,
    goals={
        _GROUP: (Goal("rms_percent", 2.0), Goal("coverage", 0.90)),
        _REFUSED: (Goal("right", 1.0),),
    },
)
