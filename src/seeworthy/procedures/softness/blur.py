"""Exposure from natural footage: what patches lose along their motion, against their speed.

An exposure of the share s of the frame interval smears a patch that moves by v px per frame over
s·v px along v, and multiplies its power at the frequency f (cycles per px) by sinc²(s f·v). The
texture of a followed patch is the same from frame to frame, so that the ratio of its own spectra at
different speeds tells s, whatever the texture is. What softens all directions alike (focus, coding,
light) is taken out of every patch by itself: a level, a power of the frequency and a Gaussian.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import upper
from seeworthy.observe.soft_patches import FREQUENCIES, SIDE, SoftPatches

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

_LEAST_SEEN = 4  # frames of a track, so that three parameters of each leave something
_MOST = 2500  # patches worked on: more took longer and told no more (own rendered clips, seed 1)
_LEAST_PATCHES = 120  # 30 a block (a judgement)
_LEAST_BLOCKS = 4  # of time: a spread needs them (a judgement)
_BLOCK = 12  # frames: neighbours share texture and coding
# Detail is looked at where it stands this far above noise and the coder's own rounding: 100 is
# an amplitude of 3 steps, so that the coder follows a change by a third of it. Below, a coder
# leaves the detail of the frame before; the answer of a looser limit says how much that matters.
ABOVE = (100.0, 20.0)
# Finer detail is the coder's more than the scene's: on clips of 1 to 8 Mbit/s at 640x360 what
# lies above came out up to 0.1 lower (fitted on our own rendered clips, seeds 100 to 119).
_FINEST = 0.22  # cycles per px
# Up to this share of the first null of sinc: beyond, what is left is noise.
_TO_NULL = 0.6
_ROUNDS = 12
_SWEEPS = 5
# A Hann window of 32 px gathers its sum of squares from white noise: (3/8 · 32)².
_WINDOW_ENERGY = (0.375 * SIDE) ** 2

_far = np.hypot(*FREQUENCIES.T)
_NUISANCE: Singles = np.column_stack([np.ones_like(_far), np.log(_far), _far**2]).astype(np.float32)
# What a Hann window lets a bin see, up to two bins away (Harris 1978).
_off = np.linspace(-2, 2, 17)
_side = (np.sinc(_off) + (np.sinc(_off - 1) + np.sinc(_off + 1)) / 2) ** 2
_leak = np.outer(_side, _side).ravel()
_seen_by = FREQUENCIES[:, None] + np.stack(np.meshgrid(_off, _off), -1).reshape(-1, 2) / SIDE


@dataclass(frozen=True, slots=True)
class Smear:
    """What the fit says.

    Attributes:
        square, u_square: Square of the exposure's share of the frame interval; may come out below
            zero.
        fastest: px per frame interval that 95 % of the patches stay below.
    """

    square: float
    u_square: float
    patches: int
    tracks: int
    blocks: int
    fastest: float


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    log: Singles
    power: Singles
    phase: Singles  # cycles per frame interval, of each bin
    floor: Singles
    clear: npt.NDArray[np.bool_]
    starts: npt.NDArray[np.int64]
    track: npt.NDArray[np.int64]
    block: npt.NDArray[np.int64]
    fastest: float


def fit_smear(
    patches: SoftPatches, use: npt.NDArray[np.bool_] | None = None, *, above: float = ABOVE[0]
) -> Smear:
    """Fit the exposure's share of the frame interval.

    Args:
        use: (n,) bool. Patches to look at.
        above: How far detail must stand above noise and rounding.

    Raises:
        CannotMeasure: Hardly any patch with detail was followed, or all moved alike.
    """
    data = _data(patches, use, above)
    clear = data.clear
    share = 0.2
    for _ in range(_ROUNDS):
        mask = (clear & (data.phase * share < _TO_NULL)).astype(np.float32)
        slope, left = _projected(data, share, mask)
        weight = float((slope * slope).sum())
        if weight < 1e-6:
            raise CannotMeasure(
                "All that could be followed moved at one speed: blur cannot be told from texture.",
                "Give a part of the clip in which the camera turns or swings.",
            )
        step = float((slope * left).sum()) / weight
        target = math.sqrt(max(share**2 + step, 1e-4))
        move = min(max(target - share, -0.5 * share - 0.02), 0.5 * share + 0.05)
        share = min(share + move, 1.2)
        if abs(move) < 2e-4:
            break
    slope, left = _projected(data, share, mask)
    step = float((slope * left).sum()) / weight
    count = int(data.block.max()) + 1
    pulls = np.bincount(data.block, (slope * (left - step * slope)).sum(1), count)
    spread = count / max(count - 1, 1)
    u_square = math.sqrt(float((pulls**2).sum()) * spread) / weight
    return Smear(
        share**2 + step, u_square, len(data.power), len(data.starts), count, data.fastest
    )  # fmt: skip


def _data(patches: SoftPatches, use: npt.NDArray[np.bool_] | None, above: float) -> _Data:
    chosen = _chosen(patches, use)
    power = patches.power[chosen]
    _, track = np.unique(patches.track[chosen], return_inverse=True)
    starts = np.flatnonzero(np.r_[True, np.diff(track) > 0])
    count = np.diff(np.r_[starts, len(track)])
    speed = patches.speed[chosen] / patches.scale
    corner = np.float32(np.median(patches.corner))
    step = np.where(np.isfinite(patches.step[chosen]), patches.step[chosen], 0.0)
    rounding = _WINDOW_ENERGY * step**2 / 12 if patches.scale == 1 else 0.0 * step
    mean_rounding = (np.add.reduceat(rounding, starts) / count)[track]
    floor = np.maximum(corner, mean_rounding).astype(np.float32)
    mean = np.add.reduceat(power, starts, axis=0) / count[:, None].astype(np.float32)
    clear = (mean[track] > above * floor[:, None]) & (_far < _FINEST)
    frame = patches.frame[chosen]
    _, block = np.unique(frame // _BLOCK, return_inverse=True)
    if len(np.unique(block)) < _LEAST_BLOCKS or clear.any(1).sum() < _LEAST_PATCHES:
        raise CannotMeasure(
            "Hardly anything with clear detail could be followed.",
            "Give some seconds over ground, houses or trees, in light.",
        )
    return _Data(
        np.log(power + np.float32(1e-3)), power,
        _phase(speed, power),
        np.full_like(floor, corner), clear, starts, track, block,
        float(np.quantile(np.hypot(*patches.speed[chosen].T), 0.95)),
    )  # fmt: skip


def _phase(speed: Floats, power: Singles) -> Singles:
    """Return cycles per frame interval of every bin for every speed, (n, bins).

    A window lets a bin see its neighbours, and those towards the middle are stronger by far:
    what it shows comes from lower frequencies than its own. Their mean square, weighed by
    window and by the slope of the spectrum, stands in.
    """
    slope = -np.polyfit(np.log(_far), np.log(power.mean(0) + 1e-3), 1)[0]
    around = np.maximum(np.hypot(*np.moveaxis(_seen_by, 2, 0)), 0.5 / SIDE) ** -max(slope, 0.0)
    weight = _leak * around
    weight /= weight.sum(1, keepdims=True)
    second = np.einsum("bo,boi,boj->bij", weight, _seen_by, _seen_by)
    across, down = speed.T
    square = (
        np.outer(across**2, second[:, 0, 0])
        + np.outer(down**2, second[:, 1, 1])
        + 2 * np.outer(across * down, second[:, 0, 1])
    )
    return np.asarray(np.sqrt(np.maximum(square, 0.0)), np.float32)


def _chosen(patches: SoftPatches, use: npt.NDArray[np.bool_] | None) -> npt.NDArray[np.int64]:
    """Return patches of the tracks whose speed changes most, in order of tracks."""
    allowed = np.arange(len(patches.track)) if use is None else np.flatnonzero(use)
    order = allowed[np.argsort(patches.track[allowed], kind="stable")]
    if not len(order):
        raise CannotMeasure(
            "Nothing could be followed.", "Film ground, houses or trees, in focus and in light."
        )
    _, track, count = np.unique(patches.track[order], return_inverse=True, return_counts=True)
    square = (patches.speed[order] ** 2).sum(1)
    mean = np.bincount(track, square) / count
    spread = np.bincount(track, (square - mean[track]) ** 2)  # long tracks count as such
    spread[count < _LEAST_SEEN] = -1.0
    ranked = np.argsort(-spread)
    ranked = ranked[spread[ranked] > 0]
    enough = int(np.searchsorted(np.cumsum(count[ranked]), _MOST)) + 1
    taken = np.zeros(len(count), bool)
    taken[ranked[:enough]] = True
    if not taken.any():
        raise CannotMeasure(
            "Nothing could be followed for long enough.",
            "Film ground, houses or trees, in focus and in light.",
        )
    return order[taken[track]]


def _projected(data: _Data, share: float, mask: Singles) -> tuple[Singles, Singles]:
    """Return derivative by the square and misfit, free of texture and of what feels no direction.

    Detail stands on noise: where blur has taken it down to that, more blur changes nothing.
    """
    x = np.maximum(share * data.phase, 1e-4)
    blur = np.sinc(x) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        exact = (2 * (np.pi * x / np.tan(np.pi * x) - 1) / x) * data.phase / (2 * share)
    slope = np.where(x < 0.05, -(np.pi**2 / 3) * data.phase**2, exact)
    lit = np.add.reduceat((data.power - data.floor[:, None]) * mask, data.starts, axis=0)
    shown = np.add.reduceat(blur * mask, data.starts, axis=0)
    texture = np.maximum(lit / np.maximum(shown, 0.05), 0.5 * data.floor[data.starts, None])
    seen = texture[data.track] * blur
    whole = seen + data.floor[:, None]
    slope = slope * seen / whole
    misfit = data.log - np.log(whole / texture[data.track])
    gram = np.einsum("nb,bi,bj->nij", mask, _NUISANCE, _NUISANCE, optimize=True)
    inverse = np.linalg.inv(gram + 1e-6 * np.eye(3, dtype=np.float32))
    count = np.maximum(np.add.reduceat(mask, data.starts, axis=0), 1)

    def free(a: Singles) -> Singles:
        a = np.where(mask > 0, a, 0).astype(np.float32)
        for _ in range(_SWEEPS):
            mean = (np.add.reduceat(a, data.starts, axis=0) / count)[data.track]
            a = np.asarray(a - mean * mask, np.float32)
            fitted = np.einsum("nij,nj->ni", inverse, a @ _NUISANCE)
            a = np.asarray(a - (fitted @ _NUISANCE.T) * mask, np.float32)
        return a

    return free(slope), free(misfit)


@dataclass(frozen=True, slots=True)
class BlurExposure:
    """Exposure as a share of the frame interval.

    Attributes:
        most: 95 % of what it may be lie below.
        known: False where only `most` is an answer.
        parts: What `u` is made of: name and part.
        blur: px smeared at the speed that 95 % of the patches stay below.
        step: The coder's step, median; NaN where not told.
    """

    share: float
    u: float
    most: float
    known: bool
    parts: tuple[tuple[str, float], ...]
    blur: float
    smear: Smear
    step: float


# A coder with a step above 6 codes keeps detail that has gone: shares came out 5 % low at 7,
# 10 % at 8, 15 % at 9 and up to 20 % beyond (fitted on our own rendered clips, seeds 100 to
# 119). That is put right by the half of it that is sure, and all of it is uncertain.
_COARSE = (6.0, 0.05, 0.20)  # from, per code, at most
TOO_COARSE = 12.0  # beyond what was rendered
_UNTOLD = 0.10  # the same where the stream does not tell its step (judgement)
_METHOD = 0.05  # scatter of what is left on the same clips
_SEEN = 3.0  # an exposure is this many times its statistical uncertainty, or it is a bound
_KNOWN = 0.25  # an answer less sure than this is none (judgement)
_LEAST_BLUR = 1.8  # px: below, coding and following decide (the same clips: 30 % low)
_ONE_SIDED = 0.9  # a share is below 1, as frames do not overlap: a bound near it says nothing


def measure_exposure(patches: SoftPatches) -> BlurExposure:
    """Return the exposure's share of the frame interval, or what it is at most.

    Raises:
        CannotMeasure: Nothing with detail was followed, or it moved too little to bound anything.
    """
    smear = fit_smear(patches)
    looser = fit_smear(patches, above=ABOVE[1])
    step = float(np.nanmedian(patches.step)) if np.isfinite(patches.step).any() else math.nan
    told = math.isfinite(step) and patches.scale == 1
    start, per_code, top = _COARSE
    coarse = min(max(per_code * (step - start), 0.0), top) if told else _UNTOLD
    most = max(_most(smear, coarse), _most(looser, coarse))
    share = math.sqrt(max(smear.square, 0.0)) * (1 + coarse / 2)
    scatter = smear.u_square / (2 * max(share, 1e-3))
    apart = abs(share - math.sqrt(max(looser.square, 0.0)) * (1 + coarse / 2))
    parts = (
        ("scatter of the patches", scatter),
        ("detail nearer to the coder's rounding", apart),
        ("detail that the coder keeps", share * coarse),
        ("what is left on rendered clips", share * _METHOD),
    )
    u = math.sqrt(sum(part**2 for _, part in parts))
    blur = share * smear.fastest
    seen = share > _SEEN * scatter and blur > _LEAST_BLUR and u < _KNOWN * share
    known = seen and not step > TOO_COARSE
    if not known and most > _ONE_SIDED:
        raise CannotMeasure(
            "What moved was too slow, or its detail too weak, to tell the exposure.",
            "Give a part of the clip in which far things rich in detail cross the picture at "
            "changing speeds, some pixels per frame.",
        )
    return BlurExposure(share, u, most, known, parts, blur, smear, step)


def _most(smear: Smear, coarse: float) -> float:
    """Return what a share is at most, at 95 %."""
    square = upper(max(smear.square, 0.0), smear.u_square, smear.blocks - 1)
    return math.sqrt(square) * (1 + coarse) * (1 + 2 * _METHOD)
