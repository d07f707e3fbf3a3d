"""The decode pass itself (see `seeworthy.media.frames.watch`)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import av
import av.error

from seeworthy.errors import UnreadableInput
from seeworthy.media.frames import ColourTags, FrameView, Observer, PassSummary, Stage

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

    from seeworthy.media.source import Source

# Flags and concealment are in the frame itself; the decoder goes on after errors.
_CORRUPT = 1 << 0  # AV_FRAME_FLAG_CORRUPT


def open_clip(source: Source) -> InputContainer:
    """Open a container for reading.

    Raises
    ------
    UnreadableInput
        Not a container that FFmpeg knows, or one that was never finalised.
    """
    try:
        return av.open(str(source.path), mode="r", metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise UnreadableInput(
            f"'{source.name}' is not a video that can be opened.",
            "Check that it is the file from the camera and that the copy is complete.",
        ) from error


def stage_of(stream: VideoStream) -> Stage:
    """Describe a video stream for the observers."""
    context = stream.codec_context
    layout = context.format
    return Stage(
        width=context.width,
        height=context.height,
        rotation=0,
        time_base=stream.time_base or Fraction(1, 1000),
        nominal_rate=stream.average_rate,
        bits=layout.components[0].bits if layout else 8,
        pixel_format=layout.name if layout else "",
        tags=ColourTags(),
        frames_hint=stream.frames or None,
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
        if not container.streams.video:
            raise UnreadableInput(
                f"'{source.name}' holds no picture.", "Choose the video file, not the sound."
            )
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        stage = stage_of(stream)
        summary = PassSummary(stage)
        for observer in observers:
            observer.begin(stage)
        active = list(observers)
        for index, frame in enumerate(_frames(container, stream, summary)):
            corrupt = bool(getattr(frame, "is_corrupt", False))
            view = FrameView(stage, index, frame, key=bool(frame.key_frame), corrupt=corrupt)
            if corrupt:
                summary.corrupt.append(index)
            summary.frames = index + 1
            active = [o for o in active if o.frame(view) is not False]
            if not active or (stop is not None and stop()):
                summary.stopped = True
                break
            if progress is not None and stage.frames_hint and index % 16 == 0:
                progress(min(1.0, index / stage.frames_hint))
        for observer in observers:
            observer.finish()
    if summary.frames == 0:
        raise UnreadableInput(
            f"No picture in '{source.name}' could be decoded.", "The file is damaged or cut short."
        )
    return summary


def _frames(
    container: InputContainer, stream: VideoStream, summary: PassSummary
) -> Iterator[VideoFrame]:
    for packet in container.demux(stream):
        try:
            yield from packet.decode()
        except av.error.FFmpegError as error:
            summary.warnings.append(f"A packet could not be decoded ({error.strerror}).")
