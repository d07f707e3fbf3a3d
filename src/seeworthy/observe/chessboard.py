"""A plain chessboard instead of the coded board: all of it must be in view."""

from __future__ import annotations

import re
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.observe.board_views import Points
from seeworthy.optics.plane import blank_camera, fit_plane
from seeworthy.targets.find import to_bytes

HALF_WINDOW = 11
"""px; as in the published calibration that the tests compare with."""


def parse_board(text: str) -> tuple[int, int]:
    """Read ``9x6``: inner corners along and down.

    Raises:
        WrongCall: Not two numbers from 3 to 40.
    """
    found = re.fullmatch(r"\s*(\d{1,2})\s*[x×:]\s*(\d{1,2})\s*", text.lower())
    size = (int(found[1]), int(found[2])) if found else (0, 0)
    if not all(3 <= n <= 40 for n in size):
        raise WrongCall(
            f"'{text}' is not the size of a chessboard.",
            "Count the inner corners along and down: --option board=9x6.",
        )
    return size


def find_chessboard(image: npt.NDArray[Any], size: tuple[int, int], square: float) -> Points:
    """Find all inner corners.

    Args:
        size: (columns, rows). Inner corners.
        square: Side of a square, mm.

    Raises:
        CannotMeasure: Not all corners are in view.
    """
    grey = to_bytes(image) if image.dtype != np.uint8 else image
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    found, corners = cv2.findChessboardCorners(grey, size, flags=flags)
    if not found:
        raise CannotMeasure(
            f"No chessboard with {size[0]} × {size[1]} inner corners was found.",
            "All of it must be in view, flat, sharp and evenly lit, with a light border; count the "
            "inner corners again.",
        )
    rough = np.asarray(corners, float).reshape(-1, 2)
    grid = rough.reshape(size[1], size[0], 2)
    pitch = min(
        float(np.hypot(*np.diff(grid, axis=0).reshape(-1, 2).T).min()),
        float(np.hypot(*np.diff(grid, axis=1).reshape(-1, 2).T).min()),
    )
    # A window must not reach past the neighbouring corner.
    half = max(2, min(HALF_WINDOW, int(0.9 * pitch)))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.001)
    start = np.ascontiguousarray(rough.reshape(-1, 1, 2), np.float32)
    refined = cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop)
    points = np.asarray(refined, np.float64).reshape(-1, 2)
    columns, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    plane = np.column_stack([columns.ravel(), rows.ravel()]).astype(np.float64) * square
    # A board may be read from either end; left to right as a mirror would is no pose.
    mapping = fit_plane(plane, points, grey.shape[1], grey.shape[0], _lens(grey))
    if mapping.mirrored(plane):
        order = np.arange(len(plane)).reshape(size[1], size[0])[:, ::-1].ravel()
        points = points[order]
    ids = np.arange(len(plane), dtype=np.intp)
    return Points(ids, plane, points, np.full(len(ids), half, np.intp))


def _lens(grey: npt.NDArray[np.uint8]) -> Any:
    return blank_camera(grey.shape[1], grey.shape[0])
