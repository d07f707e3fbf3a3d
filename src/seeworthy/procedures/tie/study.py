"""Accuracy of `tie`: knocks in rendered clips with sound, and in logs of another clock."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured

Floats = npt.NDArray[np.float64]

BY_PICTURE, BY_READING = "knocks, sound by the picture", "knocks, sound by a reading"
QUIET, EVEN = "no knock in the log: refused", "another clip's log: refused"
_RATE, _WIDTH, _HEIGHT = 30, 160, 96
_SOUND = 48000
_KNOCKS = (1.2, 1.55, 2.6, 8.1, 9.0, 9.35)


@dataclass(frozen=True, slots=True)
class Knocked:
    """One clip and log.

    Attributes:
        offset: s to add to the clip's time to get the log's, at time 0 of the clip.
        rate: Of the log's clock against the clip's, less 1.
        late: s by which the sound is late.
        exposure: s
        step: Of the log, s.
        swing, ring: Largest swing of the picture at a knock, px, and its rhythm, Hz.
        knocks: s of the clip.
    """

    offset: float
    rate: float
    late: float
    exposure: float
    step: float
    swing: float
    ring: float
    knocks: tuple[float, ...]


def random_case(rng: np.random.Generator) -> Knocked:
    """Return a camera and a logger."""
    return Knocked(
        float(rng.uniform(-30, 60)), float(rng.normal(0, 60e-6)), float(rng.uniform(-0.02, 0.06)),
        float(rng.uniform(1e-3, 0.03)), float(rng.choice([0.0025, 0.005, 0.01, 0.02])),
        float(rng.uniform(5, 9)), float(rng.uniform(5, 11)),
        tuple(float(k + rng.uniform(-0.05, 0.05)) for k in _KNOCKS),
    )  # fmt: skip


def _ring(since: Floats, decay: float, frequency: float) -> Floats:
    """Return a knock's ringing at seconds after it, 0 before."""
    late = np.maximum(since, 0.0)
    return np.asarray(np.exp(-late / decay) * np.sin(2 * np.pi * frequency * late))


def film(path: Path, case: Knocked, rng: np.random.Generator) -> None:
    """Write 11 s of a still view that rings at every knock, with its sound."""
    ground = rng.integers(40, 200, (_HEIGHT // 4 + 8, _WIDTH // 4 + 8)).astype(np.float32)
    ground = np.kron(ground, np.ones((4, 4), np.float32))
    with ClipWriter(path, _WIDTH, _HEIGHT, _RATE, sound=(_SOUND, 1)) as clip:
        sound = rng.normal(0, 1e-3, 11 * _SOUND)
        t = np.arange(sound.size) / _SOUND
        for at in case.knocks:
            sound += float(rng.uniform(0.2, 0.6)) * _ring(t - at - case.late, 0.012, 900)
        for i in range(11 * _RATE):
            moments = i / _RATE + np.linspace(0, case.exposure, 8)
            swing = np.zeros(8)
            for at in case.knocks:
                swing += case.swing * _ring(moments - at, 0.1, case.ring)
            shown = [ground[12:, 12 + round(s) :][:_HEIGHT, :_WIDTH] for s in swing]
            noisy = np.mean(shown, axis=0) + rng.normal(0, 1.5, (_HEIGHT, _WIDTH))
            clip.write_luma(np.clip(noisy, 16, 235).astype(np.uint8))
            clip.write_sound(sound[i * _SOUND // _RATE : (i + 1) * _SOUND // _RATE])


def log(path: Path, case: Knocked, knocks: tuple[float, ...], rng: np.random.Generator) -> None:
    """Write the logger's record, longer than the clip: g on three axes against its own clock."""
    own = case.offset + np.arange(-4, 15, case.step)
    clip = (own - case.offset) / (1 + case.rate)
    accel = rng.normal(0, 0.01, (own.size, 3)) + np.array([0.02, -0.05, 1.0])
    for at in knocks:
        since = clip[:, None] - at - np.linspace(0, case.step, 16)[None, :]
        shock = _ring(since, 0.008, 60)
        peak = np.abs(shock).max() or 1.0
        accel += float(rng.uniform(2, 6)) * (shock.mean(axis=1) / peak)[:, None] * (0.3, 0.2, 0.9)
    rows = [f"{t:.4f},{x:.3f},{y:.3f},{z:.3f}" for t, (x, y, z) in zip(own, accel, strict=True)]
    path.write_text("time (s),accel x (g),accel y (g),accel z (g)\n" + "\n".join(rows) + "\n")


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera, logger and offset."""
    for group, rng in cases(repeats, seed, (BY_PICTURE, BY_READING, QUIET, EVEN), (QUIET, EVEN)):
        case = random_case(rng)
        logged = {QUIET: (), EVEN: (2.0, 3.1, 4.0, 7.0)}.get(group, case.knocks)
        wrong = group in (QUIET, EVEN)
        with tempfile.TemporaryDirectory() as name:
            paths = Path(name) / "clip.mp4", Path(name) / "log.csv"
            film(paths[0], case, rng)
            log(paths[1], case, logged, rng)
            off = rng.normal(0, 2)
            said = {"av_offset": [f"{1e3 * case.late + off:.2f} ms ± 2 ms"]}
            middle = float(np.mean(case.knocks))
            truth = 1e3 * (case.offset + case.rate * middle)
            outcome = yield from asked(
                group, "log_offset", truth,
                lambda paths=paths, said=said, group=group: measured(  # type: ignore[misc]
                    "tie", {"": [paths[0]], "log": [paths[1]]},
                    said if group == BY_READING else {},
                ),
                should_refuse=wrong,
            )  # fmt: skip
        if outcome is not None:
            yield held(group, truth, outcome.results[0], should_refuse=wrong)
            if not wrong:
                yield held(group, 1e6 * case.rate, outcome.results[1])


STUDY = Study(
    id="tie",
    title="Knocks in sound, picture and log, 160×96 at 30 frames/s",
    run=run,
    goals={
        BY_PICTURE: (Goal("coverage", 0.90),),
        BY_READING: (Goal("coverage", 0.90),),
        QUIET: (Goal("right", 1.0),),
        EVEN: (Goal("right", 1.0),),
    },
)
