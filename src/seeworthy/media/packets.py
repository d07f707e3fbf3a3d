"""Facts of packets, kept in compact arrays: 33 bytes a packet, 600 kB for ten minutes."""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from av.packet import Packet

NO_STAMP = -(2**63)  # as the library has it, AV_NOPTS_VALUE
_KEY, _CORRUPT, _DISCARD, _SECOND = 1, 2, 4, 8  # bits of a packet's flags as kept here

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Packets:
    """The packets of one stream, in file order.

    Attributes:
        time_base: Seconds per tick.
        pts, dts, duration: Presentation and decoding time and duration in ticks; `NO_STAMP` where
            the file has none (duration: 0).
        size: Bytes.
        key, corrupt, discard: Random access point; flagged by the container as damaged; not to be
            shown.
        second: Holds the second field of the picture before it (see `seeworthy.media.fields`).
    """

    time_base: Fraction
    pts: Ints
    dts: Ints
    duration: Ints
    size: Ints
    key: Flags
    corrupt: Flags
    discard: Flags
    second: Flags

    def __len__(self) -> int:
        return int(self.size.size)

    @property
    def bytes(self) -> int:
        """Sum of the sizes."""
        return int(self.size.sum())

    @property
    def pictures(self) -> int:
        """Pictures, two fields counted once."""
        return int(self.size.size - np.count_nonzero(self.second))

    def shown_stamps(self) -> Ints:
        """Presentation times of the pictures to be shown, sorted, in ticks."""
        return np.sort(self.pts[(self.pts != NO_STAMP) & ~self.discard & ~self.second])

    def storage_seconds(self) -> npt.NDArray[np.float64]:
        """When each packet has to be written, in seconds: decoding time, file order.

        A packet without a stamp is put evenly between its neighbours; empty where no
        packet has one.
        """
        stamps = self.dts if np.all(self.dts != NO_STAMP) else self.pts
        good = stamps != NO_STAMP
        if not good.any():
            return np.empty(0)
        first = int(stamps[good].min())
        # Differences of integers first: a time stamp may be larger than a float holds.
        seconds = np.where(good, stamps - first, 0).astype(np.float64) * float(self.time_base)
        places = np.arange(stamps.size)
        filled: npt.NDArray[np.float64] = np.interp(places, places[good], seconds[good])
        return filled

    def gop_lengths(self) -> Ints:
        """Pictures from one key picture to the next, whole groups only."""
        return np.diff(np.flatnonzero(self.key[~self.second])).astype(np.int64)

    def reordered_runs(self) -> Ints:
        """Lengths of runs of pictures shown before one that was stored earlier (B pictures)."""
        stamps = self.pts[(self.pts != NO_STAMP) & ~self.second]
        if stamps.size < 2:
            return np.empty(0, np.int64)
        behind = np.concatenate([[False], stamps[1:] < np.maximum.accumulate(stamps)[:-1]])
        edges = np.flatnonzero(np.diff(np.concatenate([[0], behind.astype(np.int8), [0]])))
        return (edges[1::2] - edges[::2]).astype(np.int64)


class PacketLog:
    """Collect packets one by one."""

    def __init__(self, time_base: Fraction) -> None:
        self._time_base = time_base
        self._times = array("q")
        self._flags = array("B")

    def add(self, packet: Packet[Any], second: bool = False) -> None:
        """Note one packet with data; `second`: it holds the second field of a picture."""
        pts, dts = packet.pts, packet.dts
        self._times.extend(
            (
                NO_STAMP if pts is None else pts,
                NO_STAMP if dts is None else dts,
                packet.duration or 0,
                packet.size,
            )
        )
        self._flags.append(
            _KEY * packet.is_keyframe
            + _CORRUPT * packet.is_corrupt
            + _DISCARD * packet.is_discard
            + _SECOND * second
        )

    def done(self) -> Packets:
        """Return what was collected."""
        table = np.frombuffer(self._times, np.int64).reshape(-1, 4).T.copy()
        flags = np.frombuffer(self._flags, np.uint8) if self._flags else np.empty(0, np.uint8)
        return Packets(
            self._time_base, table[0], table[1], table[2], table[3],
            (flags & _KEY) > 0, (flags & _CORRUPT) > 0, (flags & _DISCARD) > 0,
            (flags & _SECOND) > 0,
        )  # fmt: skip
