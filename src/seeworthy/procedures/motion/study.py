"""Accuracy of `motion`: rendered flights of known rotation, 320×180, H.264."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.procedures.study import (
    Goal,
    Study,
    Trial,
    asked,
    held,
    measured,
    must_refuse,
    one_scene,
)
from seeworthy.virtual.coders import record
from seeworthy.virtual.flight_view import Eye, Turning, Wave, film, fly

_SECONDS = 12.0
_AXES = ("pitch", "yaw", "roll")
_SIZES = "size of the rotation"
_SWING = "swing of 3 to 8 degrees"
_SHAKE = "vibration of 31 to 75 Hz by the rows"
_REFUSED = "sky without texture"


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield sizes, swing and vibration of every repeat, and a clip that must be refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for k in range(repeats):
            rng = np.random.default_rng((seed, k))
            yield from one_scene(f"{k} calm", _one(path, rng, shaken=False))
            yield from one_scene(f"{k} shaken", _one(path, rng, shaken=True))
        yield _refusal(path, seed)


def _one(path: Path, rng: np.random.Generator, *, shaken: bool) -> Iterator[Trial]:
    eye = Eye(
        hfov=float(rng.uniform(50, 95)), straight=bool(rng.integers(2)),
        readout=float(rng.uniform(0.012, 0.03)), exposure=float(rng.uniform(0.001, 0.006)),
    )  # fmt: skip
    axis = int(rng.integers(3))
    sway = Wave(axis, float(rng.uniform(3, 8)), 1 / float(rng.uniform(1.6, 3.2)), 1.0)
    # Not near a multiple of the frame rate, where no clip of that rate sees it.
    fast = float(rng.choice([rng.uniform(33, 57), rng.uniform(63, 75)]))
    shake = Wave(int(rng.integers(2)), float(rng.uniform(0.04, 0.1)), fast)
    flight = fly(_SECONDS, (sway, shake) if shaken else (sway,), float(rng.uniform(1, 6)), rng)
    film(path, eye, flight, _SECONDS, rng)
    # Read off a bench: a view with its uncertainty, a read-out with its own.
    view = eye.hfov + float(rng.normal(0, 0.5))
    readout = 1e3 * eye.readout + float(rng.normal(0, 0.3))
    truth = truths(flight, eye, _SECONDS)
    read = {"hfov": [f"{view} deg ± 0.5 deg"], "readout_time": [f"{readout} ms ± 0.3 ms"]}
    outcome = yield from asked(
        _SIZES, "rotation_rms", truth["pitch"][0], lambda: measured("motion", [path], read)
    )
    if outcome is None:
        return
    swung = told = False
    for r in outcome.results:
        if shaken and not r.measurand.startswith("vibration"):
            continue  # a rolling shutter shears what shakes: sizes are judged without
        if r.measurand in ("rotation_rms", "rotation_p95"):
            real = truth[str(r.conditions["axis"])][r.measurand == "rotation_p95"]
            yield held(_SIZES, real, r)
        elif r.measurand in ("swing_period", "swing") and r.conditions["axis"] == _AXES[axis]:
            swung = True
            real = sway.swing if r.measurand == "swing" else 1 / sway.frequency
            yield held(_SWING, real, r)
        elif r.measurand == "vibration_frequency":
            told = True
            yield held(_SHAKE, fast, r)
        elif r.measurand == "vibration":
            yield held(_SHAKE, shake.swing, r)
    if not swung and not shaken:
        yield Trial(_SWING, "swing", sway.swing, refused="no swing found")
    if shaken and not told:
        yield Trial(_SHAKE, "vibration_frequency", fast, refused="not told")


def truths(flight: Turning, eye: Eye, seconds: float) -> dict[str, tuple[float, float]]:
    """Return rms and 95th percentile of the mean rate between frames, deg/s, by axis."""
    frames = np.arange(int(seconds * eye.rate)) / eye.rate
    rate = np.degrees(flight.mean_rate(frames[:-1], frames[1:]))
    return {
        name: (
            float(np.sqrt((rate[:, i] ** 2).mean())),
            float(np.quantile(np.abs(rate[:, i]), 0.95)),
        )
        for i, name in enumerate(_AXES)
    }


def _refusal(path: Path, seed: int) -> Trial:
    """Fog: nothing to follow."""
    rng = np.random.default_rng(seed)
    fog = (128 + 0.7 * rng.standard_normal((180, 320)) for _ in range(60))
    record(path, (np.clip(f, 16, 235).astype(np.uint8) for f in fog), bit_rate=7_000_000)
    view = {"hfov": ["63 deg ± 1 deg"]}
    return must_refuse(_REFUSED, "unrest", lambda: measured("motion", [path], view))


STUDY = Study(
    id="motion",
    title="Motion: rotation of rendered flights, clips of 12 s, 320×180, H.264",
    run=run,
    goals={
        _SIZES: (Goal("rms_percent", 5.0), Goal("coverage", 0.93)),
        _SWING: (Goal("rms_percent", 5.0), Goal("coverage", 0.90)),
        _SHAKE: (Goal("coverage", 0.90),),
        _REFUSED: (Goal("right", 1.0),),
    },
)
