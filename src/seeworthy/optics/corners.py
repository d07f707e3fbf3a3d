"""Refining the corners of a checkerboard to a small part of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
_ROW = 4096  # points a row: less than the library's 32767


def refine_saddles(
    image: npt.NDArray[np.float32], guess: Array, half: npt.NDArray[np.intp]
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Move each guess to the saddle point next to it.

    The gradient at every pixel of the window is square to its line from the saddle (Förstner and
    Gülch, 1987); windows must not reach other edges than the two that cross.

    Args:
        guess: ndarray (N, 2), px.
        half: ndarray (N,). Half width of each window in px.

    Returns:
        points: ndarray (N, 2)
        ok: ndarray (N,). False where the point ran away or the window leaves the frame.
    """
    height, width = image.shape
    points = guess.copy()
    margin = half + 2
    inside = (guess[:, 0] > margin) & (guess[:, 0] < width - 1 - margin)
    inside &= (guess[:, 1] > margin) & (guess[:, 1] < height - 1 - margin)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.003)
    for size in np.unique(half[inside]):
        chosen = inside & (half == size)
        start = np.ascontiguousarray(guess[chosen].reshape(-1, 1, 2), np.float32)
        window = (int(size), int(size))
        points[chosen] = cv2.cornerSubPix(image, start, window, (-1, -1), stop).reshape(-1, 2)
    moved = np.hypot(*(points - guess).T)
    return points, inside & (moved < np.maximum(half, 1.5)) & (moved > 0)


def sample(image: npt.NDArray[np.float32], points: Array) -> Array:
    """Return bilinear samples at points (N, 2); NaN outside the frame."""
    # The library samples at most 32767 places per row and column of its map.
    rows = -(-len(points) // _ROW)
    xy = np.full((rows * _ROW, 2), -10.0, np.float32)
    xy[: len(points)] = points
    values = cv2.remap(
        image,
        xy.reshape(rows, _ROW, 2),
        None,  # type: ignore[call-overload]
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),),
    )
    return np.asarray(values, np.float64).ravel()[: len(points)]
