"""The bench clock: where its parts stand and how it writes the time.

The page shows the time ``t`` of each screen update in whole milliseconds, modulo 2**27 ms
(37.3 h), in two scales. The *count* ``t // 64`` stands in 21 cells in Gray code with the
complement of every cell below it: an exposure shorter than 64 ms meets at most one change, and
that changes one cell only. The *sweep* is a white bar that crosses a black strip once in 128 ms;
the first circular moment of the light on the strip is the mean time shown during the exposure,
whatever number of updates it straddles. The count says which turn of the sweep it is.

``clock.js`` holds the same constants; a test compares them.
"""

from __future__ import annotations

from typing import Final

BITS: Final = 21
COUNT_MS: Final = 64
SWEEP_MS: Final = 2 * COUNT_MS
RANGE_MS: Final = COUNT_MS << BITS
"""The clock starts again after so many milliseconds (37.3 h)."""

WIDTH: Final = 32.0
HEIGHT: Final = 18.0
SHARE: Final = 0.78
"""Share of the screen that the layout takes: a screen somewhat larger than the frame is read."""

MARKER: Final = 4.2
"""Side of a corner mark, with its black border."""
MARKERS: Final[dict[int, tuple[float, float]]] = {
    31: (0.6, 0.6),
    34: (27.2, 0.6),
    37: (27.2, 13.2),
    42: (0.6, 13.2),
}
"""Upper left corner of each mark by its number in OpenCV's 4 by 4 dictionary of 50."""
PATTERNS: Final[dict[int, str]] = {
    31: "0101011110110010",
    34: "0000100010101110",
    37: "0000010011111111",
    42: "0011001010001100",
}
CELLS: Final = (6.0, 1.0, 20.0, 2.0)
"""Count, highest bit first: x, y, width, height; the complements stand below, as large."""
SWEEP: Final = (6.0, 6.5, 20.0, 2.0)
"""Black strip of the sweep: x, y, width, height."""
BAR: Final = 1.0 / 16.0
"""Width of the bar as a share of the strip; it wraps round at the ends."""
FLASH: Final = (6.0, 13.0, 20.0, 4.0)
"""Field that flashes (or, in the calm mode, holds still) for the sound: x, y, width, height."""
FLASH_MS: Final = 50


def gray(count: int) -> int:
    """Gray code of a count: neighbours differ in one bit."""
    return count ^ (count >> 1)


def count_of(code: int) -> int:
    """Count whose Gray code is `code`."""
    count = 0
    while code:
        count ^= code
        code >>= 1
    return count


def bits(time_ms: int) -> tuple[bool, ...]:
    """Cells of the count at a time, highest bit first; True is white."""
    code = gray(time_ms % RANGE_MS // COUNT_MS)
    return tuple(bool(code >> place & 1) for place in reversed(range(BITS)))


def constants() -> dict[str, object]:
    """Return what the page needs to know, under the names it uses."""
    return {
        "bits": BITS,
        "countMs": COUNT_MS,
        "width": WIDTH,
        "height": HEIGHT,
        "share": SHARE,
        "marker": MARKER,
        "markers": [[*MARKERS[key], PATTERNS[key]] for key in MARKERS],
        "cells": list(CELLS),
        "sweep": list(SWEEP),
        "bar": BAR,
        "flash": list(FLASH),
        "flashMs": FLASH_MS,
    }
