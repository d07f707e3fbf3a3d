"""Writing the mended clip: new pictures at the old times, the sound as it was.

A file is made beside its name and renamed when it is whole, so that neither a full disk nor
an interruption leaves half a clip under the new name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av
import av.error
import numpy as np

from seeworthy.ground.errors import FULL_DISK, Conflict, NoSpace, WrongCall
from seeworthy.ground.leftovers import beside
from seeworthy.media.container import known
from seeworthy.media.opening import open_clip, opened, video_stream

if TYPE_CHECKING:
    from seeworthy.judge.correct.pixels import Planes
    from seeworthy.media.frames import Stage
    from seeworthy.media.source import Source

ENDINGS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".qt": "mov"}

# Close to what the eye can tell from the original; the file grows rather than the loss.
QUALITY = {"preset": "veryfast", "crf": "16", "bf": "0"}
_TICKS_MOST = 2**31 - 1  # a time scale is a 32-bit number in the file


def default_name(source: Source) -> Path:
    """Return the name of a mended clip: beside the old one, ``-corrected`` added.

    The ending stays where it can; else ``.mov`` where the sound is not compressed (MP4 does
    not hold it everywhere), ``.mp4`` otherwise.
    """
    clip = source.path
    ending = clip.suffix
    if ending.lower() not in ENDINGS:
        with open_clip(source) as container:
            names = [s.codec_context.name for s in container.streams.audio if known(s)]
        ending = ".mov" if any(n.startswith(("pcm", "adpcm")) for n in names) else ".mp4"
    return clip.with_name(f"{clip.stem}-corrected{ending}")


def check_name(clip: Path, out: Path, force: bool) -> None:
    """Refuse a name that cannot be written to.

    Raises:
        Conflict: It is the clip itself, or a file that exists (and must not be replaced).
        WrongCall: Another ending: MP4 and MOV keep every time stamp.
    """
    if out.exists() and out.samefile(clip):
        raise Conflict(f"'{out.name}' is the clip itself.", "Name another file with --out.")
    if out.exists() and not force:
        raise Conflict(
            f"'{out}' exists already.", "Name a new file with --out, or replace it with --force."
        )
    if out.suffix.lower() not in ENDINGS:
        raise WrongCall(
            f"'{out.name}' does not end with .mp4 or .mov.",
            "Only these keep every time stamp as it was.",
        )
    if not out.parent.is_dir():
        raise WrongCall(f"There is no folder '{out.parent}'.", "Make it first.")


@contextmanager
def new_file(out: Path, force: bool) -> Iterator[Path]:
    """Hand out a name beside `out`; rename it when the block ends well, else remove it.

    Raises:
        NoSpace: The disk is full.
    """
    try:
        with beside(out, "correct", suffix=out.suffix) as part:
            yield part
            if out.exists() and not force:
                raise Conflict(f"'{out}' exists by now.", "Name a new file with --out.")
    except (OSError, av.error.FFmpegError) as error:
        if error.errno in FULL_DISK:
            raise NoSpace(
                f"The disk is full; '{out.name}' was not written.", "Free some space and try again."
            ) from None
        raise


class OutClip:
    """The mended clip while it is written.

    Args:
        part: Written to.
        source: The old clip: its sound is copied packet by packet, its description kept.
        note: Said in the file's comment.

    Attributes:
        left_out: What could not be taken along, in words.
    """

    def __init__(self, part: Path, source: Source, stage: Stage, note: str) -> None:
        self.frames = 0
        self.left_out: list[str] = []
        self._stage = stage
        self._held: Any = None
        self._last: int | None = None
        self._old = opened(source)
        self._new: Any = None
        try:
            self._open(part, source, note)
        except BaseException:
            self.abandon()
            raise

    def _open(self, part: Path, source: Source, note: str) -> None:
        seen = video_stream(self._old, source)
        heard = [s for s in self._old.streams.audio if known(s)]
        more = len(self._old.streams) - 1 - len(heard)
        if more > 0:
            self.left_out.append(f"{more} track(s) that are neither picture nor sound")
        options = {"movie_timescale": str(_scale(self._stage.time_base, heard))}
        self._new = av.open(str(part), "w", format=ENDINGS[part.suffix.lower()], options=options)
        self._new.metadata.update(self._old.metadata)
        self._new.metadata["comment"] = note
        self._video = self._picture(seen)
        self._sound = {s.index: self._new.add_stream_from_template(s) for s in heard}
        try:
            self._new.start_encoding()
        except (av.error.FFmpegError, ValueError) as error:
            number = getattr(error, "errno", None)
            if number in FULL_DISK:
                raise OSError(number, "no space") from None
            names = ", ".join(s.codec_context.name for s in heard)
            raise WrongCall(
                f"A {part.suffix} file cannot hold the sound of '{source.name}' ({names}).",
                "Name the new file .mov with --out.",
            ) from None
        self._packets = self._old.demux(heard) if heard else iter(())
        self._next: Any = None

    def _picture(self, seen: Any) -> Any:
        stage = self._stage
        rate = stage.nominal_rate or Fraction(30)
        stream: Any = self._new.add_stream("libx264", rate=rate)
        stream.width, stream.height = stage.width, stage.height
        stream.pix_fmt = pixel_format(stage)
        stream.time_base = stage.time_base
        context = stream.codec_context
        context.time_base = stage.time_base
        tags = stage.tags
        full = tags.range == "full" or (tags.range is None and _full(stage))
        context.color_range = 2 if full else (1 if tags.range else 0)
        context.colorspace = 2 if tags.matrix is None else tags.matrix
        context.color_trc = 2 if tags.transfer is None else tags.transfer
        context.color_primaries = 2 if tags.primaries is None else tags.primaries
        if stage.pixel_format.startswith(("rgb", "bgr", "gbr")):
            context.colorspace = 5  # the luma equation that R, G and B were turned with
        aspect = seen.sample_aspect_ratio or seen.codec_context.sample_aspect_ratio
        if aspect:
            context.sample_aspect_ratio = aspect
        if stage.rotation:
            stream.set_display_rotation(float(-stage.rotation))
        stream.options = {**QUALITY, "g": str(max(1, round(2 * rate)))}
        return stream

    def add(self, planes: Planes, pts: int | None) -> bool:
        """Append a frame at its old time stamp; one without, or out of order, is moved a tick.

        Returns:
            True when the time stamp is the old one.
        """
        kept = pts is not None and (self._last is None or pts > self._last)
        if not kept:
            pts = 0 if self._last is None else self._last + self._step()
        self._last = pts
        frame = av.VideoFrame(self._stage.width, self._stage.height, self._video.pix_fmt)
        for place, plane in zip(frame.planes, _filled(planes, frame), strict=True):
            _copy(plane, place)
        frame.pts = pts
        frame.time_base = self._stage.time_base
        self.frames += 1
        for packet in self._video.encode(frame):
            self._hold(packet)
        return kept

    def _step(self) -> int:
        rate = self._stage.nominal_rate
        return max(1, round(1 / (rate * self._stage.time_base))) if rate else 1

    def _hold(self, packet: Any) -> None:
        """Write the packet before this one: only now its duration is known."""
        if self._held is not None:
            self._held.duration = packet.pts - self._held.pts
            self._write(self._held)
        self._held = packet

    def _write(self, packet: Any) -> None:
        self._copy_sound(packet.pts * packet.time_base)
        self._new.mux(packet)

    def _copy_sound(self, until: Fraction | None) -> None:
        """Copy sound packets up to a time, all that are left without one."""
        while True:
            if self._next is None:
                try:
                    self._next = next(self._packets, None)
                except av.error.FFmpegError:
                    self.left_out.append("sound behind the place where the file breaks off")
                    self._packets = iter(())
            packet = self._next
            if packet is None:
                return
            if packet.size and packet.dts is not None:
                if until is not None and packet.dts * packet.time_base > until:
                    return
                packet.stream = self._sound[packet.stream_index]
                self._new.mux(packet)
            self._next = None

    def finish(self) -> None:
        """Write what is left and close the file."""
        for packet in self._video.encode(None):
            self._hold(packet)
        if self._held is not None:
            self._held.duration = self._step()
            self._write(self._held)
        self._copy_sound(None)
        self._new.close()
        self._old.close()

    def abandon(self) -> None:
        """Close without caring for what was written."""
        with suppress(Exception):
            if self._new is not None:
                self._new.close()
        self._old.close()


def pixel_format(stage: Stage) -> str:
    """Return the pixel format of the new clip: 4:2:0 where the size is even, up to 10 bit."""
    even = stage.width % 2 == 0 and stage.height % 2 == 0
    return f"yuv4{'20' if even else '44'}p{'' if stage.bits == 8 else '10le'}"


def _full(stage: Stage) -> bool:
    return stage.pixel_format.startswith(("yuvj", "rgb", "bgr", "gbr", "pal"))


def _scale(base: Fraction, heard: list[Any]) -> int:
    """Return ticks a second in which beginnings of pictures and sound are whole numbers."""
    scales = [base.denominator, *(int(s.codec_context.sample_rate) for s in heard)]
    scale = math.lcm(*scales)
    return scale if scale <= _TICKS_MOST else scales[0]


def _filled(planes: Planes, frame: av.VideoFrame) -> list[Any]:
    luma, cb, cr = planes
    if cb is not None and cr is not None:
        return [luma, cb, cr]
    shape = frame.planes[1].height, frame.planes[1].width
    grey = 128 if luma.dtype == np.uint8 else 512
    return [luma, *(np.full(shape, grey, luma.dtype) for _ in range(2))]


def _copy(plane: Any, place: Any) -> None:
    pitch = place.line_size // plane.dtype.itemsize
    buffer: Any = np.frombuffer(place, plane.dtype, count=pitch * place.height)
    buffer.reshape(place.height, pitch)[:, : place.width] = plane
