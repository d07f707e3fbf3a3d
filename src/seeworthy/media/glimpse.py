"""A quick look into a file for a page: its facts, and one picture of it as JPEG.

Runs in a worker process with limits of time and memory; never in a server.
"""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.source import Source

Kind = Literal["clip", "still", "table", "unknown"]
# QuickTime's metadata key, the user-data atom as FFmpeg names it; EXIF 2.32, tag Model.
_MODEL_KEYS = ("com.apple.quicktime.model", "model")
_EXIF_MODEL = 0x0110
_STILL_HEADS = (b"\x89PNG\r\n", b"\xff\xd8\xff", b"II*\x00", b"MM\x00*", b"BM")


@dataclass(frozen=True, slots=True)
class GlimpsedFacts:
    """What a file is, told by its content.

    Attributes:
        kind: ``clip``, ``still``, ``table`` or ``unknown``.
        count: Frames of a clip, else 1 or 0.
        rate: Frames per second, 0 where it is not known.
        seconds: Length of a clip.
        made: When it was recorded, as the file says; ``""`` where it does not.
        model: What the camera calls itself in the file.
    """

    kind: Kind
    count: int = 0
    rate: float = 0.0
    width: int = 0
    height: int = 0
    seconds: float = 0.0
    made: str = ""
    model: str = ""


def sniff(path: Path) -> Kind:
    """Tell what a file is by its first bytes; the name counts for nothing."""
    with path.open("rb") as handle:
        head = handle.read(4096)
    if head.startswith(_STILL_HEADS) or (head[:4] == b"RIFF" and head[8:12] == b"WEBP"):
        return "still"
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"free", b"wide", b"skip"):
        return "clip"
    if (head[:4] == b"RIFF" and head[8:12] == b"AVI ") or head[:4] == b"\x1a\x45\xdf\xa3":
        return "clip"
    if head[:1] == b"\x47" and head[188:189] == b"\x47":  # transport stream
        return "clip"
    if head and b"\x00" not in head:
        try:
            head[: head.rfind(b"\n") + 1 or None].decode("utf-8")
        except UnicodeDecodeError:
            return "unknown"
        return "table" if _looks_like_a_table(head) else "unknown"
    return "unknown"


def _looks_like_a_table(head: bytes) -> bool:
    """Tell whether the first lines are cut into the same number of columns, or say CGATS."""
    if b"BEGIN_DATA_FORMAT" in head:
        return True
    lines = [line for line in head.splitlines()[:-1] if line.strip() and line[:1] != b"#"][-4:]
    for mark in (b",", b";", b"\t"):
        counts = {line.count(mark) for line in lines}
        if len(lines) >= 2 and len(counts) == 1 and counts != {0}:
            return True
    return False


def exif_moment(text: str) -> dt.datetime | None:
    """Return a moment that EXIF writes, with or without a fraction of the second; None: none."""
    whole, _, fraction = text.strip().partition(".")
    try:
        moment = dt.datetime.strptime(whole, "%Y:%m:%d %H:%M:%S")
        return moment.replace(microsecond=int(f"{fraction[:6]:0<6}"))
    except ValueError:
        return None


def facts(path: str, name: str) -> GlimpsedFacts:
    """Return what a file is.

    Raises:
        UnreadableInput: A clip or still that cannot be opened.
    """
    place = Path(path)
    kind = sniff(place)
    if kind == "clip":
        return _clip_facts(Source(place, name))
    if kind == "still":
        from seeworthy.media.stills import read_still

        still = read_still(Source(place, name))
        height, width = still.pixels.shape[:2]
        return GlimpsedFacts("still", 1, 0.0, width, height, 0.0, still.taken, _still_model(place))
    return GlimpsedFacts(kind)


def _clip_facts(source: Source) -> GlimpsedFacts:
    from seeworthy.media.opening import open_clip, video_stream

    with open_clip(source) as container:
        stream = video_stream(container, source)
        made = str(container.metadata.get("creation_time", ""))
        told = (str(container.metadata.get(key, "")).strip() for key in _MODEL_KEYS)
        model = next((text for text in told if text), "")
        stamps = _stamps(container, stream)
        rate = float(stream.average_rate or 0)
        seconds = len(stamps) / rate if rate else 0.0
        turned = (stream.codec_context.width, stream.codec_context.height)
    return GlimpsedFacts("clip", len(stamps), rate, *turned, seconds, made, model[:100])


def _still_model(path: Path) -> str:
    from PIL import Image

    with Image.open(path) as image:
        return str(image.getexif().get(_EXIF_MODEL, "")).strip("\0 ")[:100]


def _stamps(container: Any, stream: Any) -> list[int]:
    """Return the presentation time stamps of a clip's packets in order, without decoding."""
    found = [p.pts for p in container.demux(stream) if p.pts is not None and p.size]
    return sorted(found)


def frame_jpeg(path: str, name: str, index: int, widest: int = 1280) -> bytes:
    """Return one frame of a clip, or a still, as JPEG.

    Args:
        index: Number of the frame in presentation order.
        widest: Most pixels along the longer side.

    Raises:
        UnreadableInput: No such frame, or nothing that can be read.
    """
    place = Path(path)
    kind = sniff(place)
    if kind == "still":
        from seeworthy.media.stills import read_still

        return _jpeg(_eight_bit(read_still(Source(place, name)).pixels), widest)
    if kind != "clip":
        raise UnreadableInput(f"'{name}' has no picture.", "Choose a clip or a still.")
    return _jpeg(_frame(Source(place, name), index), widest)


def _frame(source: Source, index: int) -> Any:
    import av

    try:
        return _decoded(source, index)
    except av.error.FFmpegError:  # what is wrong lies behind the head, or just there
        raise UnreadableInput(
            f"That frame of '{source.name}' is damaged.", "Copy it again."
        ) from None


def _decoded(source: Source, index: int) -> Any:
    from seeworthy.media.opening import open_clip, video_stream

    with open_clip(source) as container:
        stream = video_stream(container, source)
        stream.thread_type = "AUTO"
        stamps = _stamps(container, stream)
        if not stamps:
            raise UnreadableInput(f"No frame of '{source.name}' can be read.", "Copy it again.")
        wanted = stamps[min(max(0, index), len(stamps) - 1)]
        container.seek(wanted, stream=stream)
        last = None
        for frame in container.decode(stream):
            last = frame
            if frame.pts is not None and frame.pts >= wanted:
                break
        if last is None:
            raise UnreadableInput(f"No frame of '{source.name}' can be read.", "Copy it again.")
        return last.to_ndarray(format="rgb24")


def _eight_bit(pixels: Any) -> Any:
    return pixels if pixels.dtype.itemsize == 1 else (pixels >> 8).astype("uint8")


def _jpeg(pixels: Any, widest: int) -> bytes:
    from PIL import Image

    image = Image.fromarray(pixels)
    image.thumbnail((widest, widest))
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=84)
    return out.getvalue()
