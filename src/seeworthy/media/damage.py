"""Finding damaged frames exactly.

FFmpeg conceals what it cannot decode and flags the frame. With frame threads the flag can be set
after the frame has been handed out (a picture that waits to be shown is given on before the thread
that decodes it has ended), so about one damaged frame in ten goes unflagged, another one each run.
The pass therefore listens to the decoder's messages, and when it heard any it looks again, in one
thread, where the flags are exact; sound clips pay nothing.
"""

from __future__ import annotations

import heapq
import threading
from types import TracebackType
from typing import TYPE_CHECKING, Any, ClassVar, Self

import av.error
import av.logging

from seeworthy.media.fields import SecondFields
from seeworthy.media.opening import rest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from av.container import InputContainer
    from av.packet import Packet
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

# Damaged frames shall come out (and be flagged), not vanish.
KEEP_DAMAGED = {"flags": "+output_corrupt", "flags2": "+showall"}


class Listening:
    """Count the decoder's messages while a pass runs.

    FFmpeg's log is one per process; passes in several threads share it, which can only
    make one look twice for nothing.
    """

    _lock: ClassVar[threading.Lock] = threading.Lock()
    _users: ClassVar[int] = 0
    _before: ClassVar[tuple[int | None, bool]] = (None, True)
    _capture: ClassVar[Any] = None
    _messages: ClassVar[list[Any]] = []

    def __init__(self, container: InputContainer, codec: str) -> None:
        self._container = container
        self._codec = codec
        self._start = 0

    def __enter__(self) -> Self:
        cls = Listening
        with cls._lock:
            if cls._users == 0:
                cls._before = (av.logging.get_level(), av.logging.get_skip_repeated())
                av.logging.set_skip_repeated(False)
                av.logging.set_level(av.logging.INFO)
                cls._capture = av.logging.Capture(local=False)
                cls._messages = cls._capture.__enter__()
            cls._users += 1
            self._start = len(cls._messages)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        cls = Listening
        rest(self._container)  # every message is delivered before nobody listens
        with cls._lock:
            cls._users -= 1
            if cls._users == 0:
                cls._capture.__exit__(None, None, None)
                level, skip = cls._before
                av.logging.set_level(level)
                av.logging.set_skip_repeated(skip)

    def heard(self) -> bool:
        """Tell whether the decoder said anything since this context was entered."""
        return any(name == self._codec for _, name, _ in Listening._messages[self._start :])


# A decoder that learns the depth of its reordering late lets one or two frames out too soon.
_FALLS = 2


class Numbering:
    """Number frames by presentation order in the file, counting those that never came out.

    A frame's number is the rank of its time stamp among the packets'. When the decoder
    swallows a frame, the numbers of those after it stay right and the gap is known. Where
    frames come out with stamps that fall again and again, the stamps number nothing: from
    there on frames are counted as they come, and none is called lost.

    Args:
        by_stamp: False for containers whose packets have no presentation time of their own (AVI):
            frames are then counted as they come.
        second: Tells packets that hold the second field of a picture: they are none of their own.
    """

    def __init__(self, by_stamp: bool = True, second: SecondFields | None = None) -> None:
        self._by_stamp = by_stamp
        self._second = second
        self._sent: list[int] = []
        self._next = 0
        self._out = 0
        self._latest: int | None = None
        self._falls = 0
        self.lost: list[int] = []
        self.extra = 0  # packets that are no picture of their own: second fields, hidden ones

    def sent(self, packet: Packet[Any]) -> None:
        """Note a packet that goes to the decoder."""
        if packet.size and (packet.is_discard or (self._second and self._second(packet))):
            self.extra += 1
            return
        if self._by_stamp and packet.pts is not None and packet.size and not packet.is_discard:
            heapq.heappush(self._sent, packet.pts)

    def number(self, pts: int | None) -> int:
        """Return the number of a frame that came out."""
        self._watch_stamps(pts)
        if pts is not None and self._sent:
            missing = 0
            while self._sent and self._sent[0] < pts:
                heapq.heappop(self._sent)
                missing += 1
            if self._sent and self._sent[0] == pts:
                heapq.heappop(self._sent)
            self.lost.extend(range(self._next, self._next + missing))
            self._next += missing
        self._next += 1
        self._out += 1
        return self._next - 1

    def _watch_stamps(self, pts: int | None) -> None:
        if pts is None or not self._by_stamp:
            return
        if self._latest is not None and pts < self._latest:
            self._falls += 1
        self._latest = pts
        if self._falls > _FALLS:
            self._by_stamp = False
            self._sent.clear()
            self.lost.clear()
            self._next = self._out

    def ended(self) -> None:
        """Count what was sent and never came out as lost."""
        self.lost.extend(range(self._next, self._next + len(self._sent)))
        self._sent.clear()


def numbering_for(container: InputContainer, stream: VideoStream) -> Numbering:
    """Return the numbering that suits a container and its pictures."""
    return Numbering(container.format.name != "avi", SecondFields(stream))


def decoded(
    container: InputContainer, stream: VideoStream, numbering: Numbering, errors: list[str]
) -> Iterator[tuple[int, VideoFrame, Packet[Any]]]:
    """Yield (number, frame, last packet sent) for every frame, going on after errors."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets, None)
        except av.error.FFmpegError as error:
            errors.append(f"The file breaks off: reading it failed ({error.strerror}).")
            packet = None
        if packet is None:
            break
        numbering.sent(packet)
        try:
            frames = packet.decode()
        except av.error.FFmpegError as error:
            errors.append(f"A packet could not be decoded ({error.strerror}).")
            continue
        for frame in frames:
            yield numbering.number(frame.pts), frame, packet
    numbering.ended()


def damaged_frames(
    container: InputContainer, stream: VideoStream, until: int | None = None
) -> list[int]:
    """Decode in one thread, where flags are exact, and return the damaged frames' numbers.

    Args:
        until: Number of the first frame that does not matter.
    """
    stream.thread_type = "NONE"
    stream.codec_context.options = dict(KEEP_DAMAGED)
    numbering = numbering_for(container, stream)
    flagged = []
    for number, frame, _ in decoded(container, stream, numbering, []):
        if until is not None and number >= until:
            break
        if frame.is_corrupt:
            flagged.append(number)
    return sorted({*flagged, *numbering.lost})
