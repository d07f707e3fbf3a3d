"""Study of `stream`: is a camera that steadies its picture found, and no other called so?

Rendered flights go through the encoder; made points (rows read one after the other along a
known way, no coder) are many more, with what passes for steadying: vibration near the frame
rate, ground that passes below, near things in the foreground.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_tracks import FramePair
from seeworthy.observe.steadied import tell_steadied
from seeworthy.procedures.study import Goal, Study, Trial, measured
from seeworthy.virtual.coders import record
from seeworthy.virtual.flight_view import Eye, Turning, Wave, fly, frames
from seeworthy.virtual.row_points import Depth, Way, points_of, shaken
from seeworthy.virtual.steadied import Steadier

Floats = npt.NDArray[np.float64]
Shown = list[tuple[float, npt.NDArray[np.uint8]]]

_SECONDS, _RATE, _MARGIN = 6.0, 30.0, 24
_FREE = "not steadied: called so (must not)"
_HELD = "steadied, flights of 6 s, H.264: found"
_DENIED = "steadied: called not steadied (must not)"
_POINTS = "points of frames: "
_STEADIERS: tuple[tuple[str, Steadier], ...] = (
    ("smoothed over 0.2 s", Steadier(0.2, margin=_MARGIN)),
    ("over 0.5 s, 5 % left", Steadier(0.5, 0.95, _MARGIN)),
    ("over 1 s, window jumps back", Steadier(1.0, 1.0, _MARGIN, recentre=True)),
)


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield flights (`repeats`) and made points (25 times as many)."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):
            yield from _flight(Path(folder) / "clip.mp4", np.random.default_rng((seed, k)))
    for k in range(25 * repeats):
        yield from _points(np.random.default_rng((seed, 1000 + k)))


def _flight(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    eye = Eye(
        width=320 + 2 * _MARGIN, height=180 + 2 * _MARGIN, hfov=float(rng.uniform(50, 95)),
        straight=bool(rng.integers(2)), readout=float(rng.uniform(0.008, 0.03)),
        exposure=float(rng.uniform(0.001, 0.006)),
    )  # fmt: skip
    waves = [
        Wave(
            axis, float(rng.uniform(0.1, 0.5)), float(rng.uniform(1.5, 8)), float(rng.uniform(0, 6))
        )
        for axis in (0, 1, 0, 1)
    ]
    flight = fly(_SECONDS, waves, float(rng.uniform(3, 12)), rng)
    shown = list(frames(eye, flight, _SECONDS, rng))
    said = _said(path, shown, Steadier(margin=_MARGIN), np.zeros((len(shown), 2)))
    yield _judged(_FREE, said == "yes", should=False)
    for name, steadier in _STEADIERS:
        said = _said(path, shown, steadier, _window(steadier, flight, eye, shown))
        yield _judged(f"{_HELD}, {name}", said == "yes", should=True)
        yield _judged(_DENIED, said == "no", should=False)


def _window(steadier: Steadier, flight: Turning, eye: Eye, shown: Shown) -> Floats:
    return steadier.window(flight.way([t for t, _ in shown], eye.focal), eye.rate)


def _said(path: Path, shown: Shown, steadier: Steadier, window: Floats) -> str:
    record(path, steadier.frames(shown, window), rate=round(_RATE), bit_rate=1_500_000)
    return str(measured("stream", [path]).findings["steadied"])


def _judged(group: str, told: bool, *, should: bool) -> Trial:
    """Count a yes where it should be, or where it should not."""
    return Trial(
        group, "steadied", 1.0, 1.0 if told else None, refused="" if told else "not told",
        should_refuse=not should,
    )  # fmt: skip


def _points(rng: np.random.Generator) -> Iterator[Trial]:
    readout = float(rng.uniform(0.005, 0.032))
    way = shaken(rng, float(rng.uniform(1, 8)))
    for name, moved, depth in (
        ("shaken by hand or wind", way, None),
        ("vibration of 14 to 100 Hz", _buzz(rng, shaken(rng, 0.4)), None),
        ("ground passes below", way, _ground(rng)),
    ):
        said = _told(moved, readout, rng, depth=depth)
        yield _judged(f"{_POINTS}{name}, called steadied (must not)", said == "yes", should=False)
    steadier = Steadier(float(rng.uniform(0.2, 1.0)), margin=60)
    times = np.arange(181) / _RATE
    said = _told(way, readout, rng, window=steadier.window(way(times), _RATE))
    yield _judged(f"{_POINTS}steadied over 0.2 to 1 s, found", said == "yes", should=True)
    yield _judged(f"{_POINTS}{_DENIED}", said == "no", should=False)


def _buzz(rng: np.random.Generator, slow: Way) -> Way:
    frequency, size = float(rng.uniform(14, 100)), rng.uniform(0.5, 5, 2)

    def way(t: Floats) -> Floats:
        return np.asarray(slow(t) + np.sin(2 * math.pi * frequency * t)[..., None] * size)

    return way


def _ground(rng: np.random.Generator) -> Depth:
    """A plane up to a horizon somewhere in or above the picture, or near things below."""
    horizon, steep = float(rng.uniform(-0.8, 0.2)), float(rng.uniform(0.5, 2))
    near = bool(rng.random() < 0.3)

    def moves(y: Floats) -> Floats:
        return np.asarray(1 + steep * (y > horizon) if near else steep * np.maximum(y - horizon, 0))

    return moves


def _told(
    way: Way,
    readout: float,
    rng: np.random.Generator,
    *,
    window: Floats | None = None,
    depth: Depth | None = None,
) -> str:
    made = points_of(way, readout, 180, _RATE, rng, window=window, depth=depth)
    pairs = [
        FramePair(k + 1, k / _RATE, (k + 1) / _RATE, p.astype(np.float32))
        for k, p in enumerate(made)
    ]
    return tell_steadied(pairs, 640, 360).state


_NONE = (Goal("right", 1.0, "none"),)
STUDY = Study(
    "stream",
    "Steadying found in rendered flights (320×180, H.264) and in made points (640×360)",
    run,
    {
        _FREE: _NONE,
        _DENIED: _NONE,
        f"{_POINTS}{_DENIED}": _NONE,
        f"{_POINTS}shaken by hand or wind, called steadied (must not)": _NONE,
        f"{_POINTS}vibration of 14 to 100 Hz, called steadied (must not)": _NONE,
        f"{_POINTS}ground passes below, called steadied (must not)": _NONE,
        f"{_POINTS}steadied over 0.2 to 1 s, found": (Goal("right", 0.8, "found"),),
        **{f"{_HELD}, {name}": (Goal("right", 0.8, "found"),) for name, _ in _STEADIERS},
    },
)
