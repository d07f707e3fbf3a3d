"""The decode pass itself (see `seeworthy.media.frames.watch`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.damage import (
    KEEP_DAMAGED,
    Listening,
    Numbering,
    damaged_frames,
    decoded,
    numbering_for,
)
from seeworthy.media.frames import ColourTags, FrameView, Observer, PassSummary, Range, Stage
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.quantiser import TELL_STEPS
from seeworthy.media.scan import ScanSense

if TYPE_CHECKING:
    from av.packet import Packet
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

    from seeworthy.media.source import Source

__all__ = ["Showing", "open_clip", "run_pass", "stage_of", "tags_of"]

_UNSPECIFIED = 2  # H.273: matrix, transfer and primaries unknown
_RANGES: dict[int, Range] = {1: "limited", 2: "full"}
_EVERY = 16  # frames between two calls of progress and stop


def tags_of(frame: VideoFrame) -> ColourTags:
    """Return a frame's colour description, None for what it does not say."""

    def said(code: int) -> int | None:
        return None if int(code) == _UNSPECIFIED else int(code)

    return ColourTags(
        range=_RANGES.get(int(frame.color_range)),
        matrix=said(frame.colorspace),
        transfer=said(frame.color_trc),
        primaries=said(frame.color_primaries),
    )


def stage_of(stream: VideoStream, frame: VideoFrame) -> Stage:
    """Describe a video stream for the observers, from its first frame."""
    rate = stream.average_rate
    # PyAV's stub denies it, but a time base can be None in damaged files.
    base: Fraction | None = stream.time_base or frame.time_base
    return Stage(
        width=frame.width,
        height=frame.height,
        rotation=round(-frame.rotation / 90) * 90 % 360,
        time_base=base or Fraction(1, 1000),
        nominal_rate=rate if rate else None,
        bits=frame.format.components[0].bits,
        pixel_format=frame.format.name,
        tags=tags_of(frame),
        frames_hint=stream.frames or None,
        coder=stream.codec_context.name,
    )


def run_pass(
    source: Source,
    observers: Sequence[Observer],
    *,
    progress: Callable[[float], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> PassSummary:
    """Decode once; see `seeworthy.media.frames.watch`."""
    with open_clip(source) as container:
        stream = video_stream(container, source)
        stream.thread_type = "AUTO"
        stream.codec_context.options = {**KEEP_DAMAGED, **TELL_STEPS}
        numbering = numbering_for(container, stream)
        errors: list[str] = []
        with Listening(container, stream.codec_context.name) as listening:
            showing = Showing(observers, source.size, progress, stop)
            for number, frame, packet in decoded(container, stream, numbering, errors):
                if not showing.show(number, frame, packet, stream):
                    break
            heard = listening.heard()
        showing.ended()
        summary = showing.summary
    if summary is None:
        raise UnreadableInput(
            f"No picture in '{source.name}' could be decoded.",
            "The file is damaged or cut short; copy it again from the card.",
        )
    if heard or errors or summary.corrupt or numbering.lost:
        _look_again(source, summary, numbering)
    for observer in observers:
        observer.finish()
    summary.warnings.extend(dict.fromkeys(errors))
    _warn(source, summary, showing, numbering.extra)
    return summary


class Showing:
    """Show frames to the observers that still want them."""

    def __init__(
        self,
        observers: Sequence[Observer],
        size: int,
        progress: Callable[[float], None] | None,
        stop: Callable[[], bool] | None,
    ) -> None:
        self._active = list(observers)
        self._size = size
        self._progress = progress
        self._stop = stop
        self._count = 0
        self.summary: PassSummary | None = None
        self.other_size: tuple[int, int, int] | None = None
        self.undated = 0
        self._packet: Packet[Any] | None = None
        self._scan = ScanSense()

    def show(
        self, number: int, frame: VideoFrame, packet: Packet[Any], stream: VideoStream
    ) -> bool:
        """Show one frame; False ends the pass."""
        if self.summary is None:
            self.summary = PassSummary(stage_of(stream, frame))
            for observer in self._active:
                observer.begin(self.summary.stage)
        summary, stage = self.summary, self.summary.stage
        summary.frames = max(summary.frames, number + 1)  # numbers may begin anew (`Numbering`)
        if frame.is_corrupt:
            summary.corrupt.append(number)
        self._count += 1
        if (frame.width, frame.height) != (stage.width, stage.height):
            # Arrays of another shape would break every observer; the rest is not looked at.
            self.other_size = self.other_size or (number, frame.width, frame.height)
            return True
        # Decoders that work on several pictures at once give the last ones after all packets.
        self._packet = packet if packet.size else self._packet
        view = FrameView(
            stage, number, frame, key=frame.key_frame, corrupt=frame.is_corrupt,
            packet=self._packet,
        )  # fmt: skip
        self._date(view, frame)
        self._scan.frame(view)
        self._active = [o for o in self._active if o.frame(view) is not False]
        if self._count % _EVERY == 1:
            self._report(packet)
        if not self._active or (self._count % _EVERY == 1 and self._stop and self._stop()):
            summary.stopped = True
            return False
        return True

    def ended(self) -> None:
        """Put what was seen of the whole pass into the summary."""
        if self.summary is not None:
            self.summary.scan = self._scan.result()

    def _date(self, view: FrameView, frame: VideoFrame) -> None:
        if view.pts is None:
            self.undated += 1
            return
        base: Fraction | None = frame.time_base
        if base is not None and base != view.stage.time_base:
            view.pts = round(view.pts * base / view.stage.time_base)

    def _report(self, packet: Packet[Any]) -> None:
        if self._progress is not None and packet.pos is not None and packet.pos >= 0:
            self._progress(min(1.0, packet.pos / self._size))


def _look_again(source: Source, summary: PassSummary, numbering: Numbering) -> None:
    """Replace the flags seen in passing by exact ones (`seeworthy.media.damage`)."""
    until = summary.frames if summary.stopped else None
    with open_clip(source) as container:
        exact = damaged_frames(container, video_stream(container, source), until)
    end = until or max([summary.frames, *(n + 1 for n in exact)])
    summary.corrupt[:] = [n for n in exact if n < end]
    summary.lost[:] = [n for n in numbering.lost if n < end]
    summary.frames = end


def _warn(source: Source, summary: PassSummary, showing: Showing, extra: int) -> None:
    stage, say = summary.stage, summary.warnings.append
    if summary.lost:
        many = len(summary.lost)
        say(
            f"{many} frames could not be decoded at all, from {summary.lost[0]} on."
            if many > 1
            else f"Frame {summary.lost[0]} could not be decoded at all."
        )
    if showing.other_size is not None:
        number, width, height = showing.other_size
        say(
            f"The picture changes from {stage.width}×{stage.height} to {width}×{height} at frame "
            f"{number}; frames of another size were left out."
        )
    if showing.undated:
        say(f"{showing.undated} frames have no time stamp.")
    hint = (stage.frames_hint or 0) - extra
    if not summary.stopped and summary.frames < hint:
        say(
            f"'{source.name}' announces {hint} frames and holds {summary.frames}: "
            "the end is missing, or its header is wrong."
        )
