"""The raster that a picture was really taken with, across and down.

Every candidate size gets a line strength (`native_lines`); the strongest are looked at where
their detail is clearly coded (`native_detail`). A size is believed when its line stands out in
two halves of the rows alike and the detail on both sides of its limit is tied together, more
tightly at sizes that block coding imitates. A picture counts as not enlarged when real detail
reaches further than any smaller raster allows; else the answer is `undecided`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.native.detail import Detail, Tie
from seeworthy.procedures.native.lines import HIGHEST, LOWEST, Lines, find_lines

Answer = Literal["yes", "no", "undecided"]
Grey = npt.NDArray[np.generic]
Steps = npt.NDArray[np.float32] | None

LEAST = 288
"""Frame width or height below which there is too little to go by."""

LINE = 7.0
"""Strength from which a line is looked at; chance reaches 6 in one clip of a hundred."""

_WEAK, _HALF_WEAK, _WEAK_TURN = 4.5, 2.5, 25.0
"""Real footage has few rows with fine detail, and its line may stay this weak (a street scene of
768 px enlarged: 5.0 to 7.0, tied by 0.75 to 0.95). Chance reaches it, so much more is asked of the
tie than of a strong line: the two below."""
_WEAK_TIED = 0.5  # of 0.75 to 0.95 seen, see _WEAK (a judgement)
_WEAK_CONTRAST = 2.0  # times the largest tie around it, both as Fisher's z (a judgement)
_AROUND = (-11, -8, -5, -3, 3, 5, 8, 11)  # px beside a size, off its own line of five sizes

_HALF_LINE, _HALF_TURN = 3.5, 40.0  # in each half; degrees between the halves
_LOOKED_AT = 6  # strongest lines: chance makes no more in a clip (time)
_TIED = 0.2  # coherence from which a mark counts at all
_TIED_CODED, _CODING_REST, _REST_SLOPE = 0.20, 0.13, 1.5
"""What a size away from the coder's own must have, more where the power that is no image exceeds
what coding leaves. Rendered (seeds 21, 22, 7 Mbit/s): enlarged 0.23 to 0.65 at a rest of 0.09 to
0.12; made smaller without smoothing 0.20 to 0.30 at a rest of 0.39 to 0.49."""
_TIED_UNKNOWN = 0.7  # half of the power beyond the limit is image: the square root of one half
_TWIN = 0.9  # of the tightest tie, for a mark that repeated samples make as well (a judgement)
_SIBLINGS = 1.5  # as a multiple of the tie of its images at quarters of the frame
_HALF_TIED = 0.3  # at one half of the size, where block coding and sensor mosaics show a little
_BLOCK_TIED = (0.80, 0.62, 0.48)  # at other sixteenths, the less the more detail is clear:
_CLEAR_SHARE = (0.03, 0.10, 0.30)  # clear detail at those
_BLOCK_SIGNS = (5 / 8, 7 / 8)  # of the size; see _BLOCK_RATIO
_BLOCK_RATIO = 5.0
"""Times the tie at 5/8 and 7/8 of the size, which blocks make and no raster: a film clip coded
twice shows 2.1 to 3.8 at 3/4, rasters of 3/4 more than 20 (rendered, seed 21)."""
_LEAST_SHARE = 0.03  # of the windows with clear detail: below, coding decides (see _CLEAR_SHARE)
_PATTERN = 3  # tied sizes at once: harmonics of stripes, tiles or louvres in the scene
_LOOSE = 0.4  # coherence below which detail counts as independent
_LOOSE_UNKNOWN = 0.3  # and where the quantiser is not known (a judgement)
_DOUBT = {False: 0.05, True: 0.3}  # coherence of a mark that forbids a no; True: like blocks
_POWER = 1.0  # code values squared: detail where the quantiser is not known
_ROUNDING = 1 / 12
"""Variance of rounding to a step, in squared steps: power below it may all be the coder's noise,
and says nothing of detail."""
_ROUNDING_UNKNOWN = 4.0  # code values squared: that of a step of 7, a coarse one (a judgement)
_FALL = 1.15
"""Times the power at 1/4 cy/px that there must be over that at the reach: what is even up to the
finest is noise of sensor or coder, or grain that was added (a judgement, 0.6 dB)."""
_REACHES = (0.95, 0.9, 0.85, 0.8)  # shares of the size that real detail may reach
_SPREAD = 0.6  # px: a whole number, and raster corners that may coincide (rectangular, ±1)


@dataclass(frozen=True)
class Candidate:
    """One size whose line stands out."""

    size: int
    strength: float
    tie: Tie
    blocks: bool
    believed: bool


@dataclass(frozen=True)
class AxisAnswer:
    """What was found along one axis.

    Attributes:
        answer: Whether the picture was enlarged along this axis.
        interval: (float, float) or None. 95 %; for ``no`` from what the detail shows at least up to
            the delivered size.
        why: A sentence for ``undecided``.
        detail: Share of windows (or power, where the quantiser is unknown) with detail at 1/4
            cy/px.
        poor: Too little fine detail to say anything.
    """

    delivered: int
    answer: Answer
    native: float | None
    u: float | None
    interval: tuple[float, float] | None
    why: str
    candidates: tuple[Candidate, ...]
    detail: float
    poor: bool
    lines: Lines


@dataclass(frozen=True)
class Native:
    """Both axes, and the answer for the picture as a whole."""

    across: AxisAnswer
    down: AxisAnswer
    pictures: int

    @property
    def upscaled(self) -> Answer:
        """``yes`` when either axis was enlarged, ``no`` when neither was."""
        answers = {self.across.answer, self.down.answer}
        if "yes" in answers:
            return "yes"
        return "no" if answers == {"no"} else "undecided"


def measure_native(pictures: Sequence[Grey], steps: Sequence[Steps] | None = None) -> Native:
    """Find the native raster of a few pictures of one clip.

    Args:
        pictures: sequence of array (H, W). Luma in 8-bit code values (any numeric type), best of
            intra-coded pictures.
        steps: sequence of array (H/16, W/16) or None. Quantiser steps of each picture, None where
            unknown.

    Raises:
        CannotMeasure: No picture, too small a picture, or too little detail along both axes.
    """
    if not pictures:
        raise CannotMeasure(
            "The clip holds no intact key frame.", "Copy it again from the card, or film again."
        )
    if min(pictures[0].shape) < LEAST:
        height, width = pictures[0].shape
        raise CannotMeasure(
            f"The frame is {width}×{height} px: too small to tell its native raster.",
            f"Film at a size of at least {LEAST} px each way.",
        )
    known: list[Steps] = [None] * len(pictures)
    if steps is not None and all(s is not None for s in steps):
        known = list(steps)
    across = _axis(list(pictures), known)
    down = _axis([p.T for p in pictures], [None if s is None else s.T for s in known])
    if across.poor and down.poor:
        raise CannotMeasure(
            "The scene has too little fine detail to tell the native raster.",
            "Film something full of fine detail in good light and in focus (gravel, foliage, "
            "print, grass), moving the camera slowly.",
        )
    return Native(across, down, len(pictures))


def _axis(pictures: list[Grey], steps: list[Steps]) -> AxisAnswer:
    lines = find_lines(pictures)
    rows = Detail(pictures, steps)
    coded = steps[0] is not None
    candidates = [_candidate(lines, i, rows, coded) for i in _peaks(lines)]
    candidates += _weak(lines, candidates, rows, coded)
    candidates.sort(key=lambda c: -c.tie.coherence)
    size = lines.size
    middle = rows.tie(0.5 * size)
    detail = middle.power if middle.share is None else middle.share
    enough = _POWER if middle.share is None else _LEAST_SHARE
    answer: Answer = "undecided"
    native = u = interval = None
    best = _best(candidates, size)
    why = ""
    if _patterned(candidates, best, size):
        why = (
            "Many sizes are marked at once, as a regular pattern in the scene does; film "
            "something irregular, moving the camera."
        )
    elif best is not None:
        answer, native, u = "yes", float(best.size), _SPREAD
        interval = (native - 1.0, native + 1.0)
    else:
        reach, why = _reach(rows, candidates, middle.power)
        if reach is not None:
            answer, native = "no", float(size)
            interval = (reach, float(size))
            u = (size - reach) / 12**0.5
    poor = answer == "undecided" and detail < enough and not candidates
    return AxisAnswer(
        size, answer, native, u, interval, why, tuple(candidates), detail, poor, lines
    )  # fmt: skip


def _best(candidates: list[Candidate], size: int) -> Candidate | None:
    """Return the believed candidate that is tied most tightly.

    Repeating the nearest sample marks n and size − n alike; of the two the larger is taken,
    because smooth kernels mark n alone and rasters below half the size are rare.
    """
    believed = [c for c in candidates if c.believed]
    if not believed:
        return None
    twins = [c for c in believed if abs(c.size + believed[0].size - size) <= 2]
    alike = [c for c in twins if c.tie.coherence >= _TWIN * believed[0].tie.coherence]
    return max([believed[0], *alike], key=lambda c: c.size)


def _patterned(candidates: list[Candidate], best: Candidate | None, size: int) -> bool:
    """Tell whether more sizes are tied than one raster and its own harmonics explain."""
    tied = [c for c in candidates if c.tie.coherence >= _TIED and not c.blocks]
    if best is not None and not best.blocks:
        tied = [c for c in tied if c is best or not _harmonic(c.size, best.size, size)]
    return len(tied) >= _PATTERN


def _harmonic(other: int, of: int, size: int) -> bool:
    """Tell whether one size lies at a low multiple of another, folded into the spectrum."""
    folded = [(k * of) % size for k in (1, 2)]
    return any(min(abs(other - f), abs(size - other - f)) <= k for k, f in enumerate(folded, 1))


def _peaks(
    lines: Lines, least: float = LINE, half: float = _HALF_LINE, most: float = _HALF_TURN,
    under: float = np.inf,
) -> list[int]:  # fmt: skip
    """Indices of the strongest local maxima that show in both halves alike."""
    s = lines.strength
    tops = np.flatnonzero((s[1:-1] >= s[:-2]) & (s[1:-1] >= s[2:]) & (s[1:-1] >= least)) + 1
    tops = tops[s[tops] < under]
    found: list[int] = []
    for i in sorted(tops, key=lambda i: -s[i]):
        one, two = lines.halves[:, i]
        turn = abs(np.degrees(np.angle(one * np.conj(two))))
        near = any(abs(i - j) <= max(3, 0.003 * lines.size) for j in found)
        if min(abs(one), abs(two)) >= half and turn <= most and not near:
            found.append(int(i))
    return found[:_LOOKED_AT]


def _weak(lines: Lines, strong: list[Candidate], rows: Detail, coded: bool) -> list[Candidate]:
    """Return sizes whose line is weak and whose detail is tied far more than around them."""
    found = []
    for i in _peaks(lines, _WEAK, _HALF_WEAK, _WEAK_TURN, LINE):
        size = int(lines.sizes[i])
        if any(abs(size - c.size) <= 3 for c in strong):
            continue
        made = _candidate(lines, i, rows, coded)
        if made.tie.coherence < _WEAK_TIED:
            continue
        inside = [size + k for k in _AROUND if LOWEST <= (size + k) / lines.size <= HIGHEST]
        around = max(rows.tie(k).coherence for k in inside)
        if _fisher(made.tie.coherence) >= _WEAK_CONTRAST * _fisher(around):
            found.append(made)
    return found


def _fisher(coherence: float) -> float:
    """Return Fisher's z, in which correlations of any size scatter alike."""
    return float(np.arctanh(min(coherence, 0.999)))


