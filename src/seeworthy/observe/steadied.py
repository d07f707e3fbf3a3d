"""Whether the camera steadied its picture: what the rows tell against what the frames tell.

A camera that steadies moves a window over the frames after they were read. That takes the
motion out between frames; what moved while the rows of one frame were read stays, and leans
the picture to and fro. Without steadying both are one motion: rows that are read over a
time r lean by ``2 sin(π f r)`` of what the picture moves from frame to frame at a frequency
f, no more than 2.6 of it at any frequency at all (vibration of several bands a frame), and
no more than 2 where the lean is that of flat ground passing below. More is a picture that
was held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import FrameView, Stage
from seeworthy.observe.motion_tracks import FramePair, MotionWatch

Floats = npt.NDArray[np.float64]
State = Literal["yes", "no", "cannot tell"]

MOST = 400  # pictures looked at: enough for a dozen stretches of a second
_LEAST = 60  # pairs in a row: a second and a half at least of all bands (a judgement)
_EVERY = 8  # pictures past `MOST` of which two are followed: who asks for more needs samples
_BLOCKS = 12  # of the clip: their scatter is known to a fifth (1/√(2·11), derived)
_BANDS = ((1.0, 2.5), (2.5, 5.0), (5.0, 10.0))  # Hz: hands, walking, frames that shake
# Largest lean of the rows to motion of the middle row: the slope of a sine over h = π f r,
# 6 (sin h - h cos h) / h² at h = 2.08. With room for ground whose horizon is in the picture
# (3.3 in a made case, seed 1: docs/accuracy/stream.md).
_HARD = 4.0
# Read-out as a share of the frame's time is 1 at most; 1/10 for errors of following.
_SLOWEST = 1.1
_TUKEY = 4.685  # 95 % efficiency on normal noise (Holland and Welsch 1977)
_ROUNDS = 8  # reweightings of the fit (a judgement: it has settled)
# What follows are judgements, set for no false alarm on the clips of docs/field.md and on
# rendered flights (docs/accuracy/stream.md): how far blocks of time must agree (in standard
# errors), how alike halves of the picture lean, and px of the followed picture.
_SURE, _KNOWN = 6.0, 3.0
_ALIKE, _LIKE = 0.8, 0.5
_LEAST_LEAN = 0.03
# A window of a fifth of the picture to each side holds back a sixth of such sweeps at the most.
# Smaller ones it may hold back by any share, slow and fast alike, which is not "no". Two sizes of
# the picture, of which a band lets 0.6 through at the most (`band_of`).
_WIDE = 1.2
_RIGID = 0.6  # share of the points that one stiff motion explains
_SIDE = 480  # px, `MotionWatch` follows in a picture of about this length


@dataclass(frozen=True, slots=True)
class Steadied:
    """Whether the picture was steadied, and what that rests on, in words."""

    state: State
    rests_on: str

    def refusal(self, name: str, what: str, instead: str = "") -> CannotMeasure:
        """Return the refusal of a measure that needs the camera's own motion.

        Args:
            name: Of the clip.
            what: Why this measure cannot use it, one sentence.
            instead: What to do where steadying cannot be turned off, one sentence.
        """
        off = "Turn steadying off in the camera's menu (electronic, digital or video "
        return CannotMeasure(
            f"The camera steadied '{name}': {self.rests_on}. {what}",
            f"{off}stabilisation, anti-shake) and film again. {instead}".strip(),
        )


@dataclass(slots=True)
class SteadyingWatch:
    """Observer of the first pictures of a clip: `MOST` are followed, samples of the rest."""

    most: int = MOST
    motion: MotionWatch = field(default_factory=MotionWatch)
    _told: Steadied | None = None

    def begin(self, stage: Stage) -> None:
        """Take the clip's geometry."""
        self.motion.begin(stage)

    def frame(self, view: FrameView) -> bool:
        """Follow the picture; leave after `most` pictures."""
        if view.index >= self.most:
            return False
        place = view.index % _EVERY if view.index >= MOST else 1
        if place == 0:
            self.motion.part()
        if place <= 1:
            self.motion.frame(view)
        return True

    def finish(self) -> None:
        """Let go of the last frame."""
        self.motion.finish()

    def told(self) -> Steadied:
        """Return the verdict."""
        if self._told is None:
            motion = self.motion
            self._told = tell_steadied(motion.pairs[:MOST], motion.width, motion.height)
        return self._told


