"""A clip with the load that its logger felt drawn below the picture: MP4 without sound.

The picture stands above, the load in g below it on the same time axis, a mark where the picture
is. A long flight moves through the strip, a short one lies in it whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from seeworthy.ground.errors import Conflict, WrongCall
from seeworthy.ground.leftovers import beside
from seeworthy.ground.results import Outcome
from seeworthy.media.frames import FrameView, Stage, watch
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.declare import Inputs
from seeworthy.procedures.tie.axis import G, TimeAxis, acceleration, log_of
from seeworthy.publish.palette import BLUE, GREY, INK, PAPER, RULE, VERMILION

Pixels = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

SIZE = (1280, 720)  # px, as cards and pages show it without enlarging (a judgement)
_STRIP = 180  # rows of the load below the picture: a quarter (a judgement)
_MARGIN = 26  # rows left above and below the curve, for its words
_SECONDS = 20.0  # seen at once of a long clip: knocks and swings still stand apart (a judgement)
_HOLE = 1.0  # s without a row of the log: nothing is drawn (a judgement)
_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)  # g, between lines


@dataclass(frozen=True, slots=True, eq=False)
class LoadStrip:
    """The load of a whole clip, drawn once.

    Attributes:
        picture: (`_STRIP`, W, 3).
        start, per_second: s of the clip at its left edge, px per second.
        time, load: (n,). s of the clip, rising, and g.
    """

    picture: Pixels
    start: float
    per_second: float
    time: Floats
    load: Floats

    def at(self, moment: float) -> Pixels:
        """Return what is seen of it at a moment, (`_STRIP`, width of `SIZE`, 3), the mark in it."""
        width = SIZE[0]
        place = (moment - self.start) * self.per_second
        left = int(min(max(0.0, place - width / 2), self.picture.shape[1] - width))
        shown = self.picture[:, left : left + width].copy()
        column = min(max(1, round(place) - left), width - 2)
        shown[:, column - 1 : column + 2] = _rgb(VERMILION)
        return shown

    def most(self, start: float, end: float) -> float | None:
        """Return the largest load in a stretch of the clip, None where the log has none."""
        first, last = np.searchsorted(self.time, (start, end))
        if last > first:
            return float(self.load[first:last].max())
        # No row within: between its neighbours, if they are near.
        if not 0 < first < self.time.size or self.time[first] - self.time[first - 1] > _HOLE:
            return None
        return float(np.interp((start + end) / 2, self.time, self.load))


def load_strip(time: Floats, load: Floats, knocks: tuple[float, ...], span: tuple[float, float]
) -> LoadStrip:  # fmt: skip
    """Draw the load over a clip.

    Args:
        time, load: (n,). s of the clip, rising, and g.
        span: First and last moment of the clip, s.
    """
    seconds = max(span[1] - span[0], 1e-3)
    per_second = SIZE[0] / min(seconds, _SECONDS)
    width = max(SIZE[0], math.ceil(seconds * per_second))
    low, high = _columns(time, load, span[0] + np.arange(width + 1) / per_second)
    known = np.isfinite(high)
    top = max(1.0, float(high[known].max())) if known.any() else 1.0
    per_g = (_STRIP - 2 * _MARGIN) / top
    image = Image.new("RGB", (width, _STRIP), PAPER)
    pen = ImageDraw.Draw(image)
    step = next((s for s in _STEPS if top / s <= 4), _STEPS[-1])
    lines = [(k * step, _STRIP - _MARGIN - k * step * per_g) for k in range(int(top / step) + 1)]
    for _, y in lines:
        pen.line((0, y, width, y), RULE)
    for at in knocks:
        x = (at - span[0]) * per_second
        pen.line((x, 0, x, _STRIP), GREY)
        pen.text((x + 5, 2), "knock", GREY, font=_font(16))
    picture = np.array(image)
    rows = np.arange(_STRIP)[:, None]
    above = _STRIP - _MARGIN - np.nan_to_num(high, nan=-9.0) * per_g
    below = _STRIP - _MARGIN - np.nan_to_num(low, nan=-9.0) * per_g
    picture[(rows >= above - 1) & (rows <= below + 1)] = _rgb(BLUE)
    return LoadStrip(_worded(picture, lines), span[0], per_second, time, load)


def _columns(time: Floats, load: Floats, edges: Floats) -> tuple[Floats, Floats]:
    """Return the least and most load within each column, NaN where the log has a hole."""
    found = np.interp(edges, time, load, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, edges), 1, time.size - 1)
    found[time[after] - time[after - 1] > _HOLE] = np.nan
    low, high = np.fmin(found[1:], found[:-1]), np.fmax(found[1:], found[:-1])
    place = np.searchsorted(edges, time, "right") - 1
    inside = (place >= 0) & (place < low.size)
    np.fmin.at(low, place[inside], load[inside])
    np.fmax.at(high, place[inside], load[inside])
    return low, high


def _worded(picture: Pixels, lines: list[tuple[float, float]]) -> Pixels:
    """Write the loads of the lines, again in every window's width."""
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    pen.text((60, 2), "load", INK, font=_font(16))
    for left in range(0, image.width, SIZE[0] // 2):
        for load, y in lines:
            pen.text((left + 6, y - 19), f"{load:g} g", INK, font=_font(16))
    return np.array(image)


class _Film:
    """Observer that writes every picture with its load."""

    def __init__(self, film: ClipWriter, strip: LoadStrip) -> None:
        self._film, self._strip = film, strip
        self._turns = 0
        self._frame = 1 / 30
        self._words: dict[str, Pixels] = {}
        self.written = 0

    def begin(self, stage: Stage) -> None:
        self._turns = stage.rotation // 90
        if stage.nominal_rate:
            self._frame = float(1 / stage.nominal_rate)

    def frame(self, view: FrameView) -> None:
        at = view.seconds
        if at is None:
            return
        picture = np.empty((SIZE[1], SIZE[0], 3), np.uint8)
        upper = SIZE[1] - _STRIP
        picture[:upper] = _rgb(PAPER)
        shown = np.ascontiguousarray(np.rot90(view.rgb(), -self._turns))
        scale = min(SIZE[0] / shown.shape[1], upper / shown.shape[0])
        size = round(shown.shape[1] * scale), round(shown.shape[0] * scale)
        left, top = (SIZE[0] - size[0]) // 2, (upper - size[1]) // 2
        picture[top : top + size[1], left : left + size[0]] = cv2.resize(
            shown, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        )
        load = self._strip.most(at, at + self._frame)
        self._put(picture, "no log" if load is None else f"{load:.1f} g", 10)
        self._put(picture, f"{at - self._strip.start:.1f} s", 76)
        picture[upper:] = self._strip.at(at)
        self._film.write_rgb(picture, max(0.0, at - self._strip.start))
        self.written += 1

    def finish(self) -> None:
        return

    def _put(self, picture: Pixels, word: str, top: int) -> None:
        label = self._words.get(word)
        if label is None:
            font = _font(40)
            width = math.ceil(ImageDraw.Draw(Image.new("RGB", (1, 1))).textlength(word, font)) + 24
            image = Image.new("RGB", (width, 58), PAPER)
            ImageDraw.Draw(image).text((12, 4), word, INK, font=font)
            self._words = {} if len(self._words) > 200 else self._words
            label = self._words[word] = np.array(image)
        picture[top : top + label.shape[0], 10 : 10 + label.shape[1]] = label


def check_film(out: Path) -> None:
    """Refuse a name that a film cannot be written to.

    Raises:
        Conflict: It exists.
        WrongCall: No folder, or another ending than ``.mp4``.
    """
    if out.suffix.lower() != ".mp4":
        raise WrongCall(f"'{out.name}' does not end with .mp4.", "Name the film FILE.mp4.")
    if out.exists():
        raise Conflict(f"'{out}' exists already.", "Name a new file.")
    if not out.parent.is_dir():
        raise WrongCall(f"There is no folder '{out.parent}'.", "Make it first.")


def write_tied(
    inputs: Inputs, outcome: Outcome, out: Path, progress: Callable[[float], None] | None = None
) -> str:
    """Write the clip of a tie with its load below, where `check_film` found nothing wrong.

    Args:
        inputs, outcome: Of `tie`.

    Returns:
        The caption.
    """
    axis = TimeAxis.of(outcome.results, outcome.findings)
    logged, axes = acceleration(log_of(inputs))
    times = outcome.figures[0].columns["time"]  # middles of stretches that fill the clip
    half = (times[1] - times[0]) / 2
    strip = load_strip(
        axis.of_clip(logged), np.linalg.norm(axes, axis=1) / G, axis.knocks,
        (times[0] - half, times[-1] + half),
    )  # fmt: skip
    with (
        beside(out, "film", suffix=out.suffix) as part,
        ClipWriter(part, *SIZE, bit_rate=None, options={"crf": "20"},
                   muxer={"movflags": "+faststart"}) as film,
    ):  # fmt: skip
        watch(inputs.file(), [_Film(film, strip)], progress=progress)
    count = len(axis.knocks)
    return (
        f"'{inputs.file().name}' and the load that '{inputs.file('log').name}' recorded, tied by "
        f"{count} knock{'s' if count != 1 else ''}; its figure is the largest load until the next "
        "picture"
    )


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)
