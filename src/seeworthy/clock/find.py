"""Reading the bench clock in a frame: corner marks, count, sweep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.clock import code

Array = npt.NDArray[np.float64]
Luma = npt.NDArray[np.uint8]

_SPAN_MIN = 40.0
"""Least distance in code values of 255 between the clock's black and white."""
_CLEAR = 0.25
"""A cell whose difference to its complement is less (of black to white) is changing."""
_UNCLEAR_MOST = 1  # bit that may be unclear: both values are tried
_MISS_MS = code.COUNT_MS / 3
"""Farthest that the sweep may lie outside its count: they are seen at different moments."""
_BAND = 0.85
"""Least height of a band of a strip, in units."""
_STEP_MS = 1.0  # of the positions of the bar that are tried
_WINDOW_MS = 90.0  # to each side of the bar: it and three screen updates (a judgement)
_MASS = (0.4, 2.5)
"""Light of the bar against what its width and the white of the cells let expect."""
_AGREE = 0.7
"""Least correlation of the corner marks with their patterns to follow them."""
_MARKS_LEAST = 2  # of four: eight corners for the eight numbers of a homography (derived)
_BANDS_LEAST = 3  # of the bar that must be whole (a judgement)
_SHRINK = 0.55
"""Corners of black on white are found so many px inside, as rendered clips show."""
_NEAR = 8.0
"""Farthest in px from where the marks let expect a strip's corner."""
_WIDE = 1600
"""Wider frames are searched at half size first."""


@dataclass(frozen=True)
class ClockReading:
    """Time shown in one frame.

    Attributes:
        time_ms: Mean of the times shown on the strips while the frame was exposed, modulo
            `RANGE_MS`. A screen holds each time until the next update: the moment meant is later.
        bands: ndarray (B,). The same in every band of the strips (see `band_heights`), less
            `time_ms`; ms. NaN for bands that are not wholly in the frame.
        squares: ndarray (B,). Variance of the times shown within each band, ms², without the bar's
            own width; blur is in it.
        changing: Cells of the count that were changing.
        refresh: Updates per second, as the page says; 0 where it does not.
    """

    time_ms: float
    bands: Array
    squares: Array
    changing: int
    refresh: float


def _bands() -> tuple[tuple[float, float], ...]:
    found: list[tuple[float, float]] = []
    for _, top, _, height in code.SWEEPS:
        count = max(1, int(height / _BAND + 0.2))
        high = height / count
        found += [(top + (i + 0.5) * high, high) for i in range(count)]
    return tuple(found)


_BANDS = _bands()


def band_heights() -> Array:
    """Middle of every band of the strips, from the middle of the layout, in units."""
    return np.array([middle for middle, _ in _BANDS]) - code.HEIGHT / 2


def find_corners(luma: Luma) -> Array | None:
    """Homography (3, 3) from layout units to pixels of `luma` (H, W).

    Returns:
        None with fewer than two marks in the whole frame.
    """
    best: dict[int, Array] = {}
    for scale in (0.5, 1.0, 2.0) if luma.shape[1] > _WIDE else (1.0, 2.0):
        seen = {key: at for key, at in _marks(luma, scale).items() if key in code.MARKERS}
        if len(seen) > len(best):
            best = _refined(luma, seen) if scale < 1 else seen
        if len(best) == len(code.MARKERS):
            break
    return _fit(luma, best) if len(best) >= _MARKS_LEAST else None


def follow_corners(luma: Luma, before: Array) -> Array | None:
    """Homography of this frame from that of the frame before; None where the marks are gone.

    Only what moved by a few pixels is followed.
    """
    inside = {}
    for key in code.MARKERS:
        spots = project(before, _layout(key))
        if _within(luma, spots).all():
            inside[key] = spots
    if len(inside) < _MARKS_LEAST or _agreement(luma, before, inside) <= _AGREE:
        return None
    after = _fit(luma, _refined(luma, inside))
    return after if after is not None and _agreement(luma, after, inside) > _AGREE else None


def is_mirrored(luma: Luma) -> bool:
    """Whether the clock is there, but seen in a mirror."""
    return (
        find_corners(luma) is None and find_corners(np.ascontiguousarray(luma[:, ::-1])) is not None
    )


