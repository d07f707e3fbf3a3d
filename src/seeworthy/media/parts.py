"""Looking at parts of a clip only: where it begins and ends, and a pass that seeks.

Some questions need the first and the last seconds of a long file. Seeking to the key
frame before them costs a few frames of decoding instead of the whole file.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import av.error

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.damage import KEEP_DAMAGED, Listening, Numbering, decoded
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.quantiser import TELL_STEPS

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.stream import Stream as AvStream
    from av.video.stream import VideoStream

    from seeworthy.media.frames import FrameView, Observer, Part, PassSummary, Stage
    from seeworthy.media.source import Source

_FIRST = 40  # packets in which the frame shown first must be (reordering reaches 16)
_FAR = 2**40  # ticks: beyond any clip, within what every container can be asked for


@dataclass(frozen=True, slots=True)
class Extent:
    """Where a stream begins and ends, by its stamps.

    Attributes:
        first, last: Seconds of the first and the last frame shown.
        end: When the last frame has been shown.
    """

    first: Fraction
    last: Fraction
    end: Fraction

    @property
    def seconds(self) -> Fraction:
        """From the start of the first frame to the end of the last."""
        return self.end - self.first


def extent(container: InputContainer, stream: AvStream) -> Extent | None:
    """Find first and last stamp by reading packets at both ends; nothing is decoded.

    The container is left at its end. None for streams without time stamps.
    """
    base: Fraction | None = stream.time_base
    if base is None:
        return None
    head = _stamps(container, stream, _FIRST)
    if not head:
        return None
    start = min(pts for pts, _ in head)
    try:
        container.seek(start + _FAR, stream=stream)
    except av.error.FFmpegError:
        return None
    tail = _stamps(container, stream, None)
    shown = sorted({*tail, *head})
    last, length = shown[-1]
    if container.format.name == "avi" or not length:
        # An AVI counts frames: durations of packets mean nothing there.
        steps = sorted(b[0] - a[0] for a, b in itertools.pairwise(shown[:_FIRST]))
        length = steps[len(steps) // 2] if steps else 0
    return Extent(start * base, last * base, (last + length) * base)


def _stamps(container: InputContainer, stream: AvStream, most: int | None) -> list[tuple[int, int]]:
    """Return (stamp, duration) of the packets from here on, at most so many."""
    found: list[tuple[int, int]] = []
    try:
        for packet in container.demux(stream):
            if packet.size and packet.pts is not None and not packet.is_discard:
                found.append((packet.pts, packet.duration or 0))
            if most is not None and len(found) >= most:
                break
    except av.error.FFmpegError:
        pass  # a damaged end: what was read before it counts
    return found


Span = tuple[Fraction, Fraction]


def spans_of(parts: Sequence[Part], whole: Extent) -> list[Span]:
    """Turn parts into stretches of file time, sorted, joined where they touch."""
    found: list[Span] = []
    for part in parts:
        begin = (whole.first if part.start >= 0 else whole.end) + Fraction(part.start)
        found.append((max(begin, whole.first), min(begin + Fraction(part.seconds), whole.end)))
    joined: list[Span] = []
    for begin, end in sorted(found):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return joined


class Gate:
    """Stands before an observer and lets through the frames of its parts only."""

    def __init__(self, observer: Observer, spans: Sequence[Span]) -> None:
        self._observer = observer
        self._spans = [(float(begin) - 1e-6, float(end) - 1e-6) for begin, end in spans]

    def begin(self, stage: Stage) -> None:
        """Pass on."""
        self._observer.begin(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Pass on a frame of the parts; leave after the last of them."""
        at = view.seconds
        if at is None:
            return None
        if at >= self._spans[-1][1]:
            return False
        if any(begin <= at < end for begin, end in self._spans):
            return self._observer.frame(view)
        return None

    def finish(self) -> None:
        """Pass on."""
        self._observer.finish()


def run_watch(
    source: Source,
    observers: Sequence[Observer],
    parts: Sequence[Sequence[Part]],
    *,
    progress: Callable[[float], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> PassSummary:
    """Run one pass in which some or all observers want parts of the clip only."""
    from seeworthy.media.decode import run_pass

    with open_clip(source) as container:
        whole = extent(container, video_stream(container, source))
    if whole is None:  # no stamps to seek by: everybody sees everything
        return run_pass(source, observers, progress=progress, stop=stop)
    gated = [
        Gate(observer, spans_of(wanted, whole)) if wanted else observer
        for observer, wanted in zip(observers, parts, strict=True)
    ]
    if not all(parts):
        return run_pass(source, gated, progress=progress, stop=stop)
    spans = spans_of([part for wanted in parts for part in wanted], whole)
    return _run_parts(source, gated, spans, progress, stop)


def _run_parts(
    source: Source,
    observers: Sequence[Observer],
    spans: Sequence[Span],
    progress: Callable[[float], None] | None,
    stop: Callable[[], bool] | None,
) -> PassSummary:
    from seeworthy.media.decode import Showing

    errors: list[str] = []
    with open_clip(source) as container:
        stream = video_stream(container, source)
        stream.thread_type = "AUTO"
        stream.codec_context.options = {**KEEP_DAMAGED, **TELL_STEPS}
        with Listening(container, stream.codec_context.name) as listening:
            showing = Showing(observers, source.size, progress, stop)
            _show(container, stream, spans, showing, errors)
            heard = listening.heard()
    showing.ended()
    if showing.summary is None:
        raise UnreadableInput(
            f"No picture at the ends of '{source.name}' could be decoded.",
            "The file is damaged or cut short; copy it again from the card.",
        )
    for observer in observers:
        observer.finish()
    summary = showing.summary
    summary.stopped = True
    if heard or errors or summary.corrupt:
        summary.warnings.append(f"'{source.name}': some frames looked at may be damaged.")
    return summary


def _show(
    container: InputContainer,
    stream: VideoStream,
    spans: Sequence[Span],
    showing: Any,
    errors: list[str],
) -> None:
    number = 0
    for begin, end in spans:
        base = stream.time_base or Fraction(1, 1000)
        container.seek(round(begin / base), stream=stream)
        for _, frame, packet in decoded(container, stream, Numbering(by_stamp=False), errors):
            at = None if frame.pts is None else frame.pts * (frame.time_base or base)
            if at is None or at < begin - base:
                continue
            if at >= end:
                break
            if not showing.show(number, frame, packet, stream):
                return
            number += 1
