"""Running sums over the frames of a moving scene in which burned-in lettering shows up.

Whatever is burned in (or stands still with the camera) has the same signed gradient in
every view; a scene that moves has a random one, whose sum grows with the root of the
number of views only. Memory is a few planes of the frame, however long the clip.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

Floats = npt.NDArray[np.float32]

SOFT = 8.0
"""Gradient in 8-bit code values per px that counts half: grain and block grids stay below it."""

BLOCK = 16
"""Side in px of the blocks in which motion is judged."""

THIN = 4
"""Every fourth pixel across and down is enough for the scatter of brightness."""

_TEXTURED = 0.12  # gradient; set on rendered scenes (seeds 1 and 2)
_ALIKE = 0.45  # correlation; set on rendered scenes (seeds 1 and 2)
_MOVED = 0.5  # of the textured blocks (a judgement)
_MOST = 72  # views of a clip: time and memory
_STRIP = 32  # rows at a time: memory
_LEAST = 40  # views of a short clip (a judgement)


class StampSums:
    """Observer that sums signed gradients over views that differ.

    A view counts when in most of the blocks with detail the gradients differ from those of
    the view that counted last; a camera at rest therefore adds nothing.

    Attributes:
        views, looked: Views that counted; frames looked at.
        detail: Largest share of blocks with detail in any frame.
        x, y: Sums of the gradient, each view's length brought to 0…1 (`SOFT`).
        square: Sum of the square of the length.
        again: Sum of the products of each view with the one before: what stays for a moment.
        level, level2: Sums of the code values and of their squares, every `THIN`-th pixel.
        shrink: Pictures wider than full HD are looked at reduced by this factor; all planes are
            then of the reduced size.
        picture: The view that counted last, as 8-bit luma, for evidence.
    """

    def __init__(self) -> None:
        self.stage: Stage | None = None
        self.views = self.looked = 0
        self.detail = 0.0
        self.shrink = 1
        self.picture: npt.NDArray[np.uint8] | None = None
        self._last: tuple[Floats, ...] | None = None
        self._now: tuple[Floats, ...] = ()
        self._step = 1

    def begin(self, stage: Stage) -> None:
        """Make the planes of sums."""
        self.stage = stage
        over = max(stage.width / 1920, stage.height / 1080)
        self.shrink = max(1, math.ceil(over - 0.25))
        shape = (stage.height // self.shrink, stage.width // self.shrink)
        self.x, self.y, self.square, self.again = _planes(shape, 4)
        # Planes that are kept, and strips that stay in the processor's cache: fresh planes of
        # this size cost more than the arithmetic.
        self._now = _planes(shape, 5)
        self._strips = [slice(row, row + _STRIP) for row in range(0, shape[0], _STRIP)]
        thin = (-(-shape[0] // THIN), -(-shape[1] // THIN))
        self.level, self.level2 = np.zeros(thin), np.zeros(thin)
        rate = float(stage.nominal_rate or 30)
        self._step = max(1, round(rate / 6))
        if stage.frames_hint:
            self._step = max(min(self._step, round(stage.frames_hint / _LEAST)), 1)
            self._step = max(self._step, stage.frames_hint // _MOST)

    def frame(self, view: FrameView) -> bool | None:
        """Look at every so-manyth frame."""
        if view.index % self._step == 0 and not view.corrupt:
            assert self.stage is not None
            luma = view.luma if self.stage.bits == 8 else view.luma >> (self.stage.bits - 8)
            whole = np.ascontiguousarray(luma, np.uint8)
            if self.shrink > 1:
                size = (self.x.shape[1], self.x.shape[0])
                whole = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
            self.add(whole)
        return None

    def finish(self) -> None:
        """Let go of what only the next frame would need."""
        self._last, self._now = None, ()

    def add(self, luma: npt.NDArray[np.uint8]) -> bool:
        """Add a frame, (H, W) uint8, if it differs from what was seen last."""
        self.looked += 1
        gx, gy, size, square, product = self._now
        cv2.Sobel(luma, cv2.CV_32F, 1, 0, dst=gx, scale=1 / 8)
        cv2.Sobel(luma, cv2.CV_32F, 0, 1, dst=gy, scale=1 / 8)
        for rows in self._strips:
            self._compress(rows)
        if not self._differs(square, None if self._last is None else product):
            return False
        if self._last is not None:
            self.again += product
        self.x += gx
        self.y += gy
        self.square += square
        thin = luma[::THIN, ::THIN].astype(np.float64)
        self.level += thin
        self.level2 += thin * thin
        free = self._last or _planes(luma.shape, 2)
        self._last, self._now = (gx, gy), (*free, size, square, product)
        self.picture = luma.copy()
        self.views += 1
        return True

    def _compress(self, rows: slice) -> None:
        """Bring the gradients of some rows to a length of 0…1 and multiply them with the last."""
        gx, gy, size, square, product = (plane[rows] for plane in self._now)
        cv2.magnitude(gx, gy, magnitude=size)
        scale = 1 / (size + np.float32(SOFT))
        gx *= scale
        gy *= scale
        size *= scale
        np.multiply(size, size, out=square)
        if self._last is not None:
            np.multiply(gx, self._last[0][rows], out=product)
            product += gy * self._last[1][rows]

    def _differs(self, square: Floats, product: Floats | None) -> bool:
        energy = _blocks(square)
        textured = energy > _TEXTURED**2
        share = float(textured.mean())
        self.detail = max(self.detail, share)
        if product is None:
            return True
        if not textured.any():
            return False
        alike = _blocks(product)[textured] > _ALIKE * energy[textured]
        return float(1 - alike.mean()) >= _MOVED

    def still(self) -> float:
        """Return the share of the detail that stood still over all views that counted.

        Over a scene that moves everywhere it is the share of what is held by the camera.
        """
        if self.views < 2:
            return 1.0
        mean = _blocks(self.square) / self.views
        held = (_blocks(self.x**2 + self.y**2) / self.views - mean) / (self.views - 1)
        textured = mean > _TEXTURED**2
        return float(np.mean(held[textured] > _ALIKE * mean[textured])) if textured.any() else 1.0


def _planes(shape: tuple[int, ...], count: int) -> tuple[Floats, ...]:
    return tuple(np.zeros(shape, np.float32) for _ in range(count))


def _blocks(plane: Floats) -> Floats:
    """Return means over blocks."""
    h, w = plane.shape
    size = (max(1, w // BLOCK), max(1, h // BLOCK))
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)
