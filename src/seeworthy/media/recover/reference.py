"""What a good clip of the same camera tells about the layout of the broken one."""

from __future__ import annotations

import itertools
import statistics
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.recover.slices import Habits, Parameters, learn, read_parameters

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.container import InputContainer

    from seeworthy.media.source import Source

Picture = Literal["h264", "mjpeg"]
SoundKind = Literal["none", "aac", "blocks"]
_LOOK = 3000  # packets of the good clip that are looked at
_LEARN = 600  # pictures of it that are learned from
_NAMES = {"hevc": "HEVC", "mpeg4": "MPEG-4 Visual", "av1": "AV1", "libdav1d": "AV1"}


@dataclass(frozen=True)
class ReferenceLayout:
    """How the media data of a camera's file is laid out.

    Attributes:
        picture: {"h264", "mjpeg"}
        codec_data: ``avcC`` of the good clip.
        frame_duration: Seconds of one frame: the median step, to the fraction that coarse stamps
            leave.
        even: False when the good clip's frames are unevenly spaced (variable rate).
        parameters, habits, length_size: Of H.264: see `slices`; None and 0 for Motion JPEG.
        sound: {"none", "aac", "blocks"}. ``blocks``: samples of a fixed size (PCM, or compressed
            blocks of one size).
        sound_rate: Samples per second.
        block_bytes, block_samples: One block of sound, ``blocks`` only.
        sound_delay: First sound after first picture, seconds (negative: before).
        size: (width, height)
        sound_element: Of AAC: what most of its frames begin with, 0 one channel, 1 a pair (ISO/IEC
            14496-3, table 4.85, from memory).
    """

    picture: Picture
    codec_data: bytes
    frame_duration: Fraction
    even: bool
    parameters: Parameters | None
    habits: Habits | None
    length_size: int
    sound: SoundKind
    sound_codec: str
    sound_rate: int
    block_bytes: int
    block_samples: int
    sound_delay: Fraction
    size: tuple[int, int]
    sound_element: int | None = None
    sound_channels: int = 0


def study(good: Source) -> ReferenceLayout:
    """Read the layout of a finished clip.

    Raises:
        UnreadableInput: It does not open, or its codec is not one that can be recovered.
    """
    with open_clip(good) as container:
        video = video_stream(container, good)
        name = video.codec_context.name
        if name not in ("h264", "mjpeg"):
            raise UnreadableInput(
                f"'{good.name}' is coded as {_NAMES.get(name, name)}; only H.264 and Motion JPEG "
                "can be recovered.",
                "Keep the broken file as it is; nothing was read of it.",
            )
        if name == "h264" and not (video.codec_context.extradata or b"").startswith(b"\x01"):
            raise UnreadableInput(
                f"'{good.name}' carries no avcC record.", "Choose an MP4 or MOV of the camera."
            )
        audio = container.streams.audio[0] if container.streams.audio else None
        sound, codec = _sound_kind(audio)
        base = video.time_base or Fraction(1, 90000)
        stamps, pictures, first_sound, blocks, elements = _walk(container, video.index, audio)
        steps = [b - a for a, b in itertools.pairwise(stamps) if b > a]
        if not steps:
            raise UnreadableInput(
                f"'{good.name}' holds a single frame.", "Choose a good clip of a few seconds."
            )
        typical = Fraction(statistics.median(steps)).limit_denominator(1_000_000)
        mean = Fraction(stamps[-1] - stamps[0], len(stamps) - 1)
        even = max(steps) <= 1.5 * typical and abs(mean - typical) <= typical / 50
        # Stamps in milliseconds are 33 and 34 by turns: the mean of the steps about the median.
        near = [s for s in steps if abs(s - typical) <= typical / 4]
        step = Fraction(sum(near), len(near))
        delay = Fraction(0)
        if first_sound is not None and audio is not None and audio.time_base is not None:
            delay = first_sound * audio.time_base - stamps[0] * base
        size, samples = _block(audio, blocks) if sound == "blocks" else (0, 0)
        return ReferenceLayout(
            "h264" if name == "h264" else "mjpeg",
            bytes(video.codec_context.extradata or b""),
            step * base,
            even,
            *_coding(bytes(video.codec_context.extradata or b""), pictures, good, name),
            sound,
            codec,
            audio.codec_context.sample_rate if audio else 0,
            size,
            samples,
            delay,
            (video.codec_context.width, video.codec_context.height),
            statistics.mode(elements) if sound == "aac" and elements else None,
            audio.codec_context.channels if audio else 0,
        )


def _coding(
    codec_data: bytes, pictures: list[bytes], good: Source, name: str
) -> tuple[Parameters | None, Habits | None, int]:
    if name != "h264":
        return None, None, 0
    try:
        parameters = read_parameters(codec_data)
    except (ValueError, IndexError):
        raise UnreadableInput(
            f"The parameter sets of '{good.name}' cannot be read.", "Choose another good clip."
        ) from None
    length_size = (codec_data[4] & 3) + 1
    return parameters, learn(pictures, parameters, length_size), length_size


def _sound_kind(audio: AudioStream | None) -> tuple[SoundKind, str]:
    if audio is None:
        return "none", ""
    name = audio.codec_context.name
    return ("aac" if name == "aac" else "blocks"), name


def _walk(
    container: InputContainer, video: int, audio: AudioStream | None
) -> tuple[list[int], list[bytes], int | None, list[tuple[int, int]], list[int]]:
    """Return sorted picture stamps, pictures, first sound stamp, (bytes, ticks) and first three
    bits of sound.
    """
    elements: list[int] = []
    stamps: list[int] = []
    pictures: list[bytes] = []
    first_sound = None
    blocks: list[tuple[int, int]] = []
    for count, packet in enumerate(container.demux()):
        if count >= _LOOK:
            break
        if packet.size == 0 or packet.pts is None:
            continue
        if packet.stream.index == video:
            stamps.append(packet.pts)
            if len(pictures) < _LEARN:
                pictures.append(bytes(packet))
        elif audio is not None and packet.stream.index == audio.index:
            first_sound = packet.pts if first_sound is None else first_sound
            blocks.append((packet.size, packet.duration or 0))
            elements.append(bytes(packet)[0] >> 5)
    # The last pictures may lack those that are shown before them.
    return sorted(stamps), pictures, first_sound, blocks, elements


def _block(audio: AudioStream | None, blocks: list[tuple[int, int]]) -> tuple[int, int]:
    assert audio is not None
    context = audio.codec_context
    name = context.name
    if name.startswith("pcm_"):
        width = 1 if name in ("pcm_mulaw", "pcm_alaw", "pcm_s8", "pcm_u8") else _pcm_bytes(name)
        return width * context.channels, 1
    sizes = {size for size, _ in blocks[:-1]}
    if len(sizes) == 1 and blocks[0][1] and audio.time_base is not None:
        samples = blocks[0][1] * audio.time_base * context.sample_rate
        return blocks[0][0], int(samples)
    raise UnreadableInput(
        f"The sound of the good clip ({name}) has blocks of changing size; it cannot be recovered.",
        "Recover the pictures alone: leave the sound out.",
    )


def _pcm_bytes(name: str) -> int:
    digits = "".join(c for c in name.split("_")[1] if c.isdigit())
    return int(digits) // 8 if digits else 2
