"""Planes of a decoded frame as arrays, without copies where the format allows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from av.video.frame import VideoFrame

    from seeworthy.media.frames import Stage

_RGB = ("rgb", "bgr", "gbr", "pal", "argb", "rgba", "abgr", "bgra", "0rgb", "0bgr")
# Formats whose samples lie interleaved, and the planar one that holds the same samples.
_PLANAR = {
    "yuyv422": "yuv422p", "uyvy422": "yuv422p", "yvyu422": "yuv422p", "uyyvyy411": "yuv411p",
    "nv12": "yuv420p", "nv21": "yuv420p", "nv16": "yuv422p", "nv24": "yuv444p",
    "p010le": "yuv420p10le", "p010be": "yuv420p10le", "p210le": "yuv422p10le", "ya8": "gray",
}  # fmt: skip


def is_rgb(pixel_format: str) -> bool:
    """Tell whether a pixel format stores R, G and B."""
    return pixel_format.startswith(_RGB)


def _view(frame: VideoFrame, plane: int, rows: int, columns: int, deep: bool) -> npt.NDArray[Any]:
    buffer: Any = frame.planes[plane]
    dtype = np.dtype("<u2") if deep else np.dtype(np.uint8)
    pitch = buffer.line_size // dtype.itemsize
    flat: npt.NDArray[Any] = np.frombuffer(buffer, dtype=dtype, count=pitch * rows)
    view: npt.NDArray[Any] = flat.reshape(rows, pitch)[:, :columns]
    view.flags.writeable = False
    return view


def _planar(frame: VideoFrame) -> VideoFrame:
    """Return the same samples in planes of little-endian numbers; mostly the frame itself."""
    name = frame.format.name
    wanted = _PLANAR.get(name, name)
    if wanted.endswith("be"):
        wanted = wanted[:-2] + "le"
    return frame if wanted == name else frame.reformat(format=wanted)


def _depth(bits: int) -> str:
    """Ending of a pixel format of at least so many bits."""
    return "" if bits <= 8 else next(f"{b}le" for b in (10, 12, 14, 16) if b >= bits)


def luma_view(frame: VideoFrame, stage: Stage) -> npt.NDArray[Any]:
    """Return the luma plane, (H, W); a copy only for interleaved and RGB formats."""
    if is_rgb(frame.format.name):
        frame = frame.reformat(format=f"gray{_depth(stage.bits)}")
    else:
        frame = _planar(frame)
    return _view(frame, 0, frame.height, frame.width, stage.bits > 8)


def chroma_views(
    frame: VideoFrame, stage: Stage
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]] | None:
    """Return Cb and Cr at their stored resolution, None for grey."""
    if is_rgb(frame.format.name):
        # Full range like the R, G and B it comes from; deep formats have no 'j' of their own.
        deeper = _depth(stage.bits)
        wanted = f"yuv444p{deeper}" if deeper else "yuvj444p"
        frame = frame.reformat(format=wanted, dst_color_range="JPEG")
    else:
        frame = _planar(frame)
    if len(frame.planes) < 3:
        return None
    deep = stage.bits > 8
    first, second = frame.planes[1], frame.planes[2]
    return (
        _view(frame, 1, first.height, first.width, deep),
        _view(frame, 2, second.height, second.width, deep),
    )


def rgb_copy(frame: VideoFrame, stage: Stage) -> npt.NDArray[np.uint8]:
    """Return gamma-coded 8-bit RGB, (H, W, 3), by the tags of the frame."""
    array: Any = frame.to_ndarray(format="rgb24")
    return np.asarray(array, np.uint8)