def _candidate(lines: Lines, i: int, rows: Detail, coded: bool) -> Candidate:
    size = int(lines.sizes[i])
    size_all = lines.size
    # Other coders than H.264, which alone tells its quantiser, have larger transforms.
    place = round(size / size_all * 32) / 2
    if coded:
        place = round(place)
    # Lines are two or three sizes wide; raster corners that coincide shift them by up to one.
    blocks = abs(size - place * size_all / 16) <= 1.0
    # Half-way between two sizes the line of coinciding corners may be: take the tighter tie.
    tie = max((rows.tie(size + off) for off in (0.0, -0.4)), key=lambda t: t.coherence)
    if blocks:
        others = (rows.tie(k * size_all) for k in _BLOCK_SIGNS if k * 16 != place)
        blocky = max(t.coherence for t in others)
        believed = _outdoes_blocks(tie, blocky, halved=place == 8)
    else:
        believed = _tied(tie) and _outdoes_siblings(tie, size, rows)
    return Candidate(size, float(lines.strength[i]), tie, blocks, believed)


def _tied(tie: Tie) -> bool:
    """Tell whether a size away from the coder's own is tied as only enlarging ties it.

    A picture made smaller without smoothing is tied too, loosely: most of its detail beyond
    the limit is its own.
    """
    if tie.rest is None or tie.share is None:
        return tie.coherence >= _TIED_UNKNOWN
    needed = _TIED_CODED + float(np.clip(_REST_SLOPE * (tie.rest - _CODING_REST), 0.0, 0.3))
    return tie.share > 0.002 and tie.coherence >= needed


