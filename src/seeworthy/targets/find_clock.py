"""Reading the bench clock in a frame: corner marks, count, sweep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.targets import clock_code as code

_SPAN_MIN = 40.0
"""Least distance in code values of 255 between the clock's black and white."""
_CLEAR = 0.25
"""A cell whose difference to its complement is less (of black to white) is changing."""
_UNCLEAR_MOST = 1
_SWEEP_MIN = 0.3
"""Least length of the circular moment: below, the exposure blurs the whole turn."""
_MISS_MS = 32.0
_STEPS = 256
_AGREE = 0.7
"""Least correlation of the corner marks with their patterns to follow them."""


@dataclass(frozen=True)
class ClockReading:
    """Time shown in one frame.

    Attributes
    ----------
    time_ms : float
        Mean time that the sweep showed while the frame was exposed, modulo `RANGE_MS`.
    moment : float
        Length of the sweep's circular moment, 1 for one sharp update.
    changing : int
        Cells of the count that were changing.
    """

    time_ms: float
    moment: float
    changing: int


def find_corners(luma: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64] | None:
    """Homography (3, 3) from layout units to pixels of `luma` (H, W); None without 4 marks."""
    import cv2

    for scale in (1, 2):  # small marks are found when enlarged
        seen = _marks(luma, scale)
        if set(code.MARKERS) <= set(seen):
            break
    else:
        return None
    side = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * code.MARKER
    layout = np.concatenate([side + np.array(code.MARKERS[key]) for key in code.MARKERS])
    pixels = np.concatenate([seen[key] for key in code.MARKERS])
    found, _ = cv2.findHomography(layout, pixels)
    return None if found is None else np.asarray(found, np.float64)


def follow_corners(
    luma: npt.NDArray[np.uint8], before: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64] | None:
    """Homography of this frame from that of the frame before; None where the marks are gone.

    Only what moved by a few pixels is followed.
    """
    import cv2

    side = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * code.MARKER
    layout = np.concatenate([side + np.array(code.MARKERS[key]) for key in code.MARKERS])
    start = cv2.perspectiveTransform(layout[:, None], before)[:, 0].astype(np.float32)
    high, wide = luma.shape
    if not (
        ((start > 1) & (start < np.array([wide - 2, high - 2]))).all()
        and (_agreement(luma, before) > _AGREE)
    ):
        return None
    module = float(np.linalg.norm(start[1] - start[0])) / 6
    half = int(np.clip(module / 2, 2, 8))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.01)
    spots = cv2.cornerSubPix(luma, start[:, None].copy(), (half, half), (-1, -1), stop)
    found, _ = cv2.findHomography(layout, spots[:, 0].astype(np.float64))
    if found is None:
        return None
    after = np.asarray(found, np.float64)
    return after if _agreement(luma, after) > _AGREE else None


