"""H.264 samples in media data: which bytes are a picture, and in which order it is shown.

ITU-T H.264, 7.3.1 (NAL unit), 7.3.2.1.1 (sequence parameter set), 7.3.3 (slice header),
8.2.1 (picture order count).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from seeworthy.media.h264 import Bits, parse_sps

_VCL = (1, 5)  # ITU-T H.264, table 7-1: slices of other and of IDR pictures
_TYPES = {1, 5, 6, 7, 8, 9, 12}
_ALWAYS_REFERENCE = {5, 7, 8}
_NEVER_REFERENCE = {6, 9, 12}
_HEADER_BYTES = 48  # a slice header up to the picture order count fits in here


@dataclass(frozen=True, slots=True)
class Parameters:
    """What is needed of the parameter sets to read a slice header."""

    units: frozenset[bytes]
    pictures: frozenset[int]
    frame_num_bits: int
    order_type: int
    order_bits: int
    frames_only: bool
    separate_planes: bool


@dataclass(frozen=True, slots=True)
class Slice:
    """The head of a slice."""

    first_mb: int
    kind: int
    picture: int
    idr: bool
    reference: bool
    frame_num: int
    order_lsb: int


@dataclass(frozen=True, slots=True)
class Sample:
    """One coded picture with what belongs to it: offset and size in the file."""

    offset: int
    size: int
    key: bool
    reference: bool
    order_lsb: int
    frame_num: int = 0


def read_parameters(avcc: bytes) -> Parameters:
    """Read the parameter sets of an ``avcC`` record.

    Raises:
        ValueError: No usable parameter sets.
    """
    sets, pictures = _parameter_sets(avcc)
    if not sets or not pictures:
        raise ValueError("no parameter sets")
    sps = parse_sps(sets[0])
    return Parameters(
        frozenset(u.rstrip(b"\0") for u in sets + pictures),
        frozenset(Bits(u[1:]).golomb() for u in pictures),
        sps.frame_num_bits,
        sps.order_type,
        sps.order_bits,
        not sps.interlaced,
        sps.separate_planes,
    )


def _parameter_sets(avcc: bytes) -> tuple[list[bytes], list[bytes]]:
    """Return sequence and picture parameter sets of an AVCDecoderConfigurationRecord."""
    found: list[list[bytes]] = []
    at = 5
    for mask in (0x1F, 0xFF):
        count, part = avcc[at] & mask, []
        at += 1
        for _ in range(count):
            size = int.from_bytes(avcc[at : at + 2], "big")
            part.append(avcc[at + 2 : at + 2 + size])
            at += 2 + size
        found.append(part)
    return found[0], found[1]


def read_slice(unit: bytes, p: Parameters) -> Slice | None:
    """Read the head of a slice NAL unit; None when it cannot be one of this stream."""
    bits = Bits(unit[1:_HEADER_BYTES])
    idr = unit[0] & 0x1F == 5
    try:
        first = bits.golomb()
        kind = bits.golomb()
        picture = bits.golomb()
        if kind > 9 or picture not in p.pictures or (idr and kind % 5 not in (2, 4)):
            return None
        if p.separate_planes:
            bits.take(2)
        number = bits.take(p.frame_num_bits)
        if not p.frames_only and bits.flag():
            bits.flag()
        if idr:
            bits.golomb()
        order = bits.take(p.order_bits) if p.order_type == 0 else 0
    except ValueError:
        return None
    return Slice(first, kind, picture, idr, unit[0] & 0x60 != 0, number, order)


def plausible(header: int) -> bool:
    """Tell whether a byte can be the header of a NAL unit in a camera's file."""
    kind, reference = header & 0x1F, header & 0x60
    if header & 0x80 or kind not in _TYPES:
        return False
    if kind in _ALWAYS_REFERENCE:
        return reference != 0
    return reference == 0 if kind in _NEVER_REFERENCE else True


@dataclass(frozen=True, slots=True)
class Habits:
    """What a camera's encoder does, learned from the good clip.

    Sound can look like the head of a slice; that it also has the size, the kind, the
    number and the place in the order of display that come next is unlikely.

    Attributes:
        heads: Header byte and slice type (modulo 5) of first slices.
        largest: Largest unit by header byte.
        steps: Steps of the picture order count (modulo its range) from picture to picture.
    """

    heads: frozenset[tuple[int, int]]
    largest: dict[int, int]
    steps: frozenset[int]


def learn(packets: Iterable[bytes], p: Parameters, length_size: int) -> Habits:
    """Learn habits from the coded pictures of a good clip, in coding order."""
    heads: set[tuple[int, int]] = set()
    largest: dict[int, int] = {}
    steps: set[int] = set()
    last = None
    for packet in packets:
        at = 0
        while at + length_size < len(packet):
            size = int.from_bytes(packet[at : at + length_size], "big")
            unit = packet[at + length_size : at + length_size + size]
            at += length_size + size
            if not unit:
                continue
            largest[unit[0]] = max(largest.get(unit[0], 0), size)
            head = read_slice(unit, p) if unit[0] & 0x1F in _VCL else None
            if head is not None and head.first_mb == 0:
                heads.add((unit[0], head.kind % 5))
                if last is not None and not head.idr:
                    steps.add((head.order_lsb - last) % (1 << p.order_bits))
                last = head.order_lsb
    return Habits(frozenset(heads), largest, frozenset(steps))


