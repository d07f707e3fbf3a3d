"""Opening a clip, and saying plainly why one cannot be opened."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import av
import av.error
from av.stream import Disposition

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.boxes import Boxes, read_boxes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from av.container import InputContainer
    from av.video.stream import VideoStream

    from seeworthy.media.source import Source


@contextmanager
def open_clip(source: Source) -> Iterator[InputContainer]:
    """Open a container for reading, and leave it with its decoders at rest.

    Raises:
        UnreadableInput: Not a container that FFmpeg knows, or one that was never finalised.
    """
    container = opened(source)
    try:
        yield container
    finally:
        rest(container)
        container.close()


def rest(container: InputContainer) -> None:
    """Wait, with the interpreter's lock free, until no thread of a decoder is at work.

    PyAV frees a decoder with the lock held and FFmpeg waits there for the decoder's threads;
    one that has a message for us waits for the lock: both would wait for ever.
    """
    for stream in container.streams:
        # An unknown codec has no context; writing cannot be told from the stub.
        context: object = stream.codec_context
        if context is not None and stream.codec_context.is_open:
            stream.codec_context.flush_buffers()


def opened(source: Source) -> InputContainer:
    """Open a container from which nothing is decoded; `open_clip` is for all else."""
    try:
        return av.open(str(source.path), mode="r", metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise _why_not(source) from error


def video_stream(container: InputContainer, source: Source) -> VideoStream:
    """Return the first stream of moving pictures (a cover picture is none).

    Raises:
        UnreadableInput: There is none.
    """
    for stream in container.streams.video:
        if stream.disposition & Disposition.attached_pic:
            continue
        # PyAV's stub denies it, but a codec that FFmpeg does not know has no context.
        context: object = stream.codec_context
        if context is None:
            raise UnreadableInput(
                f"The pictures of '{source.name}' are coded in a way that FFmpeg does not know.",
                "The file is damaged, or its maker's program must convert it first.",
            )
        return stream
    if container.streams.audio:
        raise UnreadableInput(
            f"'{source.name}' holds sound but no moving picture.",
            "Choose the video file of the take.",
        )
    raise UnreadableInput(
        f"'{source.name}' holds no moving picture.", "Choose the video file of the take."
    )


def _why_not(source: Source) -> UnreadableInput:
    boxes = read_boxes(source.path)
    if boxes is not None and not boxes.has_index:
        return _no_index(source, boxes)
    if _is_text(source):
        return UnreadableInput(
            f"'{source.name}' is not a video: it holds text.",
            "Choose the file that the camera wrote; a log goes to `load` or `battery`.",
        )
    return UnreadableInput(
        f"'{source.name}' is not a video that can be opened.",
        "Check that it is the file from the camera and that the copy is complete.",
    )


def _no_index(source: Source, boxes: Boxes) -> UnreadableInput:
    held = f"{boxes.media_bytes / 1e6:.1f} MB of pictures and sound"
    if boxes.missing_bytes > 0:
        return UnreadableInput(
            f"'{source.name}' was never finalised or is cut short: it holds {held} but no index, "
            f"and {boxes.missing_bytes / 1e6:.1f} MB that it announces are missing.",
            "Copy it again from the card; if the card has no more, keep it as it is for `recover`, "
            "which rebuilds the index with the help of a good clip of the same camera.",
        )
    return UnreadableInput(
        f"'{source.name}' was never finalised: it holds {held} but no index, as when power is "
        "cut while recording.",
        "Keep it as it is for `recover`, which rebuilds the index with the help of a good clip of "
        "the same camera.",
    )


def _is_text(source: Source) -> bool:
    with source.path.open("rb") as handle:
        head = handle.read(4096)
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError:
        return False
    plain = sum(c.isprintable() or c in "\r\n\t" for c in text)
    return plain == len(text)
