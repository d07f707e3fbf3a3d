"""Packets that hold the second field of a picture (H.264, field coding).

An interlaced picture may be coded as two fields, each in a packet of its own with a time
stamp of its own. The decoder gives one picture for the two; who counts packets counts
twice. The slice header tells (ITU-T H.264, 7.3.3 and 3.30): the second field has the
same frame number as the field before and the other parity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from seeworthy.media.h264 import Bits, Sps, find_sps

if TYPE_CHECKING:
    from av.packet import Packet
    from av.video.stream import VideoStream

_SLICES = (1, 5)  # nal_unit_type of a coded slice, of another and of an IDR picture
_HEAD = 24  # bytes that hold the beginning of any slice header
_FIRST = 65536  # bytes of a first packet in which its parameter set stands


class SecondFields:
    """Tell, packet by packet in file order, which hold the second field of a picture.

    Args:
        stream: Anything but H.264 that may code fields answers False for every packet.
    """

    def __init__(self, stream: VideoStream) -> None:
        context = stream.codec_context
        extra = bytes(context.extradata or b"")
        self._wanted = context.name == "h264"
        self._sps: Sps | None = find_sps(extra) if self._wanted and extra else None
        # avcC: bytes before each unit say how long it is (ISO/IEC 14496-15, 5.2.4.1).
        self._length = (extra[4] & 3) + 1 if len(extra) > 6 and extra[0] == 1 else 0
        self._before: tuple[int, bool] | None = None  # frame number and parity of an open field

    def __call__(self, packet: Packet[Any]) -> bool:
        """Return True for a packet that belongs to the picture of the packet before."""
        if not self._wanted:
            return False
        data = memoryview(packet)
        if self._sps is None:
            self._sps = find_sps(bytes(data[:_FIRST]))
        if self._sps is None:
            return False
        if not self._sps.interlaced:
            self._wanted = False
            return False
        field = self._field(data, self._sps)
        second = (
            field is not None
            and self._before is not None
            and field[0] == self._before[0]
            and field[1] != self._before[1]
        )
        self._before = None if second else field
        return second

    def _field(self, data: memoryview, sps: Sps) -> tuple[int, bool] | None:
        """Frame number and parity where the packet holds one field only, else None."""
        found: set[tuple[int, bool]] = set()
        for unit in _heads(data, self._length):
            if unit and unit[0] & 0x1F in _SLICES:
                said = _slice(unit, sps)
                if said is None:
                    return None
                found.add(said)
        return found.pop() if len(found) == 1 else None


def _heads(data: memoryview, length: int) -> list[bytes]:
    """Return the first bytes of every unit of a packet."""
    if not length:
        whole = bytes(data)
        return [part[:_HEAD] for part in whole.split(b"\0\0\1")[1:]]
    heads, at = [], 0
    while at + length < len(data):
        size = int.from_bytes(data[at : at + length], "big")
        heads.append(bytes(data[at + length : at + length + min(size, _HEAD)]))
        at += length + size
    return heads


def _slice(unit: bytes, sps: Sps) -> tuple[int, bool] | None:
    """Read frame number and parity off a slice header (7.3.3); None for a whole frame."""
    bits = Bits(unit[1:])
    try:
        for _ in range(3):  # first_mb_in_slice, slice_type, pic_parameter_set_id
            bits.golomb()
        if sps.separate_planes:
            bits.take(2)
        number = bits.take(sps.frame_num_bits)
        return (number, bits.flag()) if bits.flag() else None
    except ValueError:
        return None
