"""Clips with faults in time and in the file, and the truth about them.

A `FaultPlan` says which frames the camera loses, repeats or stamps late; `render` writes the clip
and returns what a perfect observer would report, by frame number in the file. `overwrite` and
`cut` then damage the finished file as bad cards and flat batteries do.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import av
import numpy as np
import numpy.typing as npt

from seeworthy.media.write import ClipWriter

# A hardware encoder as small cameras have: no bidirectional frames, one key a second.
CAMERA_LIKE = {"bf": "0", "g": "30", "keyint_min": "30", "sc_threshold": "0"}


class FaultScene(Protocol):
    """Anything that can be filmed."""

    @property
    def width(self) -> int:
        """Frame width in px."""

    @property
    def height(self) -> int:
        """Frame height in px."""

    def picture(self, moment: float) -> npt.NDArray[np.uint8]:
        """Return luma (H, W) or RGB (H, W, 3) at a moment, in nominal frame intervals."""


@dataclass(frozen=True)
class FaultPlan:
    """What goes wrong, by slot: slot k is the k-th picture a perfect camera takes.

    Args:
        slots: Pictures a perfect camera would take.
        rate: Nominal rate.
        dropped: collection of int. Slots that never reach the file; the stamps show the gap.
        skipped: collection of int. Slots lost before stamping: content jumps, the stamps run on
            evenly.
        repeated: collection of int. Slots that show the picture of the slot before again.
        jitter: Standard deviation of the stamps in seconds.
        intervals: ``slot -> seconds to the next one``: a variable rate. Content follows time.
    """

    slots: int
    rate: Fraction = Fraction(30)
    dropped: frozenset[int] = frozenset()
    skipped: frozenset[int] = frozenset()
    repeated: frozenset[int] = frozenset()
    jitter: float = 0.0
    intervals: Callable[[int], float] | None = None
    time_base: Fraction = Fraction(1, 90000)
    seed: int = 1


@dataclass(frozen=True)
class Truth:
    """What is in the file; frame numbers from 0.

    Attributes:
        dropped: The frame before each gap, once per missing frame.
        repeated, skipped, corrupt: Repeated frames; frames after a hidden jump; frames with damaged
            data.
        keys: Key frames (a repeat at one of them does not show).
        rate: Frames per second in the file.
        jitter: Standard deviation of the stamps that was asked for, in seconds.
    """

    frames: int
    dropped: tuple[int, ...] = ()
    repeated: tuple[int, ...] = ()
    skipped: tuple[int, ...] = ()
    corrupt: tuple[int, ...] = ()
    keys: tuple[int, ...] = ()
    rate: float = 0.0
    jitter: float = 0.0


@dataclass
class _Tape:
    """The frames as they reach the file."""

    dropped: list[int] = field(default_factory=list)
    repeated: list[int] = field(default_factory=list)
    skipped: list[int] = field(default_factory=list)
    moments: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)


def render(
    path: str | Path,
    scene: FaultScene,
    plan: FaultPlan,
    *,
    bit_rate: int = 7_000_000,
    options: dict[str, str] | None = None,
) -> Truth:
    """Film a scene with faults.

    Args:
        path: MP4 or MOV.
        options: Encoder options; default `CAMERA_LIKE`.
    """
    tape = _play(plan)
    with ClipWriter(
        path,
        scene.width,
        scene.height,
        plan.rate,
        bit_rate=bit_rate,
        time_base=plan.time_base,
        options=CAMERA_LIKE if options is None else options,
    ) as writer:
        for moment, second in zip(tape.moments, tape.seconds, strict=True):
            seen = scene.picture(moment)
            (writer.write_luma if seen.ndim == 2 else writer.write_rgb)(seen, second)
    spent = tape.seconds[-1] - tape.seconds[0]
    return Truth(
        frames=len(tape.moments),
        dropped=tuple(tape.dropped),
        repeated=tuple(tape.repeated),
        skipped=tuple(tape.skipped),
        keys=tuple(i for i, packet in enumerate(packets(path)) if packet.key),
        rate=(len(tape.moments) - 1) / spent if spent > 0 else 0.0,
        jitter=plan.jitter,
    )


def _play(plan: FaultPlan) -> _Tape:
    """Lay out the frames of the file in time."""
    rng = np.random.default_rng((plan.seed, 5))
    tape = _Tape()
    nominal = float(1 / plan.rate)
    second, lost = 0.0, 0
    shown = 0.0
    for slot in range(plan.slots):
        moment = second / nominal + lost
        step = plan.intervals(slot) if plan.intervals else nominal
        if slot in plan.skipped and tape.moments:
            lost += 1
            if not tape.skipped or tape.skipped[-1] != len(tape.moments):
                tape.skipped.append(len(tape.moments))
            continue
        if slot in plan.dropped and tape.moments:
            tape.dropped.append(len(tape.moments) - 1)
            second += step
            continue
        if slot in plan.repeated and tape.moments:
            tape.repeated.append(len(tape.moments))
        else:
            shown = moment
        tape.moments.append(shown)
        late = float(rng.normal(0.0, plan.jitter)) if plan.jitter else 0.0
        last = tape.seconds[-1] if tape.seconds else -1.0
        # Stamps never run backwards, however late a frame was.
        tape.seconds.append(max(second + late + 4 * plan.jitter, last + 0.1 * nominal))
        second += step
    # A gap at the very end is not a gap: nothing follows it.
    while tape.dropped and tape.dropped[-1] == len(tape.moments) - 1:
        tape.dropped.pop()
    return tape


@dataclass(frozen=True, slots=True)
class PacketPlace:
    """Where the data of one frame lie in a file."""

    position: int
    size: int
    key: bool


def packets(path: str | Path) -> list[PacketPlace]:
    """Return the packets of the picture in presentation order: number = place."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        found = [
            (packet.pts, PacketPlace(packet.pos or 0, packet.size, bool(packet.is_keyframe)))
            for packet in container.demux(stream)
            if packet.pts is not None and packet.size
        ]
    return [place for _, place in sorted(found, key=lambda item: item[0])]


