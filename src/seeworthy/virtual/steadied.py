"""A camera that steadies its picture: a window that is moved over frames as they come.

The frames are those of the sensor, rolling shutter and all; the window moves once a frame,
after they were read. So what moves between frames is taken out, and what moves between the
rows of one frame stays. The window cannot leave the frame: at its limits it jumps or drags.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Steadier:
    """How a camera steadies.

    Attributes:
        smooth: s; the way kept is that of the scene in the picture, smoothed by a Gaussian
            of this standard deviation.
        share: Of what should be taken out this part is, 0 to 1.
        margin: px that the window can move to each side.
        recentre: At its limits the window jumps back to the middle; else it drags.
    """

    smooth: float = 0.4
    share: float = 1.0
    margin: int = 24
    recentre: bool = False

    def window(self, way: Floats, rate: float) -> Floats:
        """Return the place of the window for each frame, (n, 2) px.

        Args:
            way: (n, 2). Where a far point of the scene stands in the frames of the sensor, px.
            rate: Frames per second.
        """
        kept = gaussian_filter1d(way, self.smooth * rate, axis=0, mode="nearest")
        wanted = self.share * (way - kept)
        if not self.recentre:
            return np.asarray(np.clip(wanted, -self.margin, self.margin))
        found, middle = np.empty_like(wanted), np.zeros(2)
        for i, place in enumerate(wanted):
            off = np.abs(place - middle) > self.margin
            middle = np.where(off, place, middle)
            found[i] = place - middle
        return np.asarray(found)

    def frames(
        self, shown: Iterable[tuple[float, Codes]], window: Floats
    ) -> Iterator[tuple[float, Codes]]:
        """Yield each frame as its window shows it, smaller by twice the margin."""
        for (seconds, codes), (x, y) in zip(shown, window, strict=False):
            h, w = codes.shape
            size = (w - 2 * self.margin, h - 2 * self.margin)
            place = np.array([[1.0, 0.0, self.margin + x], [0.0, 1.0, self.margin + y]])
            yield seconds, cv2.warpAffine(
                codes, place, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            ).astype(np.uint8)  # fmt: skip
