"""Tint of grey patches: Δu'v' from the white of the picture's own colour space.

A neutral surface that is white-balanced has equal R, G and B, the D65 of BT.709 and sRGB, in
whatever light it was filmed; u', v' are those of the CIE 1976 diagram (ISO/CIE 11664-5). How
much is seen: CIE TN 001:2014 draws circles of n times 0.0011 for n steps of a just visible
difference (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.light import Light
from seeworthy.optics.hues import GREY, uv_of

Floats = npt.NDArray[np.float64]

CODE = 0.2
"""Chroma codes by which coding moves a whole patch, standard (a judgement; docs/accuracy/colour
found 0.06 to 0.16 code values of clips of our own)."""
_NEAR = (0.06, 0.5)  # reflectances taken for mid-grey: 18 %, 1.5 stops either way
_LIGHT, _DARK = 0.3, 0.1  # reflectances from which greys are light, to which they are dark
_WHITE = uv_of(GREY[None])[0]


@dataclass(frozen=True, slots=True)
class GreyTint:
    """Tint of one patch.

    Attributes:
        level: Luminance, linear, share of white.
        off: (2,). Δu', Δv' from neutral.
        covariance: (2, 2). Of `off`, by noise and coding.
        rgb: (3,). Mean linear light.
        run: (T, 2). The same difference, frame by frame.
        reflectance: Where it is known.
    """

    name: str
    level: float
    off: Floats
    covariance: Floats
    rgb: Floats
    run: Floats
    reflectance: float | None = None


@dataclass(frozen=True, slots=True)
class Tint:
    """Tint of several patches together: `off` and `covariance` as of one, widened by scatter."""

    off: Floats
    covariance: Floats
    level: float
    count: int

    @property
    def length(self) -> float:
        """Δu'v'."""
        return float(np.hypot(*self.off))

    @property
    def u(self) -> float:
        """Standard uncertainty along the difference; the larger axis where there is none."""
        return u_along(self.off, self.covariance)


def u_along(off: Floats, covariance: Floats) -> float:
    """Return the standard uncertainty of the length of a difference, (2,) and (2, 2)."""
    length = float(np.hypot(*off))
    most = math.sqrt(max(float(np.linalg.eigvalsh(covariance)[-1]), 0.0))
    if length <= most:
        return most
    way = off / length
    return math.sqrt(max(float(way @ covariance @ way), 0.0))


def tint_of(name: str, rgb: Floats, light: Light, reflectance: float | None = None) -> GreyTint:
    """Return the tint of a patch.

    Args:
        rgb: (T, h, w, 3). Linear light of its pixels in T frames.
    """
    frames = rgb.mean(axis=(1, 2))
    mean = frames.mean(axis=0)
    run = uv_of(frames) - _WHITE
    halves = [part for row in np.array_split(rgb, 2, axis=1)
              for part in np.array_split(row, 2, axis=2)]  # fmt: skip
    quarters = uv_of(np.array([q.mean(axis=(0, 1, 2)) for q in halves]))
    # Neighbours in a pair are coded from each other: as many looks as there are pairs.
    noise = np.cov(run.T) / max(len(run) // 2, 1) + np.cov(quarters.T) / len(quarters)
    jacobian = _by_codes(mean, light)
    covariance = CODE**2 * jacobian @ jacobian.T + noise
    level = float(mean @ np.array([0.2126, 0.7152, 0.0722]))  # BT.709-6 item 3.2
    return GreyTint(name, level, uv_of(mean[None])[0] - _WHITE, covariance, mean, run, reflectance)


def _by_codes(mean: Floats, light: Light) -> Floats:
    """Return how u', v' go with the codes of Cb and Cr, (2, 2): BT.709-6 item 3.3 inverted."""
    kr, kb = light.weights
    swing = 224 * (1 << (light.bits - 8)) if light.range == "limited" else (1 << light.bits) - 1
    blue, red = 2 * (1 - kb) / swing, 2 * (1 - kr) / swing
    ways = np.array([
        [0.0, -kb * blue / (1 - kr - kb), blue],
        [red, -kr * red / (1 - kr - kb), 0.0],
    ])  # fmt: skip
    signal = (light.encode(mean).astype(np.float64) - light.black) / (light.white - light.black)
    more, less = (np.asarray(light.decode_signal(signal + s * ways), float) for s in (0.5, -0.5))
    return np.asarray((uv_of(more) - uv_of(less)).T)


def together(tints: Sequence[GreyTint]) -> Tint:
    """Return the weighted mean; its covariance is widened where the patches scatter more."""
    weights = np.array([1 / np.trace(t.covariance) for t in tints])
    weights = weights / weights.sum()
    off = np.array([t.off for t in tints])
    mean = weights @ off
    own = np.einsum("i,ijk->jk", weights**2, np.array([t.covariance for t in tints]))
    if len(tints) > 1:
        left = off - mean
        chi2 = sum(float(d @ d / np.trace(t.covariance)) for d, t in zip(left, tints, strict=True))
        own = own * max(1.0, chi2 / (len(tints) - 1))
    level = float(weights @ [t.level for t in tints])
    return Tint(mean, own, level, len(tints))


def mid_grey(tints: Sequence[GreyTint]) -> Tint:
    """Return the tint of the greys around 18 %; of marked ones without reflectance, of all.

    Raises:
        CannotMeasure: None of the known ones is near.
    """
    near = [
        t for t in tints if t.reflectance is None or _NEAR[0] < t.reflectance < _NEAR[1]
    ]  # fmt: skip
    if not near:
        raise CannotMeasure(
            "No grey near 18 % could be used.",
            "Expose so that the middle steps are mid-grey, neither clipped nor black.",
        )
    return together(near)


def drift(tints: Sequence[GreyTint]) -> tuple[Tint, Tint] | None:
    """Return the tints of light and of dark greys, None where either are missing.

    By reflectance, or where none is known by their light in the picture.
    """
    known = [(t.reflectance or t.level, t) for t in tints]
    light = [t for r, t in known if r >= _LIGHT]
    dark = [t for r, t in known if r <= _DARK]
    return (together(light), together(dark)) if light and dark else None


def moved(tints: Sequence[GreyTint]) -> tuple[float, float]:
    """Return how far the tint of all went from the first to the last third, and its u, Δu'v'."""
    run = np.mean([t.run for t in tints], axis=0)
    third = max(len(run) // 3, 1)
    first, last = run[:third], run[-third:]
    way = last.mean(axis=0) - first.mean(axis=0)
    scatter = np.array([np.std(np.diff(run, axis=0), axis=0)]) / math.sqrt(2)
    return float(np.hypot(*way)), float(np.hypot(*scatter[0])) * math.sqrt(2 / third)
