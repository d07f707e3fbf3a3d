"""Does an H.264 stream keep within the level it declares? (ITU-T H.264, Annex A)"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# Table A-1: level, MaxMBPS, MaxFS, MaxDpbMbs, MaxBR, MaxCPB (both in units of Table A-2).
_TABLE = (
    ("1", 1485, 99, 396, 64, 175),
    ("1b", 1485, 99, 396, 128, 350),
    ("1.1", 3000, 396, 900, 192, 500),
    ("1.2", 6000, 396, 2376, 384, 1000),
    ("1.3", 11880, 396, 2376, 768, 2000),
    ("2", 11880, 396, 2376, 2000, 2000),
    ("2.1", 19800, 792, 4752, 4000, 4000),
    ("2.2", 20250, 1620, 8100, 4000, 4000),
    ("3", 40500, 1620, 8100, 10000, 10000),
    ("3.1", 108000, 3600, 18000, 14000, 14000),
    ("3.2", 216000, 5120, 20480, 20000, 20000),
    ("4", 245760, 8192, 32768, 20000, 25000),
    ("4.1", 245760, 8192, 32768, 50000, 62500),
    ("4.2", 522240, 8704, 34816, 50000, 62500),
    ("5", 589824, 22080, 110400, 135000, 135000),
    ("5.1", 983040, 36864, 184320, 240000, 240000),
    ("5.2", 2073600, 36864, 184320, 240000, 240000),
)
# cpbBrNalFactor by profile_idc (Table A-2): bits per unit of MaxBR and MaxCPB, NAL units counted.
_NAL_FACTOR = {100: 1500, 110: 3600, 122: 4800, 244: 4800, 44: 4800}
_NAL_FACTOR_PLAIN = 1200
_MOST_FRAMES = 16
# A rate read off rounded time stamps may exceed the true one by this share.
_RATE_TOLERANCE = 0.002


@dataclass(frozen=True, slots=True)
class CodecLevel:
    """Limits of one level.

    Attributes:
        macroblocks_per_second, macroblocks, buffer_macroblocks: MaxMBPS, MaxFS and MaxDpbMbs.
        bit_rate, buffer_bits: In bit/s and bit, for the profile asked for.
    """

    name: str
    macroblocks_per_second: int
    macroblocks: int
    buffer_macroblocks: int
    bit_rate: float
    buffer_bits: float


@dataclass(frozen=True, slots=True)
class Load:
    """What a stream asks of a decoder.

    Attributes:
        across, down: Size in macroblocks.
        frame_rate: Hz, measured.
        references: Frames the decoder must keep.
        bit_rate: Mean, bit/s.
        seconds: float array, (n,). Decoding times of the pictures, ascending.
        bits: array, (n,). Their sizes.
    """

    across: int
    down: int
    frame_rate: float
    references: int
    bit_rate: float
    seconds: npt.NDArray[np.float64]
    bits: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Conformity:
    """Verdict on a declared level.

    Attributes:
        needed: Lowest level that the stream keeps within, ``""`` where none does.
        reasons: What breaks the declared level, one clause each.
    """

    declared: str
    needed: str
    conforms: bool
    reasons: tuple[str, ...]


def levels(profile_idc: int) -> tuple[CodecLevel, ...]:
    """Return the levels of Table A-1 in ascending order, for a profile."""
    factor = _NAL_FACTOR.get(profile_idc, _NAL_FACTOR_PLAIN)
    return tuple(
        CodecLevel(name, rate, size, buffered, bits * factor, store * factor)
        for name, rate, size, buffered, bits, store in _TABLE
    )


def judge(declared: str, profile_idc: int, load: Load) -> Conformity | None:
    """Compare a stream with its declared level; None for a level that is not in the table."""
    table = levels(profile_idc)
    stated = next((level for level in table if level.name == declared), None)
    if stated is None:
        return None
    reasons = tuple(breaches(stated, load))
    needed = next((level.name for level in table if not breaches(level, load)), "")
    return Conformity(declared, needed, not reasons, reasons)


def breaches(level: CodecLevel, load: Load) -> Sequence[str]:
    """Return what in a stream goes beyond a level, as clauses."""
    size = load.across * load.down
    rate = size * load.frame_rate
    found = []
    widest = (8 * level.macroblocks) ** 0.5
    if size > level.macroblocks or max(load.across, load.down) > widest:
        found.append(f"a picture has {size} macroblocks, the level allows {level.macroblocks}")
    if rate > level.macroblocks_per_second * (1 + _RATE_TOLERANCE):
        found.append(
            f"{rate:.0f} macroblocks per second, the level allows {level.macroblocks_per_second}"
        )
    kept = min(level.buffer_macroblocks // size, _MOST_FRAMES)
    if load.references > kept:
        found.append(f"{load.references} reference frames, the level allows {kept}")
    if load.bit_rate > level.bit_rate:
        found.append(
            f"a mean of {load.bit_rate / 1e6:.3g} Mbit/s, the level allows "
            f"{level.bit_rate / 1e6:.3g} Mbit/s"
        )
    elif not buffer_holds(load.seconds, load.bits, level.bit_rate, level.buffer_bits):
        found.append(
            f"peaks that empty a buffer of {level.buffer_bits / 1e6:.3g} Mbit filled at "
            f"{level.bit_rate / 1e6:.3g} Mbit/s"
        )
    return found


def buffer_holds(
    seconds: npt.NDArray[np.float64], bits: npt.NDArray[np.int64], rate: float, size: float
) -> bool:
    """Run the coded picture buffer of Annex C: full at first, filled at `rate`, never empty.

    Args:
        seconds, bits: arrays, (n,). When each picture is taken out, ascending, and how large it is.
        rate: bit/s.
        size: Bits.
    """
    held, last = size, seconds[0] if seconds.size else 0.0
    for now, taken in zip(seconds.tolist(), bits.tolist(), strict=True):
        held = min(size, held + rate * max(0.0, now - last)) - taken
        last = max(last, now)
        if held < 0:
            return False
    return True