def read_clock(luma: Luma, homography: Array, table: npt.ArrayLike = ()) -> ClockReading | None:
    """Read the time in a frame.

    Args:
        luma: Code values.
        homography: ndarray (3, 3). From `find_corners` or `follow_corners`.
        table: array_like (256,). Light of each code value; by default a power of 2.2.

    Returns:
        None where black and white are not apart (overexposed, out of view), where more than
        one cell is unclear, where there is no single bar, or where count and sweep contradict
        each other.
    """
    light = np.asarray(table, np.float64)
    if not light.size:
        light = (np.arange(256) / 255.0) ** 2.2
    cells = _cells(luma, homography)
    if cells is None:
        return None
    sharp, black, white = cells
    count, rate = sharp[: code.BITS], sharp[code.BITS :]
    unclear = np.flatnonzero(np.abs(count) < _CLEAR)
    if len(unclear) > _UNCLEAR_MOST:
        return None
    full = float(np.interp(white, np.arange(256), light) - np.interp(black, np.arange(256), light))
    swept = _sweep(luma, homography, light, full)
    if swept is None:
        return None
    phase, bands, squares = swept
    choices = [count > 0]
    if len(unclear):
        other = choices[0].copy()
        other[unclear[0]] ^= True
        choices.append(other)
    time, miss = min((_near(_count(cell), phase) for cell in choices), key=lambda pair: pair[1])
    if miss > _MISS_MS:
        return None
    clear = bool((np.abs(rate) >= _CLEAR).all())
    refresh = code.RATES[int("".join("1" if cell > 0 else "0" for cell in rate), 2)] if clear else 0
    return ClockReading(time % code.RANGE_MS, bands, squares, len(unclear), float(refresh))


def _cells(luma: Luma, homography: Array) -> tuple[Array, float, float] | None:
    """Cells less their complements over white less black, and black and white themselves."""
    x, y, width, height = code.CELLS
    cells = code.BITS + code.RATE_BITS
    at = x + (np.arange(cells) + 0.5) * width / cells
    down = height * np.array([0.35, 0.5, 0.65])
    upper = _sample(luma, homography, at, y + down).mean(axis=0)
    lower = _sample(luma, homography, at, y + height + down).mean(axis=0)
    black = float(np.median(np.minimum(upper, lower)))
    white = float(np.median(np.maximum(upper, lower)))
    if white - black < _SPAN_MIN:
        return None
    return (upper - lower) / (white - black), black, white


def _count(cells: npt.NDArray[np.bool_]) -> int:
    return code.count_of(int("".join("1" if cell else "0" for cell in cells), 2))


def _near(count: int, phase: float) -> tuple[float, float]:
    """Time with this sweep phase nearest the middle of a count, and how far outside it."""
    middle = (count + 0.5) * code.COUNT_MS
    off = _wrap(phase - middle)
    return middle + off, max(abs(off) - code.COUNT_MS / 2, 0.0)


def _wrap(off: Any) -> Any:
    """Bring a difference of sweep times to plus or minus half a turn."""
    return (off + code.SWEEP_MS / 2) % code.SWEEP_MS - code.SWEEP_MS / 2


def _sweep(
    luma: Luma, homography: Array, light: Array, full: float
) -> tuple[float, Array, Array] | None:
    """Mean time on the strips (ms of the turn), each band less it, and variances in the bands."""
    x, _, width, _ = code.SWEEPS[0]
    times = np.arange(0.5 * _STEP_MS, code.SWEEP_MS, _STEP_MS)
    across = x + code.PAD + times / code.SWEEP_MS * (width - 2 * code.PAD)
    down = np.array([m + h * off for m, h in _BANDS for off in (-0.24, -0.12, 0.0, 0.12, 0.24)])
    codes = _sample(luma, homography, across, down)
    seen = np.interp(codes, np.arange(256), light).reshape(len(_BANDS), 5, -1).mean(axis=1)
    ends = np.array([across[0], across[-1]])
    inside = _ends_within(luma, homography, ends, down).reshape(len(_BANDS), 5 * 2)
    whole: npt.NDArray[np.bool_] = np.asarray(np.all(inside, axis=1), np.bool_)
    if whole.sum() < _BANDS_LEAST:
        return None
    seen = seen[whole]
    seen -= np.percentile(seen, 30, axis=1, keepdims=True)
    turn = np.exp(2j * np.pi * times / code.SWEEP_MS)
    around = float(np.angle(np.sum(np.clip(seen, 0, None) @ turn))) / (2 * np.pi) * code.SWEEP_MS
    for _ in range(2):
        away = _wrap(times - around)
        near = np.abs(away) < _WINDOW_MS
        edge = near & (np.abs(away) > _WINDOW_MS - 15)
        part = seen[:, near] - seen[:, edge].mean(axis=1, keepdims=True)
        mass = part.sum(axis=1)
        expected = code.BAR * code.SWEEP_MS / _STEP_MS * full
        # A band that white beside its strip runs into tells nothing; the others do.
        sound = (mass > _MASS[0] * expected) & (mass < _MASS[1] * expected)
        if sound.sum() < _BANDS_LEAST:
            return None
        seen, part, mass = seen[sound], part[sound], mass[sound]
        whole[np.flatnonzero(whole)[~sound]] = False
        bands = part @ away[near] / mass
        around += float(bands.mean())
        bands = bands - bands.mean()
    around %= code.SWEEP_MS
    every, squares = np.full((2, len(_BANDS)), np.nan)
    every[whole] = bands
    own = (code.BAR * code.SWEEP_MS) ** 2 / 12
    squares[whole] = part @ away[near] ** 2 / mass - (part @ away[near] / mass) ** 2 - own
    return around, every, squares


