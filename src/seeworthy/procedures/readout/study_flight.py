"""Study of `readout`: the groups of a flight clip, rendered and coded, and of made points."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.procedures.readout.from_flight import readout_of_flight
from seeworthy.procedures.study import Trial, asked, held, measured, must_refuse
from seeworthy.virtual.flight_view import Eye, Wave, film, fly
from seeworthy.virtual.row_points import points_of, shaken

FLOWN = "a flight clip, 320×180, H.264"
PAST = "points of frames: shaken while flying past ground"
BUZZED = "points of frames: vibration of 14 to 100 Hz, the answers"
CALM = "refuse: a craft that does not turn"
_SECONDS, _RATE, _SIZE = 8.0, 30, (640, 360)


def run_flight(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield flights (`repeats`), made points (four times as many) and a calm flight."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for k in range(repeats):
            yield from _flown(path, np.random.default_rng((seed, 700, k)))
        yield _calm(path, np.random.default_rng((seed, 701)))
    for k in range(4 * repeats):
        yield from _past(np.random.default_rng((seed, 702, k)))
        yield from _buzzed(np.random.default_rng((seed, 703, k)))


def _eye(rng: np.random.Generator) -> Eye:
    return Eye(
        hfov=float(rng.uniform(50, 95)), straight=bool(rng.integers(2)),
        readout=float(rng.uniform(0.006, 0.031)), exposure=float(rng.uniform(0.001, 0.006)),
    )  # fmt: skip


def _flown(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """A craft that shakes on all axes, sideways and up and down in two rhythms each."""
    eye = _eye(rng)
    waves = [
        Wave(axis, float(rng.uniform(0.3, 2)), float(rng.uniform(0.5, 5)), float(rng.uniform(0, 6)))
        for axis in (0, 1, 2, 0, 1)
    ]
    flight = fly(_SECONDS, waves, float(rng.uniform(2, 8)), rng)
    film(path, eye, flight, _SECONDS, rng)
    truth = 1e3 * eye.readout
    outcome = yield from asked(FLOWN, "readout_time", truth, lambda: measured(
        "readout", [path], {}, {"method": ["flight"], "steadying": ["off"]}))  # fmt: skip
    if outcome is not None:
        yield held(FLOWN, truth, outcome.results[0])


def _calm(path: Path, rng: np.random.Generator) -> Trial:
    film(path, _eye(rng), fly(_SECONDS, (), 0.0, rng), _SECONDS, rng)
    return must_refuse(CALM, "readout_time", lambda: measured(
        "readout", [path], {}, {"method": ["flight"], "steadying": ["off"]}))  # fmt: skip


def _past(rng: np.random.Generator) -> Iterator[Trial]:
    """Ground below a horizon, flown over: where the craft points, near ground drifts past.

    By the geometry of level flight: a point below the horizon by an angle a is h / tan a away.
    """
    readout, way = float(rng.uniform(0.005, 0.032)), shaken(rng, float(rng.uniform(2, 8)))
    speed, high = float(rng.uniform(3, 15)), float(rng.uniform(20, 80))
    focal, horizon = float(rng.uniform(300, 600)), float(rng.uniform(-0.4, 0.1))
    t = np.arange(-0.5, 11.5, 1 / 2000)
    summed = np.cumsum(way(t) - way(t).mean(axis=0), axis=0) / 2000
    pairs = []
    for k, p in enumerate(points_of(way, readout, 300, _RATE, rng, size=_SIZE)):
        y = p[:, 1] / _SIZE[1] - 0.5
        near = speed / high * np.maximum(y - horizon, 0) * _SIZE[1] / focal
        late = k / _RATE + y * readout
        drift = [np.interp(late + 1 / _RATE, t, s) - np.interp(late, t, s) for s in summed.T]
        p[:, 2:] -= near[:, None] * np.stack(drift, axis=1)
        ahead = np.stack([p[:, 0] - _SIZE[0] / 2, (y - horizon) * _SIZE[1]], axis=1)
        p[:, 2:] += near[:, None] / _RATE * ahead
        pairs.append(FramePair(k + 1, k / _RATE, (k + 1) / _RATE, p.astype(np.float32)))
    yield _judged(PAST, readout, pairs)


def _buzzed(rng: np.random.Generator) -> Iterator[Trial]:
    """A motor's vibration beside a little shaking: refused, or a right answer."""
    readout, slow = float(rng.uniform(0.005, 0.032)), shaken(rng, float(rng.uniform(1, 8)))
    frequency, size = float(rng.uniform(14, 100)), rng.uniform(0.5, 5, 2)
    made = points_of(
        lambda t: slow(t) + np.sin(2 * math.pi * frequency * t)[..., None] * size,
        readout, 300, _RATE, rng, size=_SIZE,
    )  # fmt: skip
    pairs = [
        FramePair(k + 1, k / _RATE, (k + 1) / _RATE, p.astype(np.float32))
        for k, p in enumerate(made)
    ]
    yield _judged(BUZZED, readout, pairs)


def _judged(group: str, readout: float, pairs: Sequence[FramePair]) -> Trial:
    truth = 1e3 * readout
    try:
        found = readout_of_flight(pairs, *_SIZE)
    except CannotMeasure as refusal:
        return Trial(group, "readout_time", truth, refused=refusal.message)
    value, u = 1e3 * abs(found.readout), 1e3 * found.u
    half = coverage_factor(found.dof) * u
    return Trial(group, "readout_time", truth, value, u, value - half, value + half)
