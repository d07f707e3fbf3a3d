"""Accuracy of `dark`: covered cameras whose level, hot pixels and stripes are known."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured, must_refuse
from seeworthy.virtual.dark_frame import DarkCamera

RATE = 10
FRAMES = 240
FULL = 219.0  # codes of the limited range, BT.709-6 item 4
HOT = 0.04 * FULL
PLAIN, FAINT, CODED = "not coded", "black cut, not coded", "H.264, 1 bit a pixel"
LIT, OPENED, LAMP = "light leaks: refused", "cover comes off: refused", "lamp in view: refused"


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat is another camera."""
    wrong = (LIT, OPENED, LAMP)
    for group, rng in cases(repeats, seed, (PLAIN, FAINT, CODED, *wrong), wrong):
        yield from (_wrong if group in wrong else _one)(group, rng)


def random_camera(rng: np.random.Generator, faint: bool = False) -> DarkCamera:
    """Return a covered camera; a faint one stands so near to black that it cuts the noise."""
    width, height = 320, 240
    number = int(rng.integers(0, 40))
    places = rng.choice(width * height // 64, number, replace=False)
    hot = tuple(
        (int(p % (width // 8) * 8 + 4), int(p // (width // 8) * 8 + 4), float(s))
        for p, s in zip(places, rng.exponential(20, number) + 3, strict=True)
    )
    noise = float(rng.uniform(0.3, 1.0) if faint else rng.uniform(0.6, 2.5))
    return DarkCamera(
        width,
        height,
        level=float(rng.uniform(0, 1.5) if faint else 4 * noise + rng.uniform(2, 6)),
        warming=float(rng.uniform(0, 4)),
        settling=float(rng.uniform(5, 60)),
        noise=noise,
        pattern=float(rng.uniform(0, 0.5)),
        rows=0.0 if faint else float(rng.uniform(0, 0.6)),
        columns=0.0 if faint else float(rng.uniform(0, 0.6)),
        glow=float(rng.uniform(0, 4)),
        hot=hot,
    )


def film(
    path: Path, camera: DarkCamera, rng: np.random.Generator, bit_rate: int | None, light: Any = 0.0
) -> tuple[Any, Any, Any, Any]:
    """Write a clip; return mean signal of each frame, mean picture, row and column offsets.

    Args:
        light: Added to the signal of a frame: a number, (H, W), or a function of its number.
    """
    still, rows, columns = camera.still(rng)
    options = {} if bit_rate else {"qp": "0", "g": "10"}
    levels, total = [], np.zeros(still.shape)
    with ClipWriter(path, camera.width, camera.height, RATE, bit_rate=bit_rate,
                    options=options) as writer:  # fmt: skip
        for i, (codes, signal) in enumerate(camera.film(still, FRAMES, RATE, rng)):
            more = light(i) if callable(light) else light
            writer.write_luma(np.clip(np.rint(codes + more), 0, 255).astype(np.uint8))
            levels.append(signal.mean())
            total += signal
    return np.array(levels), total / FRAMES, rows, columns


def _one(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    camera = random_camera(rng, group == FAINT)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dark.mp4"
        made = film(path, camera, rng, 800_000 if group == CODED else None)
        outcome = yield from asked(group, "dark_level", 0.0, lambda: measured("dark", [path]))
    if outcome is not None:
        yield from _held(group, camera, made, outcome)


def _held(group: str, camera: DarkCamera, made: Any, outcome: Outcome) -> Iterator[Trial]:
    levels, _, rows, columns = made
    fifth = FRAMES // 5
    apart = (FRAMES - fifth) / RATE / 60
    rise = (levels[-fifth:].mean() - levels[:fifth].mean()) / apart
    truth = {
        ("dark_level", ""): levels.mean() / FULL * 100,
        ("dark_growth", ""): rise / FULL * 100,
        ("hot_pixels", ""): float(sum(s > HOT for _, _, s in camera.hot)),
        ("dark_banding", "rows"): float(rows.std()) / FULL * 100,
        ("dark_banding", "columns"): float(columns.std()) / FULL * 100,
    }
    for r in outcome.results:
        key = (r.measurand, str(r.conditions.get("orientation", "")))
        name = f"{group}: {' '.join(key).strip()}"
        if group == FAINT and key[0] == "hot_pixels":
            continue  # black takes the foot off a dot: as delivered it is weaker than as made
        if group == FAINT and key[0] == "dark_banding":
            continue
        yield held(name, truth[key], r)


def _wrong(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    camera = replace(random_camera(rng), glow=0.0)
    y, x = np.mgrid[0 : camera.height, 0 : camera.width]
    if group == LIT:
        light: Any = 60 * np.exp(-((x / camera.width) ** 2) * 4)
    elif group == OPENED:
        start = int(rng.integers(150, FRAMES - 10))

        def light(i: int) -> float:
            return 40.0 if i >= start else 0.0
    else:
        far = np.hypot(x - rng.uniform(60, 260), y - rng.uniform(60, 180))
        light = 120 / (1 + np.exp((far - rng.uniform(6, 12)) * 2))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dark.mp4"
        film(path, camera, rng, None, light)
        yield must_refuse(group, "dark_level", lambda: measured("dark", [path]))


_WHAT = ("dark_level", "dark_growth", "hot_pixels", "dark_banding rows", "dark_banding columns")
STUDY = Study(
    id="dark",
    title="Dark clips of covered cameras, 320×240, 24 s",
    run=run,
    goals={
        **{f"{PLAIN}: {what}": (Goal("coverage", 0.90),) for what in _WHAT},
        **{f"{FAINT}: {what}": (Goal("coverage", 0.90),) for what in _WHAT[:2]},
        **{name: (Goal("right", 1.0),) for name in (LIT, OPENED, LAMP)},
    },
)