def refuse_steadied(
    observer: object, name: str, what: str, instead: str = ""
) -> CannotMeasure | None:
    """Return the refusal (see `Steadied.refusal`) where an observer saw a steadied picture."""
    assert isinstance(observer, SteadyingWatch)
    told = observer.told()
    return told.refusal(name, what, instead) if told.state == "yes" else None


@dataclass(frozen=True, slots=True)
class _Motion:
    """Per pair: motion of the middle (n, 2) px, and leans (n, 2, 4) px over the height.

    Leans are those of the upper, lower, left and right half, along x and along y, without
    what roll and approach make of them.
    """

    middle: Floats
    lean: Floats
    rigid: float
    size: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Cell:
    """One axis in one band.

    Attributes:
        axis: int
        band: (low, high), Hz
        lean, moved: px rms: rows over the height, and middle of the picture from frame to frame.
        sure: Lean in its standard errors.
        alike: Correlation of halves, the least of upper to lower and left to right.
        ratio: Least that lean to motion can be (three standard errors below).
        share, u: Read-out in times of the frame that lean and motion would make, and its u.
        together: Correlation of lean and change of motion, with the share's sign.
        swept: Way from end to end in the band, in sizes of the picture.
    """

    axis: int
    band: tuple[float, float]
    lean: float
    moved: float
    sure: float
    alike: float
    ratio: float
    share: float
    u: float
    together: float
    swept: float


def tell_steadied(pairs: Sequence[FramePair], width: int, height: int) -> Steadied:
    """Tell whether followed points show a picture that was held.

    Args:
        width, height: Of the frame, px.
    """
    pairs = _even_run(pairs)
    if len(pairs) < _LEAST:
        return Steadied("cannot tell", "too few pictures at an even pace that can be followed")
    interval = float(np.median([p.end - p.start for p in pairs]))
    motion = _motion(pairs, width, height)
    if motion.rigid < _RIGID:
        return Steadied("cannot tell", "what is in the picture moves by itself")
    least = _LEAST_LEAN * max(1.0, max(width, height) / _SIDE)
    cells = [
        _cell(motion, axis, band, interval)
        for axis in (0, 1)
        for band in _BANDS
        if band[1] <= 0.5 / interval
    ]
    return _verdict([c for c in cells if c.lean >= least], interval)


def _verdict(cells: Sequence[_Cell], interval: float) -> Steadied:
    held = [
        c for c in cells
        if c.band[0] > _BANDS[0][0] and c.ratio > _HARD and c.sure > _SURE and c.alike > _ALIKE
    ]  # fmt: skip
    own = [_together(cells, axis, interval, fast=False) for axis in (0, 1)]
    slowed = [_together(cells, axis, interval, fast=True) for axis in (0, 1)]
    if len(held) >= 2 and not any(own):
        worst = max(held, key=lambda c: c.lean / c.moved)
        return Steadied(
            "yes",
            f"at {worst.band[0]:g} to {worst.band[1]:g} Hz its rows lean by {worst.lean:.2g} px a "
            f"frame and it moves by {worst.moved:.2g} px, where a picture that is not steadied "
            "leans by less than four times of its motion",
        )
    if any(slowed) and not any(own):
        share = max(abs(c.share) for axis in slowed for c in axis)
        return Steadied(
            "yes",
            f"its rows lean as if a picture took {share:.2g} times as long to read as there is "
            "from one to the next",
        )
    if any(own) and not held and not any(slowed):
        share = float(np.mean([abs(c.share) for axis in own for c in axis]))
        alike = (
            "slow and fast shaking lean its rows alike, as a read-out of about "
            f"{100 * share:.0f} % of the time between pictures does"
        )
        if max(c.swept for axis in own for c in axis) >= _WIDE:
            return Steadied("no", alike)
        return Steadied("cannot tell", f"{alike}, or a shorter one where a share is taken out")
    return Steadied("cannot tell", "the picture shakes too little to lean its rows")