def _sample(luma: Luma, homography: Array, across: Array, down: Array) -> Array:
    """Code values at layout positions, (len(down), len(across)); outside the frame 0."""
    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 1, 2)
    spots = cv2.perspectiveTransform(grid, homography).reshape(len(down), len(across), 2)
    maps = spots.astype(np.float32)
    values = cv2.remap(luma, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=0)
    return np.asarray(values, np.float64)


def _ends_within(luma: Luma, homography: Array, ends: Array, down: Array) -> npt.NDArray[np.bool_]:
    """Whether the ends of the rows at `down` are in the frame, (len(down), 2)."""
    grid = np.stack(np.meshgrid(ends, down), axis=-1)
    return _within(luma, project(homography, grid.reshape(-1, 2)).reshape(grid.shape))


def project(homography: Array, points: Array) -> Array:
    """Map layout positions (N, 2) to pixels."""
    full = np.column_stack([points, np.ones(len(points))]) @ homography.T
    flat: Array = full[:, :2] / full[:, 2:]
    return flat


def _layout(key: int) -> Array:
    """Corners (4, 2) of a mark in the layout."""
    side = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * code.MARKER
    return np.asarray(side + np.array(code.MARKERS[key]), np.float64)


def _fit(luma: Luma, seen: dict[int, Array]) -> Array | None:
    """Homography from the marks; where some are out of view the strips' corners help."""
    layout = np.concatenate([_layout(key) for key in seen])
    pixels = np.concatenate([_grown(corners) for corners in seen.values()])
    found = _homography(layout, pixels)
    if len(seen) == len(code.MARKERS):
        return found
    strips = [[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in code.SWEEPS]
    corners = np.array(strips).reshape(-1, 4, 2)
    for _ in range(2):
        if found is None:
            return None
        guess = {number: project(found, four) for number, four in enumerate(corners)}
        more_layout, more_pixels = [layout], [pixels]
        for number, spots in _refined(luma, guess).items():
            near = np.linalg.norm(spots - guess[number], axis=1) < _NEAR
            good = _within(luma, spots) & near
            more_layout.append(corners[number][good])
            more_pixels.append(spots[good])
        found = _homography(np.concatenate(more_layout), np.concatenate(more_pixels))
    return found


def _grown(corners: Array) -> Array:
    """Corners (4, 2) of a mark moved outwards by what blur and tone curve take from it."""
    away = corners - corners.mean(axis=0)
    moved: Array = corners + _SHRINK * np.sqrt(2) * away / np.linalg.norm(
        away, axis=1, keepdims=True
    )
    return moved


def _homography(layout: Array, pixels: Array) -> Array | None:
    found, _ = cv2.findHomography(layout, pixels)
    return None if found is None else np.asarray(found, np.float64)


def _within(luma: Luma, spots: Array) -> npt.NDArray[np.bool_]:
    """Which positions (..., 2) lie in the frame with a pixel to spare."""
    high, wide = luma.shape
    inside: npt.NDArray[np.bool_] = np.all(
        (spots >= 1) & (spots <= np.array([wide - 2, high - 2])), axis=-1
    )
    return inside


def _refined(luma: Luma, seen: dict[int, Array]) -> dict[int, Array]:
    """Corners of the marks to a part of a pixel."""
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.01)
    fine = {}
    for key, corners in seen.items():
        module = float(np.linalg.norm(corners[1] - corners[0])) / 6
        half = int(np.clip(module / 2, 2, 8))
        # What lies outside the frame is not refined; it then lies far from where it came from.
        inside = np.clip(corners, 1, np.array(luma.shape[::-1]) - 2)
        start = np.ascontiguousarray(inside[:, None], np.float32)
        spots = cv2.cornerSubPix(luma, start, (half, half), (-1, -1), stop)
        fine[key] = np.asarray(spots[:, 0], np.float64)
    return fine


def _agreement(luma: Luma, homography: Array, marks: dict[int, Array]) -> float:
    """Correlation of the corner marks with what stands there in the frame."""
    module = code.MARKER / 6
    values, wanted = [], []
    steps: Array = (np.arange(4, dtype=np.float64) + 1.5) * module
    for key in marks:
        x, y = code.MARKERS[key]
        values.append(_sample(luma, homography, x + steps, y + steps).ravel())
        wanted += [float(bit) for bit in code.PATTERNS[key]]
    seen = np.concatenate(values)
    if np.ptp(seen) < _SPAN_MIN / 2:
        return 0.0
    return float(np.corrcoef(seen, wanted)[0, 1])


def _marks(luma: Luma, scale: float) -> dict[int, Array]:
    """Corners (4, 2) of each mark by its number, in pixels of `luma`."""
    if scale != 1:
        how = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
        luma = np.asarray(cv2.resize(luma, None, fx=scale, fy=scale, interpolation=how), np.uint8)
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
