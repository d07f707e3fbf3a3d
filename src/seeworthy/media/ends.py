"""What a file says of its place in a recording: header and both ends, no walk through it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from seeworthy.media.boxes import read_boxes
from seeworthy.media.container import closed, creation_time, format_name, known
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.parts import Extent, extent

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.stream import VideoStream

    from seeworthy.media.source import Source

_MAKERS = ("make", "model", "com.apple.quicktime.make", "com.apple.quicktime.model", "encoder")


@dataclass(frozen=True, slots=True, eq=False)
class FileEnds:
    """One file of a recording.

    Attributes:
        size: Bytes.
        created: By the recorder's clock.
        finalised: None where the format does not tell.
        picture: First and last frame by the file's own stamps.
        interval: Seconds from frame to frame, on average.
        traits: What all files of one recording have in common, in words.
    """

    source: Source
    size: int
    created: datetime | None
    finalised: bool | None
    picture: Extent
    sound: Extent | None
    interval: Fraction
    traits: Mapping[str, str]


def media_without_index(source: Source) -> int | None:
    """Return the bytes of pictures and sound of a file that lacks its index, else None.

    Such a file was never finalised: power was cut, or it was copied in part.
    """
    boxes = read_boxes(source.path)
    return None if boxes is None or boxes.has_index else boxes.media_bytes


def read_ends(source: Source) -> FileEnds | None:
    """Read header and both ends of a file; None where it has no time stamps.

    A file of any length costs some hundred packets.

    Raises:
        UnreadableInput: Not a clip, never finalised, or without moving pictures.
    """
    boxes = read_boxes(source.path)
    with open_clip(source) as container:
        stream = video_stream(container, source)
        heard: Any = next((s for s in container.streams.audio if known(s)), None)
        kind = format_name(container.format.name, boxes)
        made = creation_time(container.metadata, boxes)
        traits = _traits(container, stream, heard, kind)
        rate = stream.average_rate or stream.base_rate
        picture = extent(container, stream)
        sound = None
        if heard is not None:
            container.seek(0)
            sound = extent(container, heard)
    if picture is None:
        return None
    interval = 1 / Fraction(rate) if rate else picture.end - picture.last
    finalised, _ = closed(source, kind, boxes)
    return FileEnds(source, source.size, made, finalised, picture, sound, interval, traits)


def _traits(
    container: InputContainer, stream: VideoStream, sound: Any, kind: str
) -> dict[str, str]:
    context = stream.codec_context
    found = {
        "container": kind,
        "picture size": f"{context.width}×{context.height}",
        "picture codec": context.name,
        "sound": "none"
        if sound is None
        else (
            f"{sound.codec_context.name}, {sound.codec_context.sample_rate} Hz, "
            f"{sound.codec_context.layout.nb_channels} channels"
        ),
        "coding profile": stream.profile or "not said",
    }
    for name in _MAKERS:
        if name in container.metadata:
            found[name.rsplit(".", 1)[-1]] = container.metadata[name]
    if context.extradata:
        digest = hashlib.sha256(context.extradata).hexdigest()
        found["coding parameters"] = f"parameter set {digest[:6]}"
    return found
