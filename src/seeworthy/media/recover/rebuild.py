"""Rebuild a playable file from media data without an index."""

from __future__ import annotations

import mmap
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av
import av.error

from seeworthy.ground.errors import Conflict
from seeworthy.ground.leftovers import beside
from seeworthy.ground.plain import picked
from seeworthy.media.boxes import read_boxes
from seeworthy.media.opening import open_clip
from seeworthy.media.recover.aac import SAMPLES, FrameSplitter
from seeworthy.media.recover.asis import refuse_what_opens
from seeworthy.media.recover.fit import check_channels, check_pictures, check_sound
from seeworthy.media.recover.reference import ReferenceLayout, study
from seeworthy.media.recover.riff import is_avi, scan_avi
from seeworthy.media.recover.scan import StrayScan, scan
from seeworthy.media.recover.slices import display_order

if TYPE_CHECKING:
    from seeworthy.media.source import Source

_TICKS = 90_000  # Hz, of time stamps in ISO/IEC 13818-1
_DRIFT = Fraction(1, 4)  # seconds by which picture and sound may differ in length unremarked


@dataclass(frozen=True, slots=True)
class Recovered:
    """What came back.

    Attributes:
        path: The new file.
        frames, key_frames: Whole pictures.
        seconds: Length of the pictures.
        sound_seconds: Length of the sound, 0 without.
        cut_frames: Pictures that the end of the file cut; they are not in the new file.
        lost_bytes: Bytes that are neither picture nor sound.
    """

    path: Path
    frames: int
    key_frames: int
    seconds: float
    sound_seconds: float
    cut_frames: int
    lost_bytes: int
    warnings: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return picked(
            self, "file=path frames key_frames seconds sound_seconds cut_frames lost_bytes warnings"
        )


def recover(
    broken: Source,
    good: Source,
    out: Path,
    *,
    sound: bool = True,
    progress: Callable[[float], None] | None = None,
) -> Recovered:
    """Rebuild a clip that was never finalised.

    Args:
        broken: Only read.
        good: A finished clip of the same camera in the same mode.
        out: The new file; must not exist.
        sound: False: bring back the pictures alone.
        progress: Called with the share done.

    Raises:
        Conflict: The new file exists, or the broken clip needs no recovery.
        UnreadableInput: The good clip is of no use.
        CannotMeasure: Nothing fits: another camera or mode, or no picture in the data.
    """
    if out.exists():
        raise Conflict(f"'{out}' exists already.", "Name a new file with --out.")
    boxes = read_boxes(broken.path)
    if boxes is not None and boxes.finalised:
        raise Conflict(f"'{broken.name}' has its index; it needs no recovery.", "Open it as it is.")
    refuse_what_opens(broken)
    layout = study(good)
    if not sound:
        layout = replace(layout, sound="none", sound_rate=0)
    _container(out, layout)
    with broken.path.open("rb") as handle:
        mapped = mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ)
        data = memoryview(mapped)
        try:
            if layout.picture == "mjpeg" and is_avi(data):
                found = scan_avi(data, layout)
            else:
                found = scan(data, _media_start(broken, data), layout, progress)
            check_pictures(broken, good, layout, found, data)
            return _write(broken, good, out, layout, found, data, sound)
        finally:
            data.release()
            mapped.close()


def _media_start(broken: Source, data: memoryview) -> int:
    boxes = read_boxes(broken.path)
    media = boxes.first("mdat") if boxes is not None else None
    if media is not None:
        return media.offset + media.header
    place = bytes(data[: 1 << 20]).find(b"mdat")
    return place + 4 if place >= 0 else 0


@dataclass(frozen=True)
class _Sound:
    """Pieces of sound: offset, size, samples of each."""

    pieces: list[tuple[int, int, int]]
    unused: int

    @property
    def samples(self) -> int:
        return sum(n for _, _, n in self.pieces)


def _split(layout: ReferenceLayout, found: StrayScan, data: memoryview, stream: Any) -> _Sound:
    pieces: list[tuple[int, int, int]] = []
    unused = 0
    splitter = FrameSplitter(stream) if layout.sound == "aac" else None
    for offset, size, _ in found.runs:
        if splitter is not None:
            at = offset
            for length in splitter.split(bytes(data[offset : offset + size])):
                pieces.append((at, length, SAMPLES))
                at += length
            unused += offset + size - at
        else:
            whole, rest = divmod(size, layout.block_bytes)
            # What is over at the end of the file was cut; elsewhere it pads the picture before.
            begin = offset if offset + size == len(data) else offset + rest
            if whole:
                pieces.append((begin, whole * layout.block_bytes, whole * layout.block_samples))
            unused += rest
    return _Sound(pieces, unused)


def _write(
    broken: Source,
    good: Source,
    out: Path,
    layout: ReferenceLayout,
    found: StrayScan,
    data: memoryview,
    wanted: bool,
) -> Recovered:
    warnings: list[str] = []
    with open_clip(good) as model:
        audio = model.streams.audio[0] if layout.sound != "none" else None
        sound = _split(layout, found, data, audio) if audio else _Sound([], 0)
        if wanted:
            check_sound(broken, good, layout, found, sound.unused, sound.samples)
            check_channels(broken, good, layout, sound.pieces, data)
        duration = _duration(layout, found, sound, warnings)
        # Written beside and renamed: a full disk leaves no half file under the new name.
        with beside(out, "recover", suffix=out.suffix) as part:
            _mux(part, model, layout, found, sound, duration, data)
    lost = found.skipped + sound.unused
    if found.cut_pictures:
        warnings.append("The last picture was cut by the loss of power and is left out.")
    return Recovered(
        out,
        len(found.pictures),
        sum(s.key for s in found.pictures),
        float(duration * len(found.pictures)),
        sound.samples / layout.sound_rate if layout.sound_rate else 0.0,
        found.cut_pictures,
        lost,
        tuple(warnings),
    )


