"""What a clip says about itself, and what its packets say, without decoding a picture."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import av.error

from seeworthy.media.boxes import Boxes, BoxTrack, read_boxes
from seeworthy.media.fields import SecondFields
from seeworthy.media.frames import ColourTags, Range
from seeworthy.media.h264 import Sps, find_sps
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.packets import PacketLog, Packets

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.container import InputContainer
    from av.video.stream import VideoStream

    from seeworthy.media.source import Source

_PCM = re.compile(r"pcm_[suf](\d+)")
_MPEG2_LEVELS = {10: "Low", 8: "Main", 6: "High 1440", 4: "High"}  # ITU-T H.262, Table 8-3
_UNSET_CLOCK = 1971  # recorders without a clock write 1904 or 1970


@dataclass(frozen=True, slots=True, eq=False)
class VideoFacts:
    """What is said about the pictures.

    Attributes:
        codec, profile, level: Names; ``""`` where not said.
        width, height: Pixels as a decoder gives them: after the stream's cropping, and after that
            of a container that shows less of the last blocks than the stream says.
        aspect_stream, aspect_container: Width over height of a pixel as the stream and as the
            container have it.
        rotation: Degrees clockwise that a player turns the picture.
        rate_average, rate_stream: By the container (frames over duration), by the stream's own
            timing.
        duration: Seconds by the stream header.
        edits: Edit list: length in ticks of the movie, start in ticks of the media (−1: a pause).
        bits: Per luma sample.
        sps: H.264 only.
    """

    codec: str
    profile: str
    level: str
    width: int
    height: int
    aspect_stream: Fraction | None
    aspect_container: Fraction | None
    rotation: int
    tags_stream: ColourTags
    tags_container: ColourTags
    rate_average: Fraction | None
    rate_stream: Fraction | None
    time_base: Fraction
    duration: Fraction | None
    frames_stated: int | None
    edits: tuple[tuple[int, int], ...]
    pixel_format: str
    bits: int
    sps: Sps | None
    packets: Packets


@dataclass(frozen=True, slots=True, eq=False)
class SoundFacts:
    """What is said about the sound. `bits` is None where the codec keeps no samples."""

    codec: str
    rate: int
    channels: int
    bits: int | None
    packets: Packets


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """Everything a clip says without a picture decoded.

    Attributes:
        size: Bytes.
        container: Format name (``mp4``, ``mov``, ``avi``, ``matroska`` …).
        created: By the recorder's clock, in the file's own idea of UTC.
        finalised: The recorder closed the file; None where the format does not tell.
        missing_bytes: Bytes that the file announces beyond its end.
        duration: Seconds by the container header.
        captions: Coding of each track of subtitles or other timed text.
    """

    name: str
    size: int
    container: str
    created: datetime | None
    finalised: bool | None
    fragmented: bool
    missing_bytes: int
    duration: Fraction | None
    video: VideoFacts
    sound: SoundFacts | None
    captions: tuple[str, ...]
    warnings: tuple[str, ...]


def read_facts(source: Source) -> Facts:
    """Read headers and walk the packets once; no picture is decoded.

    The last few answers are kept: several procedures ask about the same clip.

    Raises:
        UnreadableInput: Not a clip, never finalised, or without moving pictures.
    """
    state = source.path.stat()
    return _read(source, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=4)
def _read(source: Source, size: int, changed: int) -> Facts:
    boxes = read_boxes(source.path)
    with open_clip(source) as container:
        stream = video_stream(container, source)
        sound = next((s for s in container.streams.audio if known(s)), None)
        first, packets, heard, warnings = _walk(container, stream, sound)
        kind = format_name(container.format.name, boxes)
        finalised, missing = closed(source, kind, boxes)
        if missing:
            warnings.append(
                f"The file is cut: {missing / 1e6:.2f} MB that it announces are not there."
            )
        return Facts(
            name=source.name,
            size=size,
            container=kind,
            created=creation_time(container.metadata, boxes),
            finalised=finalised,
            fragmented=boxes.fragmented if boxes else False,
            missing_bytes=missing,
            duration=Fraction(container.duration, 1_000_000) if container.duration else None,
            video=_video(stream, boxes.track("vide") if boxes else None, first, packets),
            sound=None if sound is None else _sound(sound, heard),
            captions=tuple(_coding(s) for s in container.streams.subtitles),
            warnings=tuple(warnings),
        )


def known(stream: AudioStream) -> bool:
    """Tell whether FFmpeg knows the codec of a stream (PyAV's stub denies that it may not)."""
    context: object = stream.codec_context
    return context is not None


def _coding(stream: Any) -> str:
    context = stream.codec_context
    return "unknown" if context is None else str(context.name)


def _walk(
    container: InputContainer, stream: VideoStream, sound: AudioStream | None
) -> tuple[bytes, Packets, Packets, list[str]]:
    pictures = PacketLog(stream.time_base or Fraction(1, 1000))
    samples = PacketLog((sound.time_base if sound else None) or Fraction(1, 1000))
    second = SecondFields(stream)
    first = b""
    warnings: list[str] = []
    packets = container.demux()
    while True:
        try:
            packet = next(packets, None)
        except av.error.FFmpegError as error:
            warnings.append(f"The file breaks off: reading it failed ({error.strerror}).")
            break
        if packet is None:
            break
        if not packet.size:
            continue
        if packet.stream_index == stream.index:
            first = first or bytes(packet)[:4096]
            pictures.add(packet, second(packet))
        elif sound is not None and packet.stream_index == sound.index:
            samples.add(packet)
    return first, pictures.done(), samples.done(), warnings


def _video(
    stream: VideoStream, track: BoxTrack | None, first: bytes, packets: Packets
) -> VideoFacts:
    context = stream.codec_context
    # The coding, not the library that reads it.
    codec = context.codec.canonical_name if context.name.startswith("lib") else context.name
    sps = find_sps(context.extradata or first) if codec == "h264" else None
    base = stream.time_base or Fraction(1, 1000)
    return VideoFacts(
        codec=codec,
        profile=sps.profile if sps else (stream.profile or ""),
        level=sps.level if sps else _level(codec, context.level),
        width=context.width or (sps.width if sps else 0),
        height=context.height or (sps.height if sps else 0),
        aspect_stream=sps.aspect if sps else _positive(context.sample_aspect_ratio),
        aspect_container=_container_aspect(stream, track),
        rotation=(track.rotation or 0) if track else 0,
        tags_stream=_tags_of_sps(sps) if sps else _tags_of_context(context),
        tags_container=_tags_of_track(track),
        rate_average=_positive(stream.average_rate),
        rate_stream=sps.rate if sps else None,
        time_base=base,
        duration=stream.duration * base if stream.duration else None,
        frames_stated=stream.frames or None,
        edits=tuple(track.edits) if track else (),
        pixel_format=context.pix_fmt or "",
        bits=sps.bits if sps else (context.format.components[0].bits if context.format else 8),
        sps=sps,
        packets=packets,
    )


def _level(codec: str, level: int) -> str:
    if codec == "av1" and level == 0:
        return "2.0"
    if level <= 0:
        return ""
    if codec == "hevc":  # general_level_idc is 30 times the level (ITU-T H.265, A.4.1)
        return f"{level / 30:g}"
    if codec == "av1":  # seq_level_idx (AV1 Bitstream Specification, A.3); 31: any size
        return f"{2 + (level >> 2)}.{level & 3}" if level < 24 else ""
    if codec == "vp9":  # ten times the level (VP codec ISO media file format binding)
        return f"{level / 10:g}"
    if codec == "mpeg2video":
        return _MPEG2_LEVELS.get(level, "")
    return str(level) if codec == "mpeg4" else ""


def _positive(value: Fraction | None) -> Fraction | None:
    return value if value else None


def _container_aspect(stream: VideoStream, track: BoxTrack | None) -> Fraction | None:
    if track is None:
        return _positive(stream.sample_aspect_ratio)
    if track.pixel_aspect is not None:
        return track.pixel_aspect
    if track.coded and track.width > 0 and track.height > 0 and all(track.coded):
        # No pasp: the display size of the track header still says how wide a pixel is. One
        # pixel of rounding in it is no claim.
        across, down = track.width / track.coded[0], track.height / track.coded[1]
        if abs(across / down - 1) > 1.5 / min(track.coded):
            return Fraction(across / down).limit_denominator(1000)
        return Fraction(1)
    return None


def _said(code: int) -> int | None:
    return None if code in (0, 2) else code


def _tags_of_sps(sps: Sps) -> ColourTags:
    span: Range | None = None
    if sps.full_range is not None:
        span = "full" if sps.full_range else "limited"
    if sps.colour is None:
        return ColourTags(range=span)
    primaries, transfer, matrix = sps.colour
    return ColourTags(span, None if matrix == 2 else matrix, _said(transfer), _said(primaries))


def _tags_of_context(context: Any) -> ColourTags:
    ranges: dict[int, Range] = {1: "limited", 2: "full"}
    matrix = int(context.colorspace)
    return ColourTags(
        ranges.get(int(context.color_range)),
        None if matrix == 2 else matrix,
        _said(int(context.color_trc)),
        _said(int(context.color_primaries)),
    )


def _tags_of_track(track: BoxTrack | None) -> ColourTags:
    if track is None or track.colour is None:
        return ColourTags()
    primaries, transfer, matrix, full = track.colour
    span: Range | None = None if full is None else ("full" if full else "limited")
    return ColourTags(span, None if matrix == 2 else matrix, _said(transfer), _said(primaries))


def sound_bits(context: Any) -> int | None:
    """Return bits per sample of a sound codec; None where it keeps no samples."""
    pcm = _PCM.match(context.name)
    if pcm:
        return int(pcm.group(1))
    return int(context.format.bits) if context.name in ("flac", "alac") else None


def _sound(stream: AudioStream, packets: Packets) -> SoundFacts:
    context: Any = stream.codec_context
    return SoundFacts(
        context.name,
        int(context.sample_rate),
        context.layout.nb_channels,
        sound_bits(context),
        packets,
    )


def format_name(names: str, boxes: Boxes | None) -> str:
    """Return the name of a container's format (FFmpeg names families)."""
    if boxes is not None:
        return "mov" if boxes.brand in ("qt", "") else "mp4"
    return names.split(",")[0]


def creation_time(metadata: dict[str, str], boxes: Boxes | None) -> datetime | None:
    """Return when the recorder's clock says it was made; None where that is not set."""
    found = boxes.created if boxes else None
    text = metadata.get("creation_time", "")
    if found is None and text:
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            return None
    if found is None or found.year < _UNSET_CLOCK:
        return None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def closed(source: Source, name: str, boxes: Boxes | None) -> tuple[bool | None, int]:
    """Tell whether the recorder closed the file, and bytes announced beyond its end."""
    if boxes is not None:
        return boxes.finalised, max(0, boxes.missing_bytes)
    if name != "avi":
        return None, 0
    with source.path.open("rb") as handle:
        head = handle.read(8)
    length = struct.unpack("<I", head[4:8])[0]
    # A recorder that loses power leaves the length of the RIFF chunk at 0 or too long.
    return 0 < length <= source.size - 8 + 1, max(0, length + 8 - source.size - 1)