def overwrite(
    path: str | Path, frames: Sequence[int], *, length: int = 48, seed: int = 1
) -> tuple[int, ...]:
    """Overwrite bytes in the middle of the data of some frames.

    Frame numbers count packets in presentation order. The slice's head stays whole,
    so that the frame is decoded and its middle is damaged, as after a bad sector. Damage
    in the last twentieth of the data often decodes as valid picture content, in small
    pictures earlier damage too: then nobody can tell, and the default keeps away from it.

    Args:
        path: Changed in place.
        length: Bytes, at most a quarter of a frame's data.

    Returns:
        The frames, in order.
    """
    rng = random.Random(seed)
    places = packets(path)
    with Path(path).open("r+b") as handle:
        for number in sorted(frames):
            place = places[number]
            count = min(length, place.size // 4)
            last = max(0, min(int(0.6 * place.size), place.size - count))
            start = rng.randint(min(int(0.12 * place.size), last), last)
            handle.seek(place.position + start)
            handle.write(bytes(rng.randrange(256) for _ in range(count)))
    return tuple(sorted(frames))


def erase(path: str | Path, frames: Sequence[int]) -> tuple[int, ...]:
    """Set all data of some frames to zero: they cannot be decoded at all."""
    places = packets(path)
    with Path(path).open("r+b") as handle:
        for number in sorted(frames):
            handle.seek(places[number].position)
            handle.write(bytes(places[number].size))
    return tuple(sorted(frames))


def cut(source: str | Path, path: str | Path, share: float = 0.6) -> Path:
    """Copy the first part of a file, as a camera leaves it that lost power.

    An MP4 or MOV whose index (``moov``) stands at the end has none afterwards.
    """
    data = Path(source).read_bytes()
    target = Path(path)
    target.write_bytes(data[: max(1, int(len(data) * share))])
    return target


def low_light_rates(
    *, spells: Sequence[tuple[int, float]], wander: float = 0.0, seed: int = 1
) -> Callable[[int], float]:
    """Return intervals of a phone that lengthens the exposure in the dark.

    Args:
        spells: Frames and rate in hertz of each spell; the last one goes on.
        wander: Relative depth of a slow wander of the rate within a spell.
    """
    rng = random.Random(seed)
    phase = rng.uniform(0.0, 6.28)

    def interval(slot: int) -> float:
        left = slot
        rate = spells[-1][1]
        for count, spell_rate in spells:
            if left < count:
                rate = spell_rate
                break
            left -= count
        return (1.0 + wander * float(np.sin(slot / 17.0 + phase))) / rate

    return interval