def _together(cells: Sequence[_Cell], axis: int, interval: float, *, fast: bool) -> Sequence[_Cell]:
    """Return cells of an axis that tell of one read-out: as long as there is, or longer."""
    found: list[_Cell] = []
    for c in cells:
        # What a read-out of a whole frame makes of the change between neighbours.
        limit = _SLOWEST / math.cos(math.pi * min(c.band[1], 0.4 / interval) * interval)
        close, alike, sure = (0.9, _ALIKE, _SURE) if fast else (0.8, _LIKE, _KNOWN)
        if c.axis != axis or c.together < close or c.alike < alike or c.sure < sure:
            continue
        size = abs(c.share)
        if (size - 3 * c.u > limit) if fast else (0.05 < size < limit):
            found.append(c)
    sizes = [c.share for c in found]
    one = len(found) >= 2 and min(sizes) * max(sizes) > 0
    spread = max(map(abs, sizes)) / min(map(abs, sizes)) if one else math.inf
    return found if spread < 1.4 else []


def _cell(motion: _Motion, axis: int, band: tuple[float, float], interval: float) -> _Cell:
    keep = _undisturbed(motion.middle)
    # Neighbours' difference: what a read-out as long as the frame leans by.
    change = np.gradient(motion.middle[:, axis])
    moved, change = (band_of(v, band, interval)[keep] for v in (motion.middle[:, axis], change))
    up, down, left, right = band_of(motion.lean[:, axis], band, interval)[keep].T
    product = up * down
    blocks = np.array([b.mean() for b in np.array_split(product, _BLOCKS)])
    error = max(float(blocks.std(ddof=1)) / math.sqrt(_BLOCKS), 1e-12)
    square = float(product.mean())
    size = max(float(np.sqrt((moved**2).mean())), 1e-9)
    lean = (up + down) / 2
    share, u = line_of(change, lean)
    return _Cell(
        axis, band,
        math.sqrt(max(square, 0.0)), size, square / error,
        min(_correlation(up, down), _correlation(left, right)),
        math.sqrt(max(square - 3 * error, 0.0)) / size,
        share, u, abs(_correlation(lean, change)),
        float(np.ptp(np.cumsum(moved))) / motion.size[axis],
    )  # fmt: skip


