"""Accuracy of `card-test`: recordings from which a card's waits take frames by chance."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from seeworthy.media.write import ClipWriter
from seeworthy.procedures.study import Goal, Study, Trial, cases, held, measured

WAITS, KEEPS_UP = "a card that waits now and then", "a card that keeps up"
_RATE, _SECONDS = 30, 100


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield rates of waits and shares of frames against the process that made them."""
    with tempfile.TemporaryDirectory() as folder:
        for group, rng in cases(repeats, seed, (WAITS, KEEPS_UP), (KEEPS_UP,)):
            yield from _one(group, Path(folder) / "clip.mp4", rng)


def _one(group: str, path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Waits come as a Poisson process, each of a geometric number of frames, mean 1 to 6."""
    often = float(rng.uniform(2, 12)) if group == WAITS else 0.0  # in a minute
    each = float(rng.uniform(1, 6))
    frames = _RATE * _SECONDS
    per_frame = often / 60 / _RATE
    with ClipWriter(path, 64, 48, _RATE, bit_rate=200_000, options={"preset": "ultrafast"}) as clip:
        k = 0
        while k < frames:
            clip.write_luma(np.full((48, 64), 60 + k % 90, np.uint8), k / _RATE)
            k += 1 + (int(rng.geometric(1 / each)) if rng.random() < per_frame else 0)
    found = {r.measurand: r for r in measured("card-test", [path]).results}
    longer = 1 + per_frame * each  # waits take time of their own
    yield held(group, often / longer, found["card_wait_rate"])
    yield held(group, 100 * per_frame * each / longer, found["card_loss"])


STUDY = Study(
    id="card-test",
    title="Memory cards: waits and frames lost, drawn recordings of 100 s",
    run=run,
    goals={WAITS: (Goal("coverage", 0.93),), KEEPS_UP: (Goal("coverage", 0.95),)},
)