def _outdoes_siblings(tie: Tie, size: int, rows: Detail) -> bool:
    """Tell whether a size is tied more tightly than its mirror images in the coder's blocks.

    Where coding is coarse, blocks of four repeat the mark of a size at distances of a quarter
    of the frame, nearly as strongly: then nobody can tell which is the first of them.
    """
    whole = rows.size
    places = {
        (sign * size + quarter * whole / 4) % whole for sign in (1, -1) for quarter in range(4)
    }
    others = [
        place
        for place in places
        if LOWEST * whole <= place <= HIGHEST * whole
        and abs(place - size) > 2
        # The mirror about the whole frame is the mark of repeating the nearest sample.
        and abs(place + size - whole) > 2
    ]
    worst = max((rows.tie(p).coherence for p in others), default=0.0)
    return tie.coherence >= _SIBLINGS * worst


def _outdoes_blocks(tie: Tie, blocky: float, *, halved: bool) -> bool:
    """Tell whether the detail is tied more tightly than block coding can.

    `blocky` is the coherence at eighths of the size, which no small raster explains.
    """
    if tie.share is None or tie.share < _LEAST_SHARE:
        return False
    needed = _HALF_TIED if halved else float(np.interp(tie.share, _CLEAR_SHARE, _BLOCK_TIED))
    return tie.coherence >= max(needed, _BLOCK_RATIO * blocky)


def _reach(rows: Detail, candidates: list[Candidate], quarter: float) -> tuple[float | None, str]:
    """Return the smallest raster that the detail allows, or None and why it says nothing.

    `quarter` is the power at 1/4 cy/px.
    """
    doubt = next((c for c in candidates if c.tie.coherence >= _DOUBT[c.blocks]), None)
    for share in _REACHES:
        tie = rows.tie(share * rows.size)
        known = tie.share is not None
        if tie.share is not None and tie.square is not None:
            enough = tie.share >= _LEAST_SHARE and tie.power >= _ROUNDING * tie.square
        else:
            enough = tie.power >= _ROUNDING_UNKNOWN
        if not enough or quarter < _FALL * tie.power:
            continue
        if tie.coherence > (_LOOSE if known else _LOOSE_UNKNOWN) or doubt is not None:
            break
        return share * rows.size, ""
    if doubt is not None:
        return None, (
            f"Marks at {doubt.size} px may come from enlarging, from making a larger picture "
            "smaller, or from the coder's own blocks; a higher bit rate, or more detail in better "
            "light, would tell."
        )
    return None, (
        "No mark of resizing, and no detail above the coder's noise to rule it out: a soft lens, "
        "heavy compression, or a scene without fine detail."
    )