_ROOM = 3  # a unit may be this many times as large as the largest of the good clip


class SampleReader:
    """Reads coded pictures out of a buffer.

    Args:
        data: buffer. The file (memory map).
        length_size: Bytes of the NAL length field, from ``avcC``.
    """

    def __init__(
        self, data: memoryview, parameters: Parameters, length_size: int, habits: Habits
    ) -> None:
        self.data = data
        self.parameters = parameters
        self.length_size = length_size
        self.habits = habits
        self.largest = _ROOM * max(habits.largest.values(), default=1 << 16)
        self.cut: int | None = None  # offset of a picture that the end of the file cuts
        self._last_reference: int | None = None  # frame_num of the last reference picture
        self._last_order: int | None = None

    def at(self, start: int, end: int) -> Sample | None:
        """Return the coded picture that begins at an offset, or None."""
        position = start
        head: Slice | None = None
        while position + self.length_size < end:
            size = int.from_bytes(self.data[position : position + self.length_size], "big")
            unit = position + self.length_size
            header = self.data[unit]
            room = _ROOM * self.habits.largest.get(header, 1 << 12)
            if not 2 <= size <= room or not plausible(header):
                break
            kind = header & 0x1F
            if kind in _VCL:
                found = read_slice(bytes(self.data[unit : unit + _HEADER_BYTES]), self.parameters)
                if found is None or (head is None) != (found.first_mb == 0):
                    break
                if head is None and not self._follows(header, found):
                    return None
                if unit + size > end:
                    self.cut = start
                    return None
                head = head or found
            elif head is not None:
                break  # parameter sets and the like open the next picture
            elif unit + size > end or not self._fits(kind, unit, size):
                return None
            position = unit + size
        if head is None:
            return None
        return Sample(
            start, position - start, head.idr, head.reference, head.order_lsb, head.frame_num
        )

    def take(self, sample: Sample) -> None:
        """Remember a picture that was accepted: the next one must follow it."""
        if sample.reference or sample.key:
            self._last_reference = sample.frame_num
        self._last_order = sample.order_lsb

    def _follows(self, header: int, found: Slice) -> bool:
        """Check kind, step of order, and frame_num (7.4.3: one more than the last reference)."""
        if (header, found.kind % 5) not in self.habits.heads:
            return False
        if found.idr:
            return found.frame_num == 0
        if self._last_reference is None:
            return True
        step = (found.order_lsb - (self._last_order or 0)) % (1 << self.parameters.order_bits)
        if step not in self.habits.steps:
            return False
        expected = (self._last_reference + 1) % (1 << self.parameters.frame_num_bits)
        return found.frame_num == expected

    def _fits(self, kind: int, unit: int, size: int) -> bool:
        """Check a unit before a picture, so that a stretch of sound is not taken for one."""
        body = bytes(self.data[unit : unit + size])
        if kind in (7, 8):
            return body.rstrip(b"\0") in self.parameters.units
        if kind == 9:
            return size == 2
        return _is_message(body) if kind == 6 else not body[1:-1].strip(b"\xff")


def _is_message(unit: bytes) -> bool:
    """Tell whether the messages of an SEI unit add up to its size (7.3.2.3)."""
    at, end = 1, len(unit.rstrip(b"\0")) - 1  # the last byte holds the stop bit
    while at < end:
        for _ in range(2):  # payload type, then payload size
            value = 0
            while at < end and unit[at] == 0xFF:
                value, at = value + 255, at + 1
            if at >= end:
                return False
            value, at = value + unit[at], at + 1
        at += value + unit[at : at + value].count(b"\0\0\3")
    return at == end and unit[end] == 0x80


def display_order(samples: list[Sample], p: Parameters) -> list[int]:
    """Return for every sample its place in order of display (8.2.1.1 for type 0).

    Streams of type 1 and 2 without reordering are shown as they are coded.
    """
    if p.order_type != 0:
        return list(range(len(samples)))
    top = 1 << p.order_bits
    counts: list[tuple[int, int]] = []
    period = previous_msb = previous_lsb = 0
    for sample in samples:
        if sample.key:
            period += 1
            previous_msb = previous_lsb = 0
        lsb = sample.order_lsb
        if lsb < previous_lsb and previous_lsb - lsb >= top // 2:
            msb = previous_msb + top
        elif lsb > previous_lsb and lsb - previous_lsb > top // 2:
            msb = previous_msb - top
        else:
            msb = previous_msb
        counts.append((period, msb + lsb))
        if sample.reference:
            previous_msb, previous_lsb = msb, lsb
    order = sorted(range(len(samples)), key=counts.__getitem__)
    places = [0] * len(samples)
    for place, index in enumerate(order):
        places[index] = place
    return places