def line_of(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope of y over x through nothing, and its u by the scatter of stretches of time."""
    power = max(float((x * x).sum()), 1e-12)
    slope = float((x * y).sum()) / power
    parts = zip(*(np.array_split(v, _BLOCKS) for v in (x, y)), strict=True)
    misses = np.array([float(((b - slope * a) * a).sum()) for a, b in parts])
    return slope, float(np.sqrt((misses**2).sum())) / power


def _correlation(a: Floats, b: Floats) -> float:
    both = math.sqrt(float((a * a).sum()) * float((b * b).sum()))
    return float((a * b).sum()) / both if both > 0 else 0.0


def _undisturbed(middle: Floats) -> npt.NDArray[np.bool_]:
    """Leave out where the picture leaps: a cut, or a window that jumps back to its middle."""
    around = np.pad(middle, ((2, 2), (0, 0)), mode="edge")
    off = np.abs(middle - np.median(np.lib.stride_tricks.sliding_window_view(around, 5, 0), -1))
    usual = np.maximum(1.4826 * np.median(off, axis=0), 0.02)
    leaps: npt.NDArray[np.bool_] = np.any(off > 8 * usual, axis=1)
    near = _smoothed(leaps[:, None].astype(float), 2.0)[:, 0] > 0.02
    # Where that is half of all, it is no leap but how the picture moves.
    return ~near if near.mean() < 0.5 else np.ones(len(near), bool)


def band_of(values: Floats, band: tuple[float, float], interval: float) -> Floats:
    """Return what lies in a band, by two Gaussians whose half-power points are its ends.

    Args:
        values: (n,) or (n, k). Evenly spaced.
        band: (low, high). Hz; a high end near half the rate of the values cuts nothing off.
        interval: s between values.
    """
    fine, coarse = (
        math.sqrt(math.log(2)) / (2 * math.pi * f * interval) for f in (band[1], band[0])
    )
    smooth = _smoothed(values, coarse)
    if band[1] > 0.4 / interval:
        return np.asarray(values - smooth)
    return np.asarray(_smoothed(values, fine) - smooth)


def _smoothed(values: Floats, sigma: float) -> Floats:
    """Smooth along the first axis by a Gaussian, the ends going on as they are.

    The kernel ends at 4 σ, as that of `scipy.ndimage`, which takes half a second to load.
    """
    size = (1, 2 * int(4 * sigma + 0.5) + 1)
    table = np.ascontiguousarray(values).reshape(len(values), -1)
    done: Any = cv2.GaussianBlur(table, size, sigma, sigmaY=sigma, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(done, float).reshape(values.shape)


def _even_run(pairs: Sequence[FramePair]) -> list[FramePair]:
    """Return the longest stretch of neighbouring pairs at an even pace, each with points."""
    if not pairs:
        return []
    interval = float(np.median([p.end - p.start for p in pairs]))
    best: list[FramePair] = []
    run: list[FramePair] = []
    for p in pairs:
        even = abs(p.end - p.start - interval) < 0.1 * interval and len(p.points) >= 20
        follows = bool(run) and run[-1].end == p.start
        run = [*run, p] if even and follows else [p] if even else []
        if len(run) > len(best):
            best = run
    return best


def _motion(pairs: Sequence[FramePair], width: int, height: int) -> _Motion:
    """Fit a stiff picture that turns, nears and leans to every pair, robustly."""
    most = max(len(p.points) for p in pairs)
    px = np.zeros((len(pairs), most, 4))
    there = np.zeros(px.shape[:2], bool)
    for i, p in enumerate(pairs):
        px[i, : len(p.points)] = p.points
        there[i, : len(p.points)] = True
    x, y = (
        ((px[..., k] + px[..., k + 2]) / 2 - (side - 1) / 2) / height
        for k, side in ((0, width), (1, height))
    )
    dx, dy = px[..., 2] - px[..., 0], px[..., 3] - px[..., 1]
    one, none = np.ones_like(x), np.zeros_like(x)
    # First-order homography: a plane that moves at will.
    across = np.stack([one, x, y, none, none, none, x * x, x * y], axis=-1)
    along = np.stack([none, none, none, one, x, y, x * y, y * y], axis=-1)
    weight = there.astype(float)
    for _ in range(_ROUNDS):
        normal = 1e-9 * np.eye(8) + sum(
            (a * weight[..., None]).swapaxes(1, 2) @ a for a in (across, along)
        )
        right = sum(
            np.einsum("nmi,nm,nm->ni", a, weight, d) for a, d in ((across, dx), (along, dy))
        )
        fit = np.linalg.solve(normal, right[..., None])[..., 0]
        rest_x = dx - np.einsum("nmi,ni->nm", across, fit)
        rest_y = dy - np.einsum("nmi,ni->nm", along, fit)
        off = np.hypot(rest_x, rest_y)
        # The median of a Rayleigh variable is 1.1774 σ.
        scatter = np.maximum(np.nanmedian(np.where(there, off, np.nan), axis=1) / 1.1774, 0.02)
        weight = there * np.clip(1 - (off / (_TUKEY * scatter[:, None])) ** 2, 0, None) ** 2
    # Roll and approach from every other point each, so that halves do not share their errors.
    odd = np.arange(most) % 2 == 1
    sway, swell = rest_y + fit[:, 4:5] * x, rest_x + fit[:, 1:2] * x
    leans = []
    for rest, extra, sign, of in ((rest_x, sway, 1.0, 2), (rest_y, swell, -1.0, 5)):
        own = rest + fit[:, of : of + 1] * y
        turned = [sign * _slope(x, extra, weight * part) for part in (odd, ~odd)]
        halves = [_slope(y, own, weight * half) for half in (y < 0, y >= 0, x < 0, x >= 0)]
        leans.append(np.stack([h + turned[k % 2] for k, h in enumerate(halves)], axis=1))
    lean = np.stack(leans, axis=1)
    rigid = float(np.median((weight > 0.3).sum(axis=1) / there.sum(axis=1)))
    return _Motion(fit[:, [0, 3]], _filled(lean), rigid, (width, height))


def _slope(place: Floats, value: Floats, weight: Floats) -> Floats:
    """Return the slope of values over places of each pair; NaN where there are too few."""
    total = weight.sum(axis=1)
    some = np.maximum(total, 1e-9)
    centre = place - ((weight * place).sum(axis=1) / some)[:, None]
    mean = ((weight * value).sum(axis=1) / some)[:, None]
    wide = (weight * centre**2).sum(axis=1)
    slope = (weight * centre * (value - mean)).sum(axis=1) / np.maximum(wide, 1e-9)
    return np.where((total > 3) & (wide > 1e-3), slope, np.nan)


def _filled(lean: Floats) -> Floats:
    """Fill pairs without an answer with nothing, which counts against what is found."""
    return np.asarray(np.where(np.isfinite(lean), lean, 0.0))
