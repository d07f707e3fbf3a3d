"""How coarsely a decoded picture was coded: the quantiser step of every macroblock.

FFmpeg's H.264 decoder hands out the quantiser of each macroblock on request (its struct
AVVideoEncParams, libavutil/video_enc_params.h); a Motion JPEG picture brings its table along.
Other decoders do not tell. (Those of MPEG-1, 2 and 4 do; `native` was misled by it on a drawn film
coded twice, and is better off without.)
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from av.video.frame import VideoFrame

TELL_STEPS = {"export_side_data": "+venc_params"}
"""Decoder options that ask for it; they cost nothing that can be measured."""

_BLOCK = 16  # px, of a macroblock
_H264 = 1  # AV_VIDEO_ENC_PARAMS_H264
_START, _TABLE, _SCAN, _FRAMES = 0xD8, 0xDB, 0xDA, (0xC0, 0xC1, 0xC2)  # markers, ITU-T T.81
_HEAD = struct.Struct("@IQQii")  # number of blocks, their offset and size, type, quantiser


def steps(frame: VideoFrame) -> npt.NDArray[np.float32] | None:
    """Return the quantiser step in 8-bit code values, (rows, columns) of 16×16 blocks.

    Of H.264, whose step is that of every coefficient alike; None where the decoder does not tell.
    The step doubles with every 6 of the quantiser parameter and is 0.625 at 0 (ITU-T H.264, table
    of 8.5.9, from memory).
    """
    found = _told(frame)
    return None if found is None else np.asarray(0.625 * 2.0 ** (found / 6), np.float32)


def fine_steps(frame: VideoFrame, coder: str, data: bytes) -> npt.NDArray[np.float32] | None:
    """Return the step of fine detail, as `steps`, also of Motion JPEG, whose step grows with it.

    Args:
        coder: The decoder's name.
        data: The packet of this picture or of one near it.
    """
    found = steps(frame)
    if found is not None:
        return found
    step = _of_jpeg(data) if coder == "mjpeg" else None
    shape = -(-frame.height // _BLOCK), -(-frame.width // _BLOCK)
    return None if step is None else np.full(shape, step, np.float32)


def _of_jpeg(data: bytes) -> float | None:
    """Return the rms step of a JPEG's luma, its mean left out; None where there is no table."""
    tables: dict[int, npt.NDArray[np.float64]] = {}
    luma, at = 0, 2
    while at + 4 <= len(data) and data[:2] == bytes((0xFF, _START)) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        part = data[at + 4 : at + 2 + length]
        if marker == _SCAN:
            break
        if marker in _FRAMES and len(part) > 8:
            luma = part[8]
        while marker == _TABLE and part:
            kind = np.dtype(">u2") if part[0] >> 4 else np.dtype("u1")
            size = 64 * kind.itemsize
            if len(part) <= size:
                break
            tables[part[0] & 15] = np.frombuffer(part, kind, 64, 1).astype(float)
            part = part[1 + size :]
        at += 2 + length
    table = tables.get(luma)
    return None if table is None else float(np.sqrt((table[1:] ** 2).mean()))


def _told(frame: VideoFrame) -> npt.NDArray[np.float32] | None:
    """Return the quantiser parameter of every macroblock, if the decoder tells it."""
    shelf: Any = frame.side_data  # PyAV's stub takes it for a mapping
    for item in shelf:
        if getattr(item.type, "name", "") == "VIDEO_ENC_PARAMS":
            return _blocks(bytes(item), frame.height, frame.width)
    return None


def _blocks(data: bytes, height: int, width: int) -> npt.NDArray[np.float32] | None:
    if len(data) < _HEAD.size:
        return None
    count, offset, size, kind, base = _HEAD.unpack_from(data)
    if kind != _H264 or not count or size < 20 or len(data) < offset + count * size:
        return None
    blocks = np.frombuffer(data, np.int32, count * size // 4, offset).reshape(count, size // 4)
    rows, columns = -(-height // _BLOCK), -(-width // _BLOCK)
    found = np.full((rows, columns), base, np.float32)
    row, column = blocks[:, 1] // _BLOCK, blocks[:, 0] // _BLOCK
    inside = (row < rows) & (column < columns) & (row >= 0) & (column >= 0)
    found[row[inside], column[inside]] += blocks[inside, 4]
    return found
