"""Does the good clip fit the broken one? Refusals name the difference."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import av
import av.error

from seeworthy.ground.errors import CannotMeasure

if TYPE_CHECKING:
    from seeworthy.media.recover.reference import ReferenceLayout
    from seeworthy.media.recover.scan import StrayScan
    from seeworthy.media.source import Source

_TRIED = 15  # pictures that are decoded to see whether the good clip's parameters fit
_UNUSED = 0.2  # share of the sound's bytes that may be something else
_LEAST = 10_000  # bytes of it below which nothing is said
_SOUND_RATE = 2_000  # bytes a second between the pictures that are most likely sound
_SLACK = Fraction(3, 2)  # seconds of sound that the loss of power may cost
_PACE = Fraction(1, 20)  # by which picture and sound may differ in length besides
_LONG = Fraction(1, 2)  # seconds of pictures from which a factor of two tells
_SAME_MODE = "Give a good clip of the same camera in the same mode (size, rate, quality)."


def check_pictures(
    broken: Source, good: Source, layout: ReferenceLayout, found: StrayScan, data: memoryview
) -> None:
    """Refuse what the good clip's coding parameters do not fit.

    Raises:
        CannotMeasure: No picture, or pictures that do not decode whole.
    """
    if not found.pictures:
        raise CannotMeasure(
            f"No picture in '{broken.name}' fits the coding of '{good.name}'.", _SAME_MODE
        )
    wrong, sizes, tried = _decode(layout, found, data)
    if sizes - {layout.size}:
        other = " and ".join(f"{w}×{h}" for w, h in sorted(sizes - {layout.size}))
        raise CannotMeasure(
            f"'{broken.name}' is {other}, '{good.name}' is {_size(layout)}.",
            "Give a good clip of the same mode.",
        )
    if wrong > tried / 3:
        raise CannotMeasure(
            f"The pictures of '{broken.name}' do not decode with the parameters of '{good.name}': "
            f"they are not {_size(layout)} in its way of coding.",
            _SAME_MODE,
        )


def _decode(
    layout: ReferenceLayout, found: StrayScan, data: memoryview
) -> tuple[int, set[tuple[int, int]], int]:
    """Return damaged pictures, sizes, and pictures tried."""
    decoder = av.VideoCodecContext.create(layout.picture, "r")
    if layout.picture == "h264":
        decoder.extradata = layout.codec_data
    # In one thread the flags are exact, and a slice that ends before the picture does is told.
    decoder.thread_type = "NONE"
    decoder.options = {"err_detect": "explode"}
    wrong, sizes = 0, set()
    tried = found.pictures[:_TRIED]
    for sample in tried:
        packet = av.Packet(bytes(data[sample.offset : sample.offset + sample.size]))
        try:
            frames = decoder.decode(packet)
        except av.error.FFmpegError:
            wrong += 1
            continue
        wrong += sum(bool(f.is_corrupt) for f in frames)
        sizes |= {(f.width, f.height) for f in frames}
    return wrong, sizes, len(tried)


def _size(layout: ReferenceLayout) -> str:
    return f"{layout.size[0]}×{layout.size[1]}"


def sound_words(layout: ReferenceLayout) -> str:
    """Say what kind of sound the good clip has."""
    if layout.sound == "none":
        return "no sound"
    return f"{layout.sound_codec} of {layout.sound_rate} Hz"


def check_sound(
    broken: Source,
    good: Source,
    layout: ReferenceLayout,
    found: StrayScan,
    unused: int,
    samples: int,
) -> None:
    """Refuse a good clip with another kind of sound, or none, or another pace of pictures.

    Args:
        unused: Bytes between the pictures that are no sound of the good clip's kind.
        samples: Samples found.

    Raises:
        CannotMeasure
    """
    seen = layout.frame_duration * len(found.pictures)
    if layout.sound == "none":
        if found.skipped > max(_LEAST, _SOUND_RATE * float(seen)):
            raise CannotMeasure(
                f"'{broken.name}' holds {found.skipped / 1e3:.0f} kB between its pictures, most "
                f"likely sound; '{good.name}' has no sound.",
                "Give a good clip of the same mode with its sound, or add --without-sound to have "
                "the pictures alone.",
            )
        return
    held = sum(size for _, size, _ in found.runs)
    if held > _LEAST and unused > _UNUSED * held:
        raise CannotMeasure(
            f"{unused / 1e3:.0f} of {held / 1e3:.0f} kB between the pictures of '{broken.name}' "
            f"are not the sound of '{good.name}' ({sound_words(layout)}).",
            "Give a good clip of the same camera in the same mode, or add --without-sound to have "
            "the pictures alone.",
        )
    heard = Fraction(samples, layout.sound_rate) if layout.sound_rate else Fraction(0)
    if layout.sound == "blocks" and layout.even and seen > _LONG:
        for factor, other in ((2, 2), (Fraction(1, 2), 1)):
            if abs(heard / seen - factor) <= _PACE * factor:
                raise CannotMeasure(
                    f"The sound of '{broken.name}' lasts {float(heard):.2f} s beside pictures of "
                    f"{float(seen):.2f} s: it has {other} channel{'s' if other > 1 else ''} where "
                    f"'{good.name}' has {layout.sound_channels}, or another rate.",
                    _SAME_MODE,
                )
    if samples and layout.even and abs(heard - seen) > max(_SLACK, _PACE * seen):
        rate = 1 / layout.frame_duration
        raise CannotMeasure(
            f"At the {float(rate):.4g} pictures a second of '{good.name}' those of '{broken.name}' "
            f"last {float(seen):.2f} s, its sound {float(heard):.2f} s if it is "
            f"{sound_words(layout)}.",
            "Give a good clip of the same frame rate and kind of sound; where the camera slows "
            "down in the dark, one filmed in the same light.",
        )


def check_channels(
    broken: Source,
    good: Source,
    layout: ReferenceLayout,
    pieces: Sequence[tuple[int, int, int]],
    data: memoryview,
) -> None:
    """Refuse sound with another number of channels than the good clip's.

    AAC says it in every frame. Samples without any such mark last twice or half as long as
    the pictures when they are read with the wrong number.

    Raises:
        CannotMeasure
    """
    if layout.sound_element is not None and len(pieces) >= _FEW:
        begin = [data[offset] >> 5 for offset, _, _ in pieces]
        other = sum(b in (0, 1) and b != layout.sound_element for b in begin)
        if layout.sound_element in (0, 1) and other > len(begin) / 2:
            raise CannotMeasure(
                f"The sound of '{broken.name}' is {_CHANNELS[1 - layout.sound_element]}, that of "
                f"'{good.name}' is {_CHANNELS[layout.sound_element]}.",
                _SAME_MODE,
            )


_FEW = 5  # frames of sound from which most of them tell
_CHANNELS = ("mono", "stereo")
