"""Reading a slate in a picture: the text of its matrix code.

Most pictures need one look for the code itself. Where that fails (a tilted card, a blurred
frame) the card's coded markers say where the code lies; it is pulled upright, its cells are
averaged, and the clean picture is read again.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.targets.find import find, to_bytes

_QUIET = 4  # cells of light around a code (ISO/IEC 18004, 6.3.8)
_SIDE = 480  # px: several for each cell of a code (a judgement)
_LONGEST = 200  # characters: ours are shorter (a judgement)


def read_slate(picture: npt.NDArray[Any]) -> str | None:
    """Return the text of a slate in view, None where none can be read.

    Args:
        picture: Luma or grey code values, any integer or float type.
    """
    grey = to_bytes(picture)
    text = _decode(grey)
    if text is None and grey.shape[1] < 900:
        text = _decode(cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC))
    return text if text is not None else _by_markers(grey)


def _decode(grey: Any) -> str | None:
    try:
        text, corners, _ = cv2.QRCodeDetector().detectAndDecode(grey)
    except (cv2.error, UnicodeDecodeError):  # damaged codes upset the decoder
        return None
    return text[:_LONGEST] if text and corners is not None else None


def _by_markers(grey: npt.NDArray[np.uint8]) -> str | None:
    try:
        found = find(grey, "slate")
    except CannotMeasure:
        return None
    corners = found.region("code").astype(np.float32)
    square = np.array([[0, 0], [_SIDE, 0], [_SIDE, _SIDE], [0, _SIDE]], np.float32)
    warp = cv2.getPerspectiveTransform(corners, square - np.float32(0.5))
    flat = cv2.warpPerspective(grey, warp, (_SIDE, _SIDE), flags=cv2.INTER_CUBIC)
    for cells in range(21, 46, 4):  # versions 1 to 7
        clean = _clean(flat, cells)
        text = _decode(clean)
        if text is not None:
            return text
    return None


def _clean(flat: Any, cells: int) -> npt.NDArray[np.uint8]:
    """Return a crisp code from averaged cells, with its quiet zone."""
    means = cv2.resize(flat, (cells, cells), interpolation=cv2.INTER_AREA)
    level, _ = cv2.threshold(means, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    dark = np.where(means > level, 255, 0).astype(np.uint8)
    framed = np.pad(dark, _QUIET, constant_values=255)
    return np.kron(framed, np.ones((6, 6), np.uint8)).astype(np.uint8)
