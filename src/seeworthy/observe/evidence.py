"""A picture of what was found, drawn on the frame."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.results import Picture
from seeworthy.targets.find import to_bytes

# Okabe and Ito (2008), as BGR.
ORANGE = (0, 159, 230)
BLUE = (178, 114, 0)
GREEN = (115, 158, 0)
VERMILION = (0, 94, 213)
_SHIFT = 4


def canvas(image: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Return a colour copy of a grey picture to draw on, contrast stretched."""
    return np.asarray(cv2.cvtColor(to_bytes(image), cv2.COLOR_GRAY2BGR), np.uint8)


def draw_outline(picture: Any, corners: Any, colour: tuple[int, int, int], width: int = 2) -> None:
    """Draw a closed line through corners (n, 2) given in px to a part of a pixel."""
    fixed = np.rint(np.asarray(corners, float) * (1 << _SHIFT)).astype(np.int32)
    cv2.polylines(picture, [fixed.reshape(-1, 1, 2)], True, colour, width, cv2.LINE_AA, _SHIFT)


def draw_cross(picture: Any, at: tuple[float, float], colour: tuple[int, int, int]) -> None:
    """Draw a cross whose middle is exact to a sixteenth of a pixel."""
    scale, arm = 1 << _SHIFT, 6.0
    for dx, dy in ((arm, 0.0), (0.0, arm)):
        a = (round((at[0] - dx) * scale), round((at[1] - dy) * scale))
        b = (round((at[0] + dx) * scale), round((at[1] + dy) * scale))
        cv2.line(picture, a, b, colour, 1, cv2.LINE_AA, _SHIFT)


def encode(name: str, caption: str, picture: Any) -> Picture:
    """Return a PNG ready to be stored as evidence."""
    ok, data = cv2.imencode(".png", picture)
    if not ok:
        raise RuntimeError("the picture could not be encoded")
    return Picture(name, caption, bytes(data))
