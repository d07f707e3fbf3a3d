"""Accuracy of `continuity`: recordings cut into files with known gaps, by every witness."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.continuity.measure import gaps_by_metadata
from seeworthy.procedures.study import Goal, Study, Trial, held, measured, must_refuse
from seeworthy.virtual.clock_screen import Screen, ScreenView
from seeworthy.virtual.clock_shots import Shots
from seeworthy.virtual.segments import Recorder, RoomScene, Written, record, room_sound
from seeworthy.virtual.sensor import RollingCamera

_LONG, _SHORT = "clock, exposure 1/30 to 1/60 s", "clock, exposure 1/240 s"
_SOUND, _STAMPS = "sound of files that overlap", "creation times, mean of nine gaps"
_RULE, _REFUSED = "segment rule by time or size", "files of two cameras"
_SMALL: dict[str, Any] = {"width": 64, "height": 48}


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield the gaps of every repeat, the rule found, and mixed files that must be refused."""
    for k in range(repeats):
        rng = np.random.default_rng((seed, k))
        yield from _by_clock(_LONG, float(rng.uniform(1 / 60, 1 / 30)), rng)
        yield from _by_clock(_SHORT, 1 / 240, rng)
        yield from _by_sound(rng)
        for _ in range(4):
            yield from _by_stamps(rng)
        yield _rule(rng, "time" if k % 2 else "size")
        yield _mixed(rng)


@dataclass(frozen=True)
class _Made:
    written: list[Written]
    outcome: Any


def _measured(recorder: Recorder, scene: RoomScene, rng: np.random.Generator, **more: Any) -> _Made:
    """Write a recording, hand its files over in any order, and measure it."""
    with tempfile.TemporaryDirectory() as folder:
        written = record(Path(folder), recorder, scene, seed=int(rng.integers(1 << 30)), **more)
        files = [written[i].path for i in rng.permutation(len(written))]
        try:
            return _Made(written, measured("continuity", files))
        except CannotMeasure as error:
            return _Made(written, error)


def clock_picture(
    rng: np.random.Generator, exposure: float
) -> Callable[[float], np.ndarray[Any, np.dtype[np.uint8]]]:
    """Return what a camera of 320×180 sees of the clock at a world second."""
    camera = RollingCamera(
        width=320, height=180, exposure=exposure, readout_time=float(rng.uniform(5e-3, 2.5e-2)),
        rate=30,
    )  # fmt: skip
    refresh, response = float(rng.choice([60, 90, 120])), float(rng.uniform(2e-3, 5e-3))
    screen = Screen(refresh=refresh, response=response)
    view = ScreenView(share=float(rng.uniform(0.85, 1.0)), tilt=float(rng.uniform(-15, 15)))
    shots = Shots(camera, screen, view, seed=int(rng.integers(1 << 30)))
    start = float(rng.uniform(0, 200_000))
    return lambda t: shots(start + t)


def _by_clock(group: str, exposure: float, rng: np.random.Generator) -> Iterator[Trial]:
    recorder = Recorder(
        seconds=6.0,
        gap=float(rng.uniform(-0.5, 3.0)),
        fast_ppm=float(rng.uniform(-100, 100)),
        bit_rate=1_500_000,
    )
    scene = RoomScene(clock_picture(rng, exposure), ends=1.7)
    made = _measured(recorder, scene, rng, files=2, last=4.0)
    yield from _gaps(group, "clock", made)


def _by_sound(rng: np.random.Generator) -> Iterator[Trial]:
    recorder = Recorder(
        **_SMALL,
        seconds=6.0,
        gap=float(rng.uniform(-3.0, -0.6)),
        fast_ppm=float(rng.uniform(-100, 100)),
        sound="cut",
    )
    scene = RoomScene(_grey, room_sound(int(rng.integers(1 << 30)), float(rng.uniform(0.003, 0.1))))
    yield from _gaps(_SOUND, "sound", _measured(recorder, scene, rng, files=2, last=6.5))


def _gaps(group: str, witness: str, made: _Made) -> Iterator[Trial]:
    truth = made.written[1].start - made.written[0].end
    if isinstance(made.outcome, CannotMeasure):
        yield Trial(group, "gap", truth, refused=made.outcome.message)
        return
    said = [r for r in made.outcome.results if r.conditions.get("method") == witness]
    gap = next((r for r in said if r.measurand == "gap"), None)
    if gap is None:
        yield Trial(group, "gap", truth, refused="no gap by this witness")
    else:
        yield held(group, truth, gap)


def _by_stamps(rng: np.random.Generator) -> Iterator[Trial]:
    """Stamps alone: ten files, a clock that is read to the second, another for the pictures."""
    gap, length = float(rng.uniform(0, 3)), float(rng.uniform(60, 1800))
    slow = 1 + float(rng.uniform(-1e-4, 1e-4))
    starts = float(rng.uniform(0, 1)) + np.arange(10) * (length * slow + gap)
    found = gaps_by_metadata(np.floor(starts).tolist(), [length] * 10)
    value, u = float(np.mean(found.gaps)), found.total_u / 9
    yield Trial(_STAMPS, "gap", gap, value, u, *interval(value, u))


def _rule(rng: np.random.Generator, rule: Any) -> Trial:
    """A file rule is right (1) or wrong; pictures whose bit rate comes and goes."""
    turn = float(rng.uniform(0, 6.28))

    def busy(t: float) -> np.ndarray[Any, np.dtype[np.uint8]]:
        high = 8 + int(16 * (1 + np.sin(t / 5 + turn)))
        luma = np.full((48, 64), 110, np.uint8)
        luma[:high] = np.random.default_rng(int(t * 30)).integers(20, 230, (high, 64))
        return luma

    recorder = Recorder(**_SMALL, rule=rule, seconds=5.0, limit=600_000)
    made = _measured(recorder, RoomScene(busy), rng, files=4, last=1.0)
    right = made.outcome.findings["segment_rule"] == rule
    return Trial(_RULE, "rule", 1.0, 1.0 if right else None, refused="" if right else "wrong")


def _mixed(rng: np.random.Generator) -> Trial:
    wide = int(rng.choice([72, 80, 96]))
    with tempfile.TemporaryDirectory() as folder:
        ours = record(Path(folder), Recorder(**_SMALL, seconds=1.0), RoomScene(_grey), files=2)
        scene = RoomScene(lambda t: np.full((48, wide), 90, np.uint8))
        other = Recorder(width=wide, height=48, prefix="DUN")
        theirs = record(Path(folder), other, scene, files=1, last=1.0)
        files = [w.path for w in (*ours, *theirs)]
        return must_refuse(_REFUSED, "gap", lambda: measured("continuity", files))


def _grey(t: float) -> np.ndarray[Any, np.dtype[np.uint8]]:
    return np.full((48, 64), 100 + int(t) % 50, np.uint8)


_COVERS = Goal("coverage", 0.90)
STUDY = Study(
    id="continuity",
    title="Continuity: gaps between files, 30 Hz, H.264 and AAC",
    run=run,
    goals={
        _LONG: (Goal("max", 5e-3, "largest error at most 5 ms"), _COVERS),
        _SHORT: (Goal("max", 5e-3, "largest error at most 5 ms"), _COVERS),
        _SOUND: (Goal("max", 5e-3, "largest error at most 5 ms"), _COVERS),
        _STAMPS: (_COVERS,),
        _RULE: (Goal("right", 1.0),),
        _REFUSED: (Goal("right", 1.0),),
    },
)
