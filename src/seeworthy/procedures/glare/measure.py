"""Veiling glare index: light over a black hole, of the bright field around it.

ISO 9358:1994 (from memory): the index is the illuminance in the image of a small black area on
that of the extended bright field about it, in per cent (the integral method, a black trap in a
field). Here field and trap are of one picture, so that it holds for lens, sensor and cover glass
together, and for a field that ends some way beyond the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.observe.marked import LEAST_SIDE, Box

Floats = npt.NDArray[np.float64]

_BLUR = 0.01  # of the width: pixels of grain and dust go (a judgement)
_LEAST, _LARGEST = 0.02, 0.3  # of the width that a trap takes (a judgement)
_INSIDE = 0.5  # of a trap's sides that are looked at, away from its edges
_BESIDE = (0.5, 1.0)  # of its sides: from how far beside it, and how wide, the field is looked at
_DARK = 0.5  # of the field's code, over black, below which a place is the trap's


@dataclass(frozen=True, slots=True)
class Places:
    """Trap and fields, boxes (x, y, w, h); the trap's sides over the picture's width."""

    trap: Box
    fields: tuple[Box, ...]
    how: str


def find_trap(codes: npt.NDArray[np.floating], black: float) -> Places:
    """Find one black hole in a bright field.

    Args:
        codes: (H, W). Mean code values.
        black: Code of black.

    Raises:
        CannotMeasure: None or several.
    """
    height, width = codes.shape
    size = max(1.0, _BLUR * width)
    smooth: Any = cv2.GaussianBlur(np.asarray(codes, np.float32) - np.float32(black), (0, 0), size)
    bright = float(np.median(smooth))
    dark = (smooth < _DARK * bright).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=8)
    found = []
    for x, y, w, h, area in stats[1:].tolist():
        inside = x > 0 and y > 0 and x + w < width and y + h < height
        sized = _LEAST * width < min(w, h) and max(w, h) < _LARGEST * width
        if inside and sized and area > 0.5 * w * h:
            found.append((x, y, w, h))
    if len(found) != 1:
        raise CannotMeasure(
            f"{'No' if not found else 'More than one'} black hole in a bright field was found.",
            "Fill the picture with the field, the hole 3 to 10 % of its width, or mark them: "
            "--option trap=x,y,w,h --option field=x,y,w,h.",
        )
    x, y, w, h = found[0]
    trap = _middle(x, y, w, h)
    sides = []
    gap, wide = _BESIDE
    for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        left, top = x + dx * w * (gap + wide), y + dy * h * (gap + wide)
        box = _middle(round(left), round(top), w, h)
        if box[0] >= 0 and box[1] >= 0 and box[0] + box[2] <= width and box[1] + box[3] <= height:
            sides.append(box)
    if not sides or min(trap[2:]) < LEAST_SIDE:
        raise CannotMeasure(
            "The black hole is too small, or too near to the picture's edge.",
            "Go closer, or mark trap and field.",
        )
    return Places(trap, tuple(sides), "found")


def _middle(x: int, y: int, w: int, h: int) -> Box:
    inset = (1 - _INSIDE) / 2
    return round(x + inset * w), round(y + inset * h), round(_INSIDE * w), round(_INSIDE * h)


def position(trap: Box, width: int, height: int) -> str:
    """Return where the trap stands, by thirds of the picture: centre, edge or corner."""
    across = abs((trap[0] + trap[2] / 2) / width - 0.5) > 1 / 6
    down = abs((trap[1] + trap[3] / 2) / height - 0.5) > 1 / 6
    return ("centre", "edge", "corner")[across + down]


def ends_of(
    ratio: float, own: float, u_stops: float, u_rest: float, k: float
) -> tuple[float, float]:
    """Return the interval of a ratio less the trap's own, in the ratio's unit.

    What the tone curve leaves open is in stops: it multiplies; the rest adds.

    Args:
        own: Of the trap, taken off.
        u_stops, u_rest: Standard uncertainties in stops, and in the ratio's unit.
        k: Coverage factor.
    """
    down, up = (ratio * (2 ** (s * k * u_stops) - 1) for s in (-1, 1))
    value = ratio - own
    return value - math.hypot(down, k * u_rest), value + math.hypot(up, k * u_rest)
