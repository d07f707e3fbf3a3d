"""Accuracy of `brightness`: clips whose clipped and black parts are drawn, 320×180, H.264."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.media.write import ClipWriter
from seeworthy.procedures.study import Goal, Study, Trial, held, measured

SHARE = "share of the picture"
LOST = "a stretch that is all black or white"
_WIDTH, _HEIGHT, _FRAMES, _RATE = 320, 180, 240, 30


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield both shares of every clip, and the ends of a stretch that is lost."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for k in range(repeats):
            yield from _one(path, np.random.default_rng((seed, k)))


def _one(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    base, swing = rng.uniform(0.01, 0.25), rng.uniform(0.2, 0.9)
    dark = rng.uniform(0.0, 0.2)
    phase, hz = rng.uniform(0, 6), rng.uniform(0.2, 0.6)
    start, length = int(rng.integers(40, 150)), int(rng.integers(12, 60))
    to_white = bool(rng.integers(2))
    texture = rng.uniform(0.15, 0.75, (_HEIGHT // 6, _WIDTH // 8)).repeat(6, 0).repeat(8, 1)
    column = np.arange(_WIDTH)[None, :].repeat(_HEIGHT, 0)
    white, black = [], []
    with ClipWriter(path, _WIDTH, _HEIGHT, rate=_RATE, bit_rate=1_500_000) as clip:
        for i in range(_FRAMES):
            light = texture.copy()
            edge = _WIDTH * base * (1 + swing * math.sin(2 * math.pi * hz * i / _RATE + phase))
            light[column < edge] = 1.4
            light[column >= _WIDTH * (1 - dark)] = -0.3
            if start <= i < start + length:
                light[:] = 1.4 if to_white else -0.3
            white.append(float((light > 1).mean()))
            black.append(float((light < 0).mean()))
            noisy = light + 0.008 * rng.standard_normal(light.shape)
            codes = np.round(16 + 219 * np.clip(noisy, 0, 1))
            clip.write_luma(codes.astype(np.uint8), i / _RATE)
    outcome = measured("brightness", [path])
    for r, truth in zip(outcome.results, (white, black), strict=True):
        yield held(SHARE, 100 * float(np.mean(truth)), r)
    found = outcome.findings["white_stretches" if to_white else "black_stretches"]
    for name, end, frame in (("from", 0, start), ("to", 1, start + length)):
        if len(found) == 1:
            yield Trial(LOST, name, frame / _RATE, found[0][end])
        else:
            yield Trial(LOST, name, frame / _RATE, refused=f"{len(found)} stretches")


STUDY = Study(
    id="brightness",
    title="Brightness: drawn clips of 8 s, 320×180, H.264",
    run=run,
    goals={
        SHARE: (Goal("rms", 0.7), Goal("coverage", 0.95)),
        LOST: (Goal("max", 0.04), Goal("right", 1.0)),
    },
)