def _duration(
    layout: ReferenceLayout, found: StrayScan, sound: _Sound, warnings: list[str]
) -> Fraction:
    """Return the duration of a frame: the good clip's, unless that is uneven and sound tells."""
    count = len(found.pictures)
    if not layout.even:
        warnings.append(
            "The good clip has an uneven frame rate; the new file has an even one, its median."
        )
    if not sound.samples or not layout.sound_rate:
        return layout.frame_duration
    heard = Fraction(sound.samples, layout.sound_rate)
    seen = layout.frame_duration * count
    if abs(heard - seen) <= max(_DRIFT, seen / 200):
        return layout.frame_duration
    said = (
        f"Pictures at the good clip's rate last {float(seen):.2f} s, the sound {float(heard):.2f} s"
    )
    if layout.even:
        warnings.append(f"{said}; the good clip's rate was kept.")
        return layout.frame_duration
    warnings.append(f"{said}; the frame rate was set by the sound.")
    return heard / count


def _container(out: Path, layout: ReferenceLayout) -> str:
    """Return the container that the new file's ending asks for."""
    ending = out.suffix.lower()
    if ending == ".avi" and layout.picture != "mjpeg":
        raise Conflict(
            "An AVI does not hold H.264 as cameras write it.", "Name the new file .mp4 or .mov."
        )
    return "avi" if ending == ".avi" else "mov" if ending in (".mov", ".qt") else "mp4"


def _mux(
    part: Path,
    model: Any,
    layout: ReferenceLayout,
    found: StrayScan,
    sound: _Sound,
    duration: Fraction,
    data: memoryview,
) -> None:
    # A movie without its own sample entries is written as MP4, MOV or AVI, as the name asks.
    kind = _container(part, layout)
    options = {} if kind == "avi" else {"movflags": "+faststart"}
    with av.open(str(part), "w", format=kind, options=options) as target:
        video = target.add_stream_from_template(model.streams.video[0])
        # An AVI has no stamps: its pictures are counted at one rate.
        video.time_base = duration if kind == "avi" else Fraction(1, _TICKS)
        audio = None
        if layout.sound != "none":
            audio = target.add_stream_from_template(model.streams.audio[0])
            audio.time_base = Fraction(1, layout.sound_rate)
        for packet in _interleaved(layout, found, sound, duration, data, video, audio):
            target.mux(packet)


def _interleaved(
    layout: ReferenceLayout,
    found: StrayScan,
    sound: _Sound,
    duration: Fraction,
    data: memoryview,
    video: Any,
    audio: Any,
) -> list[Any]:
    """Return packets in order of decoding time; their bytes are copied one by one by the muxer."""
    delay = -min(layout.sound_delay, Fraction(0))  # sound that begins before the picture
    timed: list[tuple[Fraction, int, Callable[[], Any]]] = []
    samples = found.pictures
    places = (
        display_order(samples, found.parameters)
        if found.parameters is not None
        else list(range(len(samples)))
    )
    shift = max((i - p for i, p in enumerate(places)), default=0)
    for index, (sample, place) in enumerate(zip(samples, places, strict=True)):
        decode, show = delay + index * duration, delay + (place + shift) * duration

        def picture(s: Any = sample, d: Fraction = decode, p: Fraction = show) -> Any:
            packet: Any = av.Packet(bytes(data[s.offset : s.offset + s.size]))
            packet.stream = video
            packet.time_base = Fraction(1, _TICKS)
            packet.dts, packet.pts = round(d * _TICKS), round(p * _TICKS)
            packet.duration = round(duration * _TICKS)
            packet.is_keyframe = s.key
            return packet

        timed.append((decode, 0, picture))
    # The pictures are shown `shift` frames late by the reordering; the sound waits as long.
    begin = delay + layout.sound_delay + shift * duration
    count = 0
    for offset, size, n in sound.pieces:
        at = round(begin * layout.sound_rate) + count

        def piece(o: int = offset, s: int = size, t: int = at, n: int = n) -> Any:
            packet: Any = av.Packet(bytes(data[o : o + s]))
            packet.stream = audio
            packet.time_base = Fraction(1, layout.sound_rate)
            packet.dts = packet.pts = t
            packet.duration = n
            packet.is_keyframe = True
            return packet

        timed.append((Fraction(at, layout.sound_rate), 1, piece))
        count += n
    timed.sort(key=lambda t: t[:2])
    return _Lazy([make for _, _, make in timed])


class _Lazy(list[Any]):
    """Makes packets only when they are written, so that memory stays flat."""

    def __iter__(self) -> Any:
        for make in super().__iter__():
            yield make()


def default_name(broken: Path) -> Path:
    """Return the name of the new file: beside the broken one, ``-recovered`` added."""
    ending = broken.suffix if broken.suffix.lower() in (".mp4", ".mov", ".avi") else ".mp4"
    return broken.with_name(f"{broken.stem}-recovered{ending}")
