"""Frames whose every sample is set: a fresh buffer holds whatever memory held before."""

from __future__ import annotations

import av
import numpy as np


def grey_frame(width, height, layout):
    """Return an even grey frame of a planar pixel layout.

    A new `av.VideoFrame` is not cleared. In a layout of 10 bits in 16 its leftovers can lie
    outside the range of the layout, for which an encoder's tables have no entry.
    """
    frame = av.VideoFrame(width, height, layout)
    for plane, part in zip(frame.planes, frame.format.components, strict=True):
        kind = np.dtype("<u2" if part.bits > 8 else "u1")
        count = plane.buffer_size // kind.itemsize
        plane.update(np.full(count, 1 << (part.bits - 1), kind).tobytes())
    return frame
