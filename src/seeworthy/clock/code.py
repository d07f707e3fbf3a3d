"""The bench clock: where its parts stand and how it writes the time.

The page shows the time ``t`` at which each screen update was begun, in milliseconds modulo
`RANGE_MS` (55.9 h), in two scales.

*Count*: ``t // 192`` stands in 20 cells in Gray code with the complement of every cell below it,
so an exposure shorter than 192 ms meets at most one change, which changes one cell only. Five
more cells say how often the screen is updated (`RATES`).

*Sweep*: a white bar crosses three black strips once in 384 ms, wrapping round at the ends. Its
centre of light is the mean of the times shown during the exposure, whatever number of updates it
straddles; the count says which turn of the sweep it is. The strips stand apart from top to bottom
because a screen is updated from top to bottom: within one frame they show the update at different
moments, which tells time between updates.

Whatever is in the count and on the strips turns from dark to bright and back three times in one
second at most: there is no flash in the sense of WCAG 2.3.1.

``clock.js`` holds the same constants; a test compares them.
"""

from __future__ import annotations

from typing import Final

BITS: Final = 20  # bits of the count: 56 hours (derived, `RANGE_MS`)
COUNT_MS: Final = 192
"""Milliseconds: no exposure of video is longer (a judgement), so it meets one change at most."""
SWEEP_MS: Final = 2 * COUNT_MS
RANGE_MS: Final = COUNT_MS << BITS
"""The clock starts again after so many milliseconds (55.9 h)."""

RATE_BITS: Final = 5  # for 31 rates of screens and "not known"
RATES: Final = (
    0, 24, 25, 30, 40, 48, 50, 60, 72, 75, 80, 85, 90, 96, 100, 110,
    120, 144, 150, 160, 165, 170, 175, 180, 200, 220, 240, 260, 280, 300, 330, 360,
)  # fmt: skip
"""Screen updates per second by what the five cells say in plain binary; 0 is not known."""

WIDTH: Final = 32.0  # units of the layout, 16 : 9 as screens are
HEIGHT: Final = 18.0  # of the same
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
Box = tuple[float, float, float, float]
"""x, y, width, height in units of the layout."""
CELLS: Final[Box] = (6.0, 2.7, 20.0, 1.1)
"""Count, highest bit first, then the rate; the complements stand below, as large."""
SWEEPS: Final[tuple[Box, ...]] = (
    (6.0, 0.6, 20.0, 1.6),
    (6.0, 5.4, 20.0, 6.6),
    (6.0, 15.8, 20.0, 1.6),
)
"""Black strips; the bar crosses them but for `PAD` at each end, which stays black."""
PAD: Final = 0.5  # units: a rim that shows the strip's black beside the bar (a judgement)
BAR: Final = 1.0 / 24.0
"""Width of the bar as a share of its way."""
FLASH: Final[Box] = (6.0, 12.5, 20.0, 2.8)
"""Field that flashes once a second when asked to, else holds still."""
FLASH_MS: Final = 50  # ms: longer than a frame at 24 Hz, and less than a blink (a judgement)


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


def bits(time_ms: float) -> tuple[bool, ...]:
    """Cells of the count at a time, highest bit first; True is white."""
    code = gray(int(time_ms % RANGE_MS) // COUNT_MS)
    return tuple(bool(code >> place & 1) for place in reversed(range(BITS)))
