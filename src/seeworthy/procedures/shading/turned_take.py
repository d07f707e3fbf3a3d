"""Whether two flat fields, one with the camera turned by 180°, are of the same lens."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

MOST = 0.06
"""Stops rms that the even part of the difference may have: coding and a little exposure drift."""


def even_difference(field: npt.NDArray[np.floating], turned: npt.NDArray[np.floating]) -> float:
    """Return how far, in stops rms, two takes differ in a way that no lamp explains.

    In the camera's frame the lens stays and the lamp turns, so half the difference of the
    logarithms is the lamp's odd part: it changes its sign through the centre. What keeps its sign,
    beyond a constant for the exposure, is another lens, zoom or tone.

    Args:
        field, turned: array (rows, columns, 3). Block means of linear RGB over the whole frame,
            above zero.
    """
    logs = [np.log2(np.maximum(f.mean(axis=2), 1e-9)) for f in (field, turned)]
    half = (logs[0] - logs[1]) / 2
    even = (half + half[::-1, ::-1]) / 2
    return float(even.std())


def check_same_lens(field: npt.NDArray[np.floating], turned: npt.NDArray[np.floating]) -> None:
    """Refuse two takes that are not of one lens."""
    off = even_difference(field, turned)
    if off > MOST:
        raise CannotMeasure(
            f"The two takes do not show the same lens: their fall-off differs by {off:.2f} stops.",
            "Film both with the same camera, zoom and mode; only turn it by 180° between them.",
        )
