"""Planes of a decoded frame as arrays, without copies where the format allows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from av.video.frame import VideoFrame

    from seeworthy.media.frames import Stage

_PACKED_OR_RGB = ("rgb", "bgr", "gbr", "pal", "yuyv", "uyvy", "argb", "rgba", "abgr", "bgra")


def _view(frame: VideoFrame, plane: int, rows: int, columns: int, deep: bool) -> npt.NDArray[Any]:
    buffer: Any = frame.planes[plane]
    dtype = np.dtype("<u2") if deep else np.dtype(np.uint8)
    pitch = buffer.line_size // dtype.itemsize
    flat: npt.NDArray[Any] = np.frombuffer(buffer, dtype=dtype, count=pitch * rows)
    view: npt.NDArray[Any] = flat.reshape(rows, pitch)[:, :columns]
    view.flags.writeable = False
    return view


def _planar(stage: Stage) -> bool:
    return not stage.pixel_format.startswith(_PACKED_OR_RGB)


def luma_view(frame: VideoFrame, stage: Stage) -> npt.NDArray[Any]:
    """Return the luma plane, (H, W); a copy only for packed and RGB formats."""
    if _planar(stage):
        return _view(frame, 0, frame.height, frame.width, stage.bits > 8)
    gray = frame.reformat(format="gray")
    return _view(gray, 0, gray.height, gray.width, False)


def chroma_views(
    frame: VideoFrame, stage: Stage
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]] | None:
    """Return Cb and Cr at their stored resolution, None for grey."""
    if not _planar(stage):
        frame = frame.reformat(format="yuv444p")
        deep = False
    else:
        deep = stage.bits > 8
    if len(frame.planes) < 3:
        return None
    first, second = frame.planes[1], frame.planes[2]
    return (
        _view(frame, 1, first.height, first.width, deep),
        _view(frame, 2, second.height, second.width, deep),
    )


def rgb_copy(frame: VideoFrame, stage: Stage) -> npt.NDArray[np.uint8]:
    """Return gamma-coded 8-bit RGB, (H, W, 3), by the tags of the frame."""
    array: Any = frame.to_ndarray(format="rgb24")
    return np.asarray(array, np.uint8)