def _agreement(luma: npt.NDArray[np.uint8], homography: npt.NDArray[np.float64]) -> float:
    """Correlation of the corner marks with what stands there in the frame."""
    module = code.MARKER / 6
    values, wanted = [], []
    for key, (x, y) in code.MARKERS.items():
        for i, bit in enumerate(code.PATTERNS[key]):
            at = np.array([x + (1.5 + i % 4) * module])
            values.append(_sample(luma, homography, at, np.array([y + (1.5 + i // 4) * module]))[0])
            wanted.append(float(bit))
    if np.ptp(values) < _SPAN_MIN / 2:
        return 0.0
    return float(np.corrcoef(values, wanted)[0, 1])


def is_mirrored(luma: npt.NDArray[np.uint8]) -> bool:
    """Whether the clock is there, but seen in a mirror."""
    return (
        find_corners(luma) is None and find_corners(np.ascontiguousarray(luma[:, ::-1])) is not None
    )


def read_clock(
    luma: npt.NDArray[np.uint8], homography: npt.NDArray[np.float64], gamma: float = 2.2
) -> ClockReading | None:
    """Read the time in a frame.

    Parameters
    ----------
    luma : ndarray (H, W) uint8
        Code values.
    homography : ndarray (3, 3)
        From `find_corners`, of this frame or of one near it.
    gamma : float
        Exponent that turns the camera's code values into light.

    Returns
    -------
    ClockReading or None
        None where black and white are not apart (overexposed, out of view), where more than
        one cell is unclear, or where count and sweep contradict each other.
    """
    x, y, width, height = code.CELLS
    at = x + (np.arange(code.BITS) + 0.5) * width / code.BITS
    upper = _sample(luma, homography, at, y + height * np.array([0.35, 0.5, 0.65]))
    lower = _sample(luma, homography, at, y + height * np.array([1.35, 1.5, 1.65]))
    black, white = np.minimum(upper, lower).min(), np.maximum(upper, lower).max()
    if white - black < _SPAN_MIN:
        return None
    sharp = (upper - lower) / (white - black)
    unclear = np.flatnonzero(np.abs(sharp) < _CLEAR)
    phase, moment = _sweep(luma, homography, gamma)
    if len(unclear) > _UNCLEAR_MOST or moment < _SWEEP_MIN:
        return None
    cells = sharp > 0
    choices = [cells]
    if len(unclear):
        other = cells.copy()
        other[unclear[0]] ^= True
        choices.append(other)
    times = [_near(_count(cell), phase) for cell in choices]
    time, miss = min(times, key=lambda pair: pair[1])
    if miss > _MISS_MS:
        return None
    return ClockReading(time % code.RANGE_MS, moment, len(unclear))


def _count(cells: npt.NDArray[np.bool_]) -> int:
    return code.count_of(int("".join("1" if cell else "0" for cell in cells), 2))


def _near(count: int, phase: float) -> tuple[float, float]:
    """Time with this sweep phase nearest the middle of a count, and how far outside it."""
    middle = (count + 0.5) * code.COUNT_MS
    turn = code.SWEEP_MS
    off = (phase - middle + turn / 2) % turn - turn / 2
    return middle + off, max(abs(off) - code.COUNT_MS / 2, 0.0)


def _sweep(
    luma: npt.NDArray[np.uint8], homography: npt.NDArray[np.float64], gamma: float
) -> tuple[float, float]:
    x, y, width, height = code.SWEEP
    share = (np.arange(_STEPS) + 0.5) / _STEPS
    rows = y + height * np.linspace(0.25, 0.75, 5)
    values = _sample(luma, homography, x + share * width, rows)
    light = np.clip(values / 255.0, 0, 1) ** gamma
    light = np.clip(light - np.percentile(light, 30), 0, None)
    turn = complex(np.sum(light * np.exp(2j * np.pi * share)))
    total = float(light.sum())
    if total <= 0:
        return 0.0, 0.0
    return float(np.angle(turn) / (2 * np.pi) % 1.0) * code.SWEEP_MS, abs(turn) / total


def _sample(
    luma: npt.NDArray[np.uint8],
    homography: npt.NDArray[np.float64],
    across: npt.NDArray[np.float64],
    down: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Mean over `down` of the code values at layout positions; outside the frame 0."""
    import cv2

    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 1, 2)
    spots = cv2.perspectiveTransform(grid, homography).reshape(len(down), len(across), 2)
    maps = spots.astype(np.float32)
    values = cv2.remap(luma, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=0)
    columns: npt.NDArray[np.float64] = np.mean(values, axis=0, dtype=np.float64)
    return columns


def _marks(luma: npt.NDArray[np.uint8], scale: int) -> dict[int, npt.NDArray[np.float64]]:
    """Corners (4, 2) of each mark by its number, in pixels of `luma`."""
    import cv2

    if scale > 1:
        luma = np.asarray(
            cv2.resize(luma, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8
        )
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters
    )
    corners, ids, _ = detector.detectMarkers(luma)
    if not len(corners):
        return {}
    return {
        int(number): (np.asarray(corner, np.float64).reshape(4, 2) + 0.5) / scale - 0.5
        for corner, number in zip(corners, np.ravel(ids), strict=True)
    }
