"""Clock study: the bench clock filmed by the virtual camera, through H.264 at 7 Mbit/s, and read.

Every frame is one trial. A screen's pixels answer late by a constant that no picture tells; the
mean error of each clip, which holds it, is taken off the time errors and shown in a group of its
own. Screens have 25 to 120 % of the frame's width, tilt up to 30 degrees, 60, 90 or 120 updates a
second, pixels that answer in 1 to 4 ms; cameras read out in 8 to 25 ms and shake a little.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.quantities import Quantity
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.procedures.study import Goal, Study, Trial, one_scene
from seeworthy.procedures.timing.clocked import judge, results
from seeworthy.virtual.clock_screen import ClockRecording, Screen, ScreenView, film
from seeworthy.virtual.sensor import RollingCamera

_FRAMES = 40
_NO_SCREEN = Quantity(0.0, "ppm", 0.0)


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield the trials of each repeat: a clip per exposure, one of a minute, one with losses."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):
            rng = np.random.default_rng((seed, k))
            path = Path(folder) / "clock.mp4"
            for name, exposure in (("1/30", 1 / 30), ("1/60", 1 / 60), ("1/240", 1 / 240)):
                yield from one_scene(f"{k}", _times(path, rng, name, exposure))
            yield from _rate(path, rng, (1 / 60, 1 / 240, 1 / 30)[k % 3])
            yield from _losses(path, rng)
            yield from _rate(path, rng, (1 / 60, 1 / 240, 1 / 30)[k % 3], minutes=10)


def _scene(rng: np.random.Generator) -> tuple[Screen, ScreenView, RollingCamera]:
    screen = Screen(
        refresh=float(rng.choice([60, 60, 60, 90, 120])),
        scan=float(rng.uniform(0.92, 0.98)),
        response=float(rng.uniform(1e-3, 4e-3)),
    )
    view = ScreenView(
        share=float(rng.choice([0.25, 0.4, 0.7, 1.0, 1.2])),
        tilt=float(rng.uniform(-30, 30)),
        roll=float(rng.uniform(-5, 5)),
        gain=float(rng.uniform(0.5, 1.0)),
        shake=float(rng.uniform(0, 0.3)),
    )
    # A real camera's rate is never in step with the screen's.
    camera = RollingCamera(
        rate=30.0 * (1 + float(rng.uniform(-3e-3, 3e-3))),
        readout_time=float(rng.uniform(8e-3, 25e-3)),
    )
    return screen, view, camera


def _times(path: Path, rng: np.random.Generator, name: str, exposure: float) -> Iterator[Trial]:
    screen, view, camera = _scene(rng)
    camera = replace(camera, exposure=exposure)
    take = ClockRecording(
        frames=_FRAMES, start=float(rng.uniform(1, 2e5)), jitter=2e-4,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    truth = film(path, camera, screen, view, take)
    watcher = ClockWatch()
    watch(Source(path, path.name), [watcher])
    track = watcher.track()
    error = dict(
        zip(track.index.tolist(), ((track.time - truth.time[track.index]) * 1e3), strict=True)
    )
    u = dict(zip(track.index.tolist(), track.u * 1e3, strict=True))
    constant = float(np.mean(list(error.values()))) if error else 0.0
    group = f"time of a frame, exposure {name} s"
    for frame in range(_FRAMES):
        if frame not in error:
            yield Trial(group, "clock time, ms", 0.0, refused="not read")
            continue
        off = error[frame] - constant
        half = 2 * float(u[frame])
        yield Trial(group, "clock time, ms", 0.0, off, float(u[frame]), off - half, off + half)
    yield Trial(
        "constant of the screen (pixels, scan)", "clock time, ms", -screen.response * 1e3, constant
    )


def _rate(
    path: Path, rng: np.random.Generator, exposure: float, minutes: int = 1
) -> Iterator[Trial]:
    """A minute in 120 pictures, or ten in 300, of a size that is quick to render."""
    frames = 120 if minutes == 1 else 300
    screen, view, camera = _scene(rng)
    ppm = float(rng.uniform(-80, 80))
    camera = replace(camera, width=640, height=360, exposure=exposure)
    camera = replace(camera, rate=camera.rate * frames / (1800 * minutes))
    view = replace(view, share=max(view.share, 0.5))
    take = ClockRecording(
        frames=frames, start=float(rng.uniform(1, 2e5)), camera_ppm=ppm,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    film(path, camera, screen, view, take)
    watcher = ClockWatch()
    watch(Source(path, path.name), [watcher])
    said = results(judge(watcher, _NO_SCREEN))[0]
    span = "60 s" if minutes == 1 else "10 min"
    name = f"rate over {span}, exposure 1/{round(1 / exposure)} s"
    yield Trial(name, "rate_error", ppm, said.value, said.u, *said.interval)


def _losses(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Pictures lost before they were stamped, at any exposure."""
    screen, view, camera = _scene(rng)
    camera = replace(
        camera, width=640, height=360, exposure=float(rng.choice([1 / 30, 1 / 60, 1 / 240]))
    )
    view = replace(view, share=max(view.share, 0.5))
    lost = frozenset(int(k) for k in rng.choice(np.arange(5, 60), 4, replace=False))
    take = ClockRecording(frames=72, start=float(rng.uniform(1, 2e5)), hidden=lost, jitter=2e-4)
    film(path, camera, screen, view, take)
    watcher = ClockWatch()
    watch(Source(path, path.name), [watcher])
    found = judge(watcher, _NO_SCREEN).hidden
    wanted = [number - sum(other <= number for other in sorted(lost)) for number in sorted(lost)]
    group = "lost pictures that the stamps hide"
    for before in wanted:
        hit = before in found
        yield Trial(group, "hidden_drops, found", 1.0, 1.0 if hit else None)
    invented = [frame for frame in found if frame not in wanted]
    yield Trial(
        group, "hidden_drops, none invented", 0.0, float(len(invented)) if invented else None,
        should_refuse=True,
    )  # fmt: skip


_READ = Goal("right", 0.99, "read in 99 % of frames")
_COVERAGE = Goal("coverage", 0.90, "95 % intervals hold the truth")
_RATE = Goal("max", 3.0, "within 3 ppm over 60 s")
_RATE_LONG = Goal("max", 0.5, "within 0.5 ppm over 10 min")

STUDY = Study(
    id="clock",
    title="On-screen clock: time of a frame, rate of the camera's clock, losses the stamps hide",
    run=run,
    goals={
        "time of a frame, exposure 1/30 s": (_READ, Goal("rms", 0.5, "0.5 ms rms"), _COVERAGE),
        "time of a frame, exposure 1/60 s": (_READ, Goal("rms", 0.5, "0.5 ms rms"), _COVERAGE),
        "time of a frame, exposure 1/240 s": (_READ, Goal("rms", 2.5, "2.5 ms rms"), _COVERAGE),
        "rate over 60 s, exposure 1/30 s": (_RATE, _COVERAGE),
        "rate over 60 s, exposure 1/60 s": (_RATE, _COVERAGE),
        "rate over 60 s, exposure 1/240 s": (_RATE, _COVERAGE),
        **{f"rate over 10 min, exposure 1/{e} s": (_RATE_LONG, _COVERAGE) for e in (30, 60, 240)},
        "lost pictures that the stamps hide": (Goal("right", 1.0, "every one, none invented"),),
    },
)
