"""One long recording written as several files, as small cameras do, with known gaps.

World time runs in seconds from the moment the recording starts. The camera's own clock may
run fast; its files know nothing of the world but the time that is written into them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter

Luma = npt.NDArray[np.uint8]
Sound = npt.NDArray[np.float64]

SOUND_RATE = 48_000
_BEGAN = dt.datetime(2026, 5, 12, 9, 14, 3, tzinfo=dt.UTC)
_GROUP = 15  # frames from key frame to key frame; a file is closed after a whole group
_SPARE = 48_000  # bytes kept below a limit of size for a group of pictures and the index


@dataclass(frozen=True)
class Recorder:
    """How a camera writes a long recording.

    Attributes:
        rule: {"time", "size"}. What makes it start a new file.
        seconds: Length of a file by the camera's own clock, with the rule ``time``.
        limit: Bytes that a file must not exceed, with the rule ``size`` (4 GiB − 1 on a real card;
            tests take a small one).
        gap, gap_scatter: Seconds between two files, and their standard deviation; negative: files
            overlap.
        fast_ppm: How much the camera's clock runs fast, pictures and sound alike.
        mark: {"start", "end"}. Which moment of a file is written as its creation time.
        names: {"counted", "dated", "lettered"}. ``TUR0007.MP4``; ``20260512-091403-TUR.MP4``;
            ``TUR07a.MP4``.
        sound: {"none", "cut", "continuous"}. Sound stops with the pictures, or runs on until the
            next file begins.
        finalised: False: power fails in the last file, which has no index.
        prefix: First letters of the file names.
    """

    width: int = 320
    height: int = 180
    rate: Fraction = Fraction(30)
    rule: Literal["time", "size"] = "time"
    seconds: float = 20.0
    limit: int = 300_000
    gap: float = 1.0
    gap_scatter: float = 0.0
    fast_ppm: float = 0.0
    mark: Literal["start", "end"] = "start"
    names: Literal["counted", "dated", "lettered"] = "counted"
    sound: Literal["none", "cut", "continuous"] = "none"
    finalised: bool = True
    bit_rate: int = 400_000
    prefix: str = "TUR"


@dataclass(frozen=True, slots=True)
class Written:
    """One file and the truth about it: world seconds of its first frame and its end."""

    path: Path
    start: float
    end: float
    frames: int


@dataclass(frozen=True)
class RoomScene:
    """What there is to record.

    Attributes:
        picture: World seconds to luma (H, W), uint8.
        sound: World seconds (N,) to samples, −1 to 1.
        ends: Render pictures only so many seconds from the ends of a file; between them the last
            one stands still. With the rule ``size`` a file's end is not known before: all are
            rendered.
    """

    picture: Callable[[float], Luma]
    sound: Callable[[Sound], Sound] | None = None
    ends: float | None = None


def record(
    folder: Path,
    recorder: Recorder,
    scene: RoomScene,
    *,
    files: int = 3,
    last: float | None = None,
    seed: int = 1,
) -> list[Written]:
    """Write a recording.

    Args:
        folder: Must exist.
        last: Seconds of the last file, which ends when the recording is stopped; default: half of a
            full one.

    Returns:
        In the order in which they were recorded.
    """
    rng = np.random.default_rng(seed)
    gaps = recorder.gap + recorder.gap_scatter * rng.standard_normal(files)
    start, done = 0.0, []
    for number in range(files):
        final = number == files - 1
        length = (recorder.seconds / 2 if last is None else last) if final else recorder.seconds
        by_size = recorder.rule == "size" and not final
        file = _File(recorder, scene, start, None if by_size else length, float(gaps[number]))
        done.append(file.write(folder, number))
        start = done[-1].end + float(gaps[number])
    if not recorder.finalised:
        drop_index(done[-1].path)
    return done


def drop_index(path: Path) -> None:
    """Leave of a file what the card holds when power fails: no index (``moov``).

    Args:
        path: MP4 or MOV with its index at the end; changed in place.
    """
    data = path.read_bytes()
    media = data[: data.rindex(b"moov") - 4]
    path.write_bytes(media)


@dataclass(frozen=True)
class _File:
    recorder: Recorder
    scene: RoomScene
    start: float
    length: float | None
    gap: float

    def write(self, folder: Path, number: int) -> Written:
        """Write the file; its creation time is known only afterwards with the mark ``end``."""
        recorder = self.recorder
        path = folder / _name(recorder, number, self.start)
        frames = None if self.length is None else round(self.length * float(recorder.rate))
        end = self._end(frames) if frames is not None else None
        if frames is None and recorder.mark == "end":
            raise ValueError("the end of a file cut by size is not known when it is opened")
        moment = self.start if recorder.mark == "start" else end
        assert moment is not None
        made = _BEGAN + dt.timedelta(seconds=int(np.floor(moment)))
        done = self._pictures(path, frames, made.strftime("%Y-%m-%dT%H:%M:%S.000000Z"))
        return Written(path, self.start, self._end(done), done)

    def _end(self, frames: int) -> float:
        return self.start + frames / float(self.recorder.rate) / self._pace

    @property
    def _pace(self) -> float:
        return 1 + self.recorder.fast_ppm * 1e-6

    def _pictures(self, path: Path, frames: int | None, made: str) -> int:
        recorder = self.recorder
        options = {
            "g": str(_GROUP), "keyint_min": str(_GROUP), "sc_threshold": "0", "bf": "0",
            "tune": "zerolatency",
        }  # fmt: skip
        sound = None if recorder.sound == "none" else (SOUND_RATE, 1)
        with ClipWriter(
            path, recorder.width, recorder.height, recorder.rate, bit_rate=recorder.bit_rate,
            options=options, sound=sound, metadata={"creation_time": made},
            muxer={"flush_packets": "1"},
        ) as writer:  # fmt: skip
            count = heard = 0
            luma: Luma | None = None
            while not self._full(path, count, frames):
                if luma is None or self._matters(count, frames):
                    luma = self.scene.picture(
                        self.start + count / float(recorder.rate) / self._pace
                    )
                writer.write_luma(luma, count / float(recorder.rate))
                count += 1
                if sound is not None and count % _GROUP == 0:
                    heard = self._hear(writer, heard, count / float(recorder.rate))
            if sound is not None:
                more = self.gap * self._pace if recorder.sound == "continuous" else 0.0
                self._hear(writer, heard, count / float(recorder.rate) + max(0.0, more))
        return count

    def _full(self, path: Path, count: int, frames: int | None) -> bool:
        if frames is not None:
            return count >= frames
        if count == 0 or count % _GROUP:
            return False
        return path.stat().st_size + _SPARE + 20 * count >= self.recorder.limit

    def _matters(self, count: int, frames: int | None) -> bool:
        near = self.scene.ends
        if near is None or frames is None:
            return True
        reach = round(near * float(self.recorder.rate))
        return count < reach or count >= frames - reach

    def _hear(self, writer: ClipWriter, done: int, until: float) -> int:
        """Write sound up to a moment of the file; return samples written so far."""
        assert self.scene.sound is not None
        samples = np.arange(done, round(until * SOUND_RATE))
        if not samples.size:
            return done
        writer.write_sound(self.scene.sound(self.start + samples / SOUND_RATE / self._pace))
        return round(until * SOUND_RATE)


def _name(recorder: Recorder, number: int, start: float) -> str:
    if recorder.names == "dated":
        made = _BEGAN + dt.timedelta(seconds=int(start))
        return f"{made:%Y%m%d-%H%M%S}-{recorder.prefix}.MP4"
    if recorder.names == "lettered":
        return f"{recorder.prefix}07{chr(ord('a') + number)}.MP4"
    return f"{recorder.prefix}{number + 7:04d}.MP4"


def room_sound(seed: int = 1, level: float = 0.05) -> Callable[[Sound], Sound]:
    """Return sound of a room that never repeats, a function of world seconds.

    Noise with a falling spectrum, swelling and fading as speech does; the same world second
    sounds the same in whichever file or recorder it is heard.
    """
    cache: dict[int, Sound] = {}

    def second(number: int) -> Sound:
        if number not in cache:
            rng = np.random.default_rng((seed, number % 2**31))
            spectrum = np.fft.rfft(rng.standard_normal(SOUND_RATE))
            frequency = np.fft.rfftfreq(SOUND_RATE, 1 / SOUND_RATE)
            spectrum *= 1 / (1 + (frequency / 500.0) ** 1.2) * (frequency > 60)
            noise = np.fft.irfft(spectrum, SOUND_RATE)
            swell = 0.6 + 0.4 * np.sin(np.linspace(0, 2 * np.pi * rng.integers(1, 5), SOUND_RATE))
            while len(cache) > 8:
                cache.pop(next(iter(cache)))
            cache[number] = level * swell * noise / noise.std()
        return cache[number]

    def heard(times: Sound) -> Sound:
        whole = np.floor(times).astype(int)
        out = np.empty(times.size)
        for number in np.unique(whole):
            here = whole == number
            samples = np.append(second(int(number)), second(int(number) + 1)[0])
            out[here] = np.interp(
                (times[here] - number) * SOUND_RATE, np.arange(SOUND_RATE + 1), samples
            )
        return out

    return heard
