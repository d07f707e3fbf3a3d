"""How coarsely a decoded picture was coded: the quantiser step of every macroblock.

FFmpeg's H.264 decoder hands out the quantiser of each macroblock on request (its struct
AVVideoEncParams, libavutil/video_enc_params.h). Other decoders do not.
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
_HEAD = struct.Struct("@IQQii")  # number of blocks, their offset and size, type, quantiser


def steps(frame: VideoFrame) -> npt.NDArray[np.float32] | None:
    """Return the quantiser step in 8-bit code values, (rows, columns) of 16×16 blocks.

    None where the decoder does not tell. The step doubles with every 6 of the quantiser
    parameter and is 0.625 at 0 (ITU-T H.264, table of 8.5.9, from memory).
    """
    shelf: Any = frame.side_data  # PyAV's stub takes it for a mapping
    for item in shelf:
        if getattr(item.type, "name", "") == "VIDEO_ENC_PARAMS":
            return _steps(bytes(item), frame.height, frame.width)
    return None


def _steps(data: bytes, height: int, width: int) -> npt.NDArray[np.float32] | None:
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
    return np.asarray(0.625 * 2.0 ** (found / 6), np.float32)
