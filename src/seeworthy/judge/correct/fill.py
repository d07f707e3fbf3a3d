"""A burned-in stamp and hot pixels filled in from what surrounds them.

What stood behind them was never recorded: the filling is a guess (of a stamp Telea's of
2004, as OpenCV has it), good enough not to be looked at and of no worth for measuring.
Nothing outside the stamp's box, or further than a pixel from a hot one, is touched.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure
from seeworthy.judge.correct.data import StampData
from seeworthy.media.source import Source

Box = tuple[int, int, int, int]

_MARGIN = 4
"""Px round the box: coding smears strokes by about half a block of 8 (H.264's transform)."""
_STROKES = 2.5
"""Robust deviations from the box's own background that make a stroke (a judgement; what of
the scene stands out as much is filled as well, which does no harm)."""
_FLOOR = 8
"""Code values of 8 bit: fainter strokes are not seen as lettering (a judgement)."""
_GROW = 2
"""Px that strokes are grown by, for their soft edges and what coding rings beside them."""
_MOST = 0.7
"""Of the box: with more of it strokes, everything in it is filled (a plate behind the letters)."""
_RADIUS = 4.0  # px looked at around a hole: about a stroke of lettering (a judgement)


def find_stamps(source: Source, progress: Callable[[float], None] | None = None) -> StampData:
    """Look for stamps in a clip, as procedure `stamp` does.

    Raises:
        CannotMeasure: It cannot be told whether there is one.
    """
    try:
        found = measure("stamp", [source.path], progress=progress).outcome.findings
    except CannotMeasure as error:
        raise CannotMeasure(error.message, f"{error.hint} Or leave --fill-stamp out.") from None
    boxes = found.get("stamp_boxes") or ([found["stamp_box"]] if found["stamp_present"] else [])
    return StampData(tuple((int(x), int(y), int(w), int(h)) for x, y, w, h in boxes))


@dataclass(frozen=True, slots=True)
class Filler:
    """Fills the strokes of stamps in a frame's planes; safe to use from several threads.

    Attributes:
        boxes: Each x, y, width, height, px of the luma plane.
        bits: Of a sample.
    """

    boxes: tuple[Box, ...]
    bits: int

    def apply(self, planes: tuple[npt.NDArray[Any], Any, Any]) -> None:
        """Fill strokes in planes that may be written to (chroma may be None)."""
        luma = planes[0]
        for box in self.boxes:
            place = _grown(box, luma.shape)
            _fill_all(planes, place, self._strokes(luma[place]))

    def _strokes(self, part: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
        scale = 1 << (self.bits - 8)
        plain = cv2.convertScaleAbs(part, alpha=1 / scale) if scale > 1 else part
        wide = max(3, (min(part.shape) // 2) | 1)
        ground: Any = cv2.medianBlur(np.ascontiguousarray(plain), min(wide, 255))
        off = cv2.absdiff(plain, ground)
        spread = 1.4826 * float(np.median(off))  # to a standard deviation, for normal noise
        mask = (off > max(_FLOOR, _STROKES * spread)).astype(np.uint8)
        mask = np.asarray(cv2.dilate(mask, np.ones((2 * _GROW + 1,) * 2, np.uint8)), np.uint8)
        mask[:1], mask[-1:], mask[:, :1], mask[:, -1:] = 0, 0, 0, 0  # something to begin with
        if mask.mean() > _MOST:
            mask[_MARGIN // 2 : -_MARGIN // 2, _MARGIN // 2 : -_MARGIN // 2] = 1
        return mask


class DotFiller:
    """Fills hot pixels and the eight about each, over which colour filter and coding spread it.

    The filling is the smoothest surface through what surrounds them (each pixel the mean of
    its four neighbours: the discrete Laplace equation), so that a slope goes on behind a dot.
    What each filled pixel takes from where is worked out once for a clip.

    Args:
        places: Each x, y, px of the luma plane.
        shapes: Rows and columns of each plane that a frame has.
    """

    def __init__(
        self, places: Sequence[tuple[int, int]], shapes: Sequence[tuple[int, ...]]
    ) -> None:
        height, width = shapes[0]
        dots = np.zeros((height, width), bool)  # of all: a dot is no surrounding of its neighbour
        for x, y in places:
            dots[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2] = True
        self._ways = [_smoothest(_reduced(dots, shape)) for shape in shapes]

    def apply(self, planes: tuple[npt.NDArray[Any], Any, Any]) -> None:
        """Fill dots in planes that may be written to (chroma may be None)."""
        for plane, (filled, known, weights) in zip(planes, self._ways, strict=False):
            flat = plane.reshape(-1)
            flat[filled] = np.rint(weights @ flat[known].astype(np.float32))


def _reduced(dots: npt.NDArray[np.bool_], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Return which samples of a plane lie, wholly or in part, on a dot."""
    y, x = np.nonzero(dots)
    small = np.zeros(shape, bool)
    small[y * shape[0] // dots.shape[0], x * shape[1] // dots.shape[1]] = True
    return small


def _smoothest(dots: npt.NDArray[np.bool_]) -> tuple[Any, Any, Any]:
    """Return flat places to fill, places to take from, and the weights (filled, known)."""
    from scipy import ndimage, sparse

    labels: Any = ndimage.label(dots)[0]
    nowhere = np.zeros(0, np.intp)  # a sensor without a hot pixel has nothing to fill
    filled, known, blocks = [nowhere], [nowhere], [np.zeros((0, 0))]
    for number, box in enumerate(ndimage.find_objects(labels), 1):
        rows, columns = (slice(max(0, side.start - 1), side.stop + 1) for side in box)
        inner = labels[rows, columns] == number
        ring = ndimage.binary_dilation(inner) & ~inner
        y, x = np.nonzero(inner)
        v, u = np.nonzero(ring)
        apart = np.abs(np.r_[y, v] - y[:, None]) + np.abs(np.r_[x, u] - x[:, None])
        links = (apart == 1).astype(float)
        own = np.diag(links.sum(axis=1)) - links[:, : y.size]
        blocks.append(np.linalg.solve(own, links[:, y.size :]))
        width = dots.shape[1]
        filled.append((y + rows.start) * width + x + columns.start)
        known.append((v + rows.start) * width + u + columns.start)
    weights = sparse.block_diag(blocks, "csr").astype(np.float32)
    return np.concatenate(filled), np.concatenate(known), weights


def _grown(box: Box, shape: tuple[int, ...]) -> tuple[slice, slice]:
    x, y, width, height = box
    # Whole chroma samples of 4:2:0.
    left, top = max(0, x - _MARGIN) // 2 * 2, max(0, y - _MARGIN) // 2 * 2
    right, bottom = min(shape[1], x + width + _MARGIN), min(shape[0], y + height + _MARGIN)
    return slice(top, bottom), slice(left, right)


def _fill_all(
    planes: tuple[npt.NDArray[Any], Any, Any],
    place: tuple[slice, slice],
    mask: npt.NDArray[np.uint8],
) -> None:
    luma, *chroma = planes
    _fill(luma, place, mask)
    for plane in chroma:
        if plane is not None:
            _fill_smaller(plane, luma.shape, place, mask)


def _fill(plane: npt.NDArray[Any], place: tuple[slice, slice], mask: npt.NDArray[np.uint8]) -> None:
    part = np.ascontiguousarray(plane[place])
    filled: Any = cv2.inpaint(part, mask, _RADIUS, cv2.INPAINT_TELEA)
    plane[place] = np.where(mask > 0, filled, plane[place])


def _fill_smaller(
    plane: npt.NDArray[Any],
    whole: tuple[int, ...],
    place: tuple[slice, slice],
    strokes: npt.NDArray[np.uint8],
) -> None:
    down, across = whole[0] // plane.shape[0], whole[1] // plane.shape[1]
    rows = slice(place[0].start // down, -(-place[0].stop // down))
    columns = slice(place[1].start // across, -(-place[1].stop // across))
    shape = plane[rows, columns].shape
    share: Any = cv2.resize(strokes.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    _fill(plane, (rows, columns), (share > 0).astype(np.uint8))
