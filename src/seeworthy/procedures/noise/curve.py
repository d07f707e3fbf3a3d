"""Noise against grey level: signal to noise at 18 % grey, dynamic range, parts of the pattern.

Photon transfer (EMVA 1288, from memory): the variance over time is read noise plus a part
that grows with the light; the fixed pattern is a dark part (DSNU) and a part in proportion
to the light (PRNU). Between grey steps the figures are interpolated, whatever the camera
does to its noise; only the dynamic range, which lies below the darkest step, leans on the
model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import optimize

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.noise.measure import RESOLVED, NoiseLevel

Floats = npt.NDArray[np.float64]
Scale = Literal["reflectance", "signal"]

GREY = 0.18
"""The mid-grey at which noise is told: a surface of 18 % reflectance."""
_NEAREST = 5  # levels that the line is laid through (a judgement)
_BEYOND = math.log(2) / 2
_ALONE = math.log(2)
# Temporal noise grows with a power of the light between 0 (read noise) and 1/2 (photons).
_POWER = (0.25, 0.5 / math.sqrt(12))
_DECIBEL = 20 / math.log(10)
_DARKEST = 6
_DRAWS = 400


@dataclass(frozen=True, slots=True)
class AtGrey:
    """Noise at 18 % grey.

    Attributes:
        scale: {"reflectance", "signal"}. What is 18 %: the reflectance of the surface, or the light
            in the picture.
        signal: Linear light of that grey, share of full scale.
        temporal, u_temporal, fixed, u_fixed: Share of full scale, linear.
        snr, u_snr: Signal over temporal noise, dB.
        total, u_total: Signal over temporal noise and fixed pattern together, dB.
        dof: Behind the uncertainties of the temporal noise.
        bound: True when the noise is too small to be told: `snr` is the least that it can be.
        beyond: True when 18 % grey lies outside the steps that were measured.
        levels: Used.
        u_shared: Part of `u_snr`, dB, that stays the same from take to take: the densities.
    """

    scale: Scale
    signal: float
    temporal: float
    u_temporal: float
    fixed: float
    u_fixed: float
    snr: float
    u_snr: float
    total: float
    u_total: float
    dof: float
    bound: bool
    beyond: bool
    levels: int
    u_shared: float = 0.0

    def interval(self) -> tuple[float, float]:
        """95 % interval of `snr`; open upwards for a bound."""
        if self.bound:
            return self.snr, math.inf
        half = coverage_factor(max(self.dof, 1.0)) * self.u_snr
        return self.snr - half, self.snr + half


def at_grey(levels: Sequence[NoiseLevel], scale: Scale, grey: float = GREY) -> AtGrey:
    """Interpolate noise and signal at a grey.

    Args:
        levels: With `reflectance` where that is the scale.
        scale: {"reflectance", "signal"}

    Raises:
        CannotMeasure: The grey lies too far outside what was measured.
    """
    found = sorted(levels, key=lambda level: _key(level, scale))
    x = np.array([math.log(_key(level, scale) / grey) for level in found])
    beyond = float(max(x[0], -x[-1], 0.0))
    if beyond > (_ALONE if len(found) == 1 else _BEYOND):
        raise CannotMeasure(
            f"18 % grey lies {beyond / math.log(2):.1f} stops outside the levels that were "
            "measured.",
            "Film a grey step scale, or expose so that the grey is mid-grey.",
        )
    near = np.sort(np.argsort(np.abs(x), kind="stable")[:_NEAREST])
    used = [found[i] for i in near]
    noise = _local(
        x[near],
        np.array([math.log(level.temporal) for level in used]),
        np.array([level.u_temporal / level.temporal for level in used]),
        _POWER,
    )
    signal = _local(
        x[near],
        np.array([math.log(level.signal) for level in used]),
        np.array([max(level.u_signal / level.signal, 1e-5) for level in used]),
        (1.0, 1e-6) if scale == "signal" else (1.0, 0.1),
    )
    light, temporal = math.exp(signal.value), math.exp(noise.value)
    square, u_square = _pattern(x[near], used, light)
    fixed = math.sqrt(max(square, 0.0))
    u_fixed = math.sqrt(max(square, 0.0) + u_square) - fixed
    nearest = int(np.argmin(np.abs(x[near])))
    # An error of the densities moves along the curve; neighbouring steps share it.
    shift = _shared(used[nearest]) if scale == "reflectance" else 0.0
    if len(used) > 1:
        shift *= 1 + beyond / float(np.ptp(x[near]))
    slope = signal.slope - noise.slope
    u = math.sqrt(noise.u**2 + signal.u**2 + (slope * shift) ** 2)
    whole = math.hypot(temporal, fixed)
    u_whole = math.hypot(temporal**2 * u, fixed * u_fixed) / whole**2
    dof = sum(level.dof for level in used)
    result = AtGrey(
        scale, light, temporal, temporal * math.hypot(noise.u, noise.slope * shift),
        fixed, u_fixed, _DECIBEL * math.log(light / temporal), _DECIBEL * u,
        _DECIBEL * math.log(light / whole), _DECIBEL * u_whole, dof, False, beyond > 1e-9,
        len(used), _DECIBEL * abs(slope * shift),
    )  # fmt: skip
    return _bounded(result, used[nearest]) if used[nearest].masked else result


def _key(level: NoiseLevel, scale: Scale) -> float:
    if scale == "signal":
        return level.signal
    if level.reflectance is None:
        raise ValueError("the level's reflectance is not known")
    return level.reflectance


def _shared(level: NoiseLevel) -> float:
    return (level.u_reflectance or 0.0) / (level.reflectance or 1.0)


def _bounded(found: AtGrey, nearest: NoiseLevel) -> AtGrey:
    """Take the largest noise that the file can hide."""
    most = max(
        found.temporal + 2 * found.u_temporal,
        RESOLVED * nearest.step * found.signal / nearest.signal,
    )
    least = _DECIBEL * math.log(found.signal / most)
    whole = _DECIBEL * math.log(found.signal / math.hypot(most, found.fixed))
    return AtGrey(
        found.scale, found.signal, found.temporal, max(found.u_temporal, most - found.temporal),
        found.fixed, found.u_fixed, least, max(found.u_snr, found.snr - least, 0.5), whole,
        max(found.u_total, found.total - whole, 0.5), found.dof, True, found.beyond, found.levels,
        found.u_shared,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Fit:
    value: float
    u: float
    slope: float


def _local(x: Floats, y: Floats, u: Floats, alone: tuple[float, float]) -> _Fit:
    """Fit a curve of second degree (fewer points: less) and read it at x = 0.

    `alone` is the slope, and its uncertainty, that one point is continued with.
    """
    if len(x) == 1:
        slope, u_slope = alone
        return _Fit(
            float(y[0] - slope * x[0]), math.hypot(float(u[0]), u_slope * float(x[0])), slope
        )
    degree = min(2, len(x) - 1)
    a = np.stack([x**i for i in range(degree + 1)], axis=1)
    w = 1 / u
    c, _, _, _ = np.linalg.lstsq(a * w[:, None], y * w, rcond=None)
    covariance = np.linalg.pinv((a * w[:, None]).T @ (a * w[:, None]))
    widen = _birge(float((((y - a @ c) * w) ** 2).sum()), len(x) - degree - 1)
    return _Fit(float(c[0]), math.sqrt(float(covariance[0, 0])) * widen, float(c[1]))


def _birge(chi2: float, dof: int) -> float:
    """Return by how much uncertainties are widened when points scatter more than they say.

    Always where they do: a test first would leave scatter below its limit unsaid.
    """
    return math.sqrt(max(1.0, chi2 / dof)) if dof > 0 else 1.0


def _pattern(x: Floats, levels: Sequence[NoiseLevel], light: float) -> tuple[float, float]:
    """Variance of the fixed pattern at x = 0, share of full scale squared, and its u."""
    share = np.array([v.fixed_variance / v.signal**2 for v in levels])
    u = np.array([v.u_fixed_variance / v.signal**2 for v in levels])
    if len(x) < 3:
        best = int(np.argmin(np.abs(x)))
        return float(share[best]) * light**2, float(u[best]) * light**2
    fit = _local(x, share, np.maximum(u, 1e-15), (0.0, 0.0))
    return fit.value * light**2, fit.u * light**2


@dataclass(frozen=True, slots=True)
class Range:
    """Dynamic range in stops, from white down to where temporal noise equals the signal.

    Attributes:
        interval: (float, float)
        least: Light at which they are equal, share of full scale.
        read, per_light: Variance in the dark, and its growth with the light (linear, rounding taken
            out).
        extrapolated: True when that light is below the darkest step.
    """

    stops: float
    u: float
    interval: tuple[float, float]
    least: float
    read: float
    per_light: float
    extrapolated: bool


def dynamic_range(levels: Sequence[NoiseLevel], dark_step: float) -> Range | None:
    """Fit read and photon noise to the darkest levels; None where there are too few.

    Args:
        dark_step: Linear light of one code value near black.
    """
    usable = sorted((v for v in levels if v.told), key=lambda v: v.signal)[:_DARKEST]
    if len(usable) < 3 or usable[-1].signal < 3 * usable[0].signal:
        return None
    light = np.array([v.signal for v in usable])
    rounding = np.array([v.step**2 / 12 for v in usable])
    seen = np.array([v.temporal**2 for v in usable])
    u = seen * np.sqrt(2 / np.array([v.dof for v in usable]))
    read, per_light = _photon(light, seen - rounding, u)
    misfit = ((seen - rounding - read - per_light * light) / u) ** 2
    widen = _birge(float(misfit.sum()), len(usable) - 2)
    rng = np.random.default_rng(0)
    draws = []
    for _ in range(_DRAWS):
        drawn = read + per_light * light + u * widen * rng.standard_normal(len(u))
        draws.append(-math.log2(_least(*_photon(light, drawn, u), dark_step)))
    least = _least(read, per_light, dark_step)
    low, high = (float(q) for q in np.quantile(draws, [0.025, 0.975]))
    stops = -math.log2(least)
    return Range(
        stops,
        float(np.std(draws)),
        (min(low, stops), max(high, stops)),
        least,
        read,
        per_light,
        least < usable[0].signal,
    )


def _photon(light: Floats, variance: Floats, u: Floats) -> tuple[float, float]:
    """Weighted least squares of ``read + per_light · L``, neither below zero."""
    w = 1 / u
    a = np.stack([np.ones_like(light), light], axis=1) * w[:, None]
    scale = np.linalg.norm(a, axis=0)
    found, _ = optimize.nnls(a / scale, variance * w)
    read, per_light = found / scale
    return float(read), float(per_light)


def _least(read: float, per_light: float, step: float) -> float:
    """Light at which noise equals signal: ``L² = read + per_light · L + step²/12``.

    EMVA 1288 has half an electron more in the root, for photons so few (from memory).
    """
    floor = read + step**2 / 12
    return max((per_light + math.sqrt(per_light**2 + 4 * floor)) / 2, 1e-9)


def pattern_parts(levels: Sequence[NoiseLevel]) -> tuple[float, float] | None:
    """Return DSNU (share of full scale) and PRNU (share of the light); None below three levels."""
    if len(levels) < 3:
        return None
    light = np.array([v.signal for v in levels])
    seen = np.array([v.fixed_variance for v in levels])
    u = np.array([max(v.u_fixed_variance, 1e-15) for v in levels])
    dark, share = _photon(light**2, seen, u)
    return math.sqrt(dark), math.sqrt(share)
