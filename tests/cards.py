"""Small clips of slates for the tests of import: rendered, tilted, noisy, through H.264."""

from __future__ import annotations

import numpy as np

from seeworthy.media.write import ClipWriter
from seeworthy.virtual.planar import Lens, Paint, Pose, Shot, photograph

WIDTH, HEIGHT = 640, 360


def card_frame(layout, rng, *, scale=None, tilt=18.0):
    """Return luma of a hand-held slate: turned, tilted, off centre, in its own light."""
    lens = Lens.of_view(WIDTH, HEIGHT, 70.0, k=(-0.12, 0.02))
    paints, base = [], 0.18
    sheet = np.array([(-8, -8), (layout.width + 8, -8), (layout.width + 8, layout.height + 8),
                      (-8, layout.height + 8)], float)  # fmt: skip
    paints.append(Paint(sheet, 0.82 - base))
    paints += [Paint(np.array(p, float), 0.78 * step) for p, step in layout.painting()]
    share = scale or rng.uniform(0.62, 0.95)
    distance = lens.fx * layout.width / (share * WIDTH)
    pose = Pose.facing(
        distance,
        pivot=(layout.width / 2, layout.height / 2),
        at=(rng.uniform(-0.04, 0.04) * distance, rng.uniform(-0.03, 0.03) * distance),
        tilt=(rng.uniform(-tilt, tilt), rng.uniform(-tilt, tilt)),
        roll=rng.uniform(-12, 12),
    )
    seen = photograph(paints, base, lens, Shot(pose, oversample=1))
    light = rng.uniform(0.35, 1.0)
    return 16 + 219 * np.clip(light * seen, 0, 1) ** 0.45


def scene_frame(rng, texture, shift):
    """Return luma of something that is no slate."""
    return np.roll(texture, shift, axis=1)


def clip(path, rng, layout=None, *, seconds=1.6, rate=10, blur=0.0):
    """Write a clip that begins with a slate (where there is one) and goes on with a scene."""
    texture = 120 + 40 * np.kron(rng.standard_normal((HEIGHT // 24, WIDTH // 32)),
                                 np.ones((24, 32)))  # fmt: skip
    card = card_frame(layout, rng) if layout is not None else None
    with ClipWriter(path, WIDTH, HEIGHT, rate, bit_rate=900_000) as writer:
        for i in range(int(seconds * rate)):
            picture = card if card is not None and i < 0.6 * seconds * rate else (
                scene_frame(rng, texture, 5 * i))  # fmt: skip
            picture = np.roll(picture, (i % 3, -(i % 2)), (0, 1))
            if blur:
                picture = (picture + np.roll(picture, int(blur), 1)) / 2
            noisy = picture + 4 * rng.standard_normal(picture.shape)
            writer.write_luma(np.clip(noisy, 0, 255).astype(np.uint8))
    return path
