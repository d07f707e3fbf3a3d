"""Dynamic range off a ladder: steps of known light from clipping down to where noise drowns them.

ISO 15739:2013 (from memory): from the brightest light that is not clipped to the one whose signal
to noise is 1, noise referred to the scene by the slope of the OECF. Where steps of known light
reach both ends all of it stands in code values, and no tone curve has to be undone:
``SNR = (dI / d ln L) / σ``, code values I, their noise over time σ, light L.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from seeworthy.ground.budget import Component
from seeworthy.ground.propagation import u_rectangular
from seeworthy.media.light import Light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.noise.measure import RESOLVED

Floats = npt.NDArray[np.float64]

CODE = 0.2
"""Code values by which coding moves a whole patch, standard (a judgement; docs/accuracy/colour
found 0.06 to 0.16 on clips of our own)."""
ROUNDING = 1 / 12
"""Variance of rounding to whole codes, derived: less noise than that a file does not show."""
POWER_SD = 0.5
"""Codes near black go with this power of the light around 1, standard: straight toes have 1,
S-shaped looks up to 2, shoulders of logarithmic looks less (a judgement)."""
_POWERS = (0.4, 3.0)  # four standard deviations up; down to where codes hardly follow light
_APART = 0.4  # stops between rungs that are told apart (a judgement)
_ABOUT = 2.5  # stops about the limit that a power is fitted over (a judgement)
_LEAST = 4  # rungs of a fit of three unknowns
_DISAGREE = 4.0  # misfit over its own u, from which rungs follow no one curve (a judgement)
_HELD = 0.15  # stops by which light and picture may part beyond their u (a judgement)
_STEEP = 4  # codes above the darkest rung, from which on rungs are compared (a judgement)
_BLOCK = 8  # px: a coder's block


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the ladder.

    Attributes:
        stops: log2 of its light over any one light.
        u_stops: Standard uncertainty of it against the other rungs.
        code: Mean code value.
        noise: Standard deviation over time, code values.
        u_noise: Share of it.
        light: Mean linear light by the tone curve, share of white.
        white: Most of it is clipped at white.
        clip: Number of the clip, from 0.
    """

    name: str
    stops: float
    u_stops: float
    code: float
    noise: float
    u_noise: float
    light: float = 1.0
    white: bool = False
    clip: int = 0


@dataclass(frozen=True)
class LadderRange:
    """Dynamic range that both ends of a ladder were seen of.

    Attributes:
        stops: From white to the limit.
        parts: What its uncertainty is made of.
        dark, bright: Places of the ends, stops as the rungs have them.
        snr: SNR between neighbouring rungs: (stops, ratio) from bright to dark.
        resolved: The noise about the limit is more than whole codes hide.
    """

    stops: float
    parts: tuple[Component, ...]
    dark: float
    bright: float
    snr: tuple[tuple[float, float], ...]
    resolved: bool


def rung_of(
    name: str, codes: npt.NDArray[np.integer], stops: tuple[float, float], how: Light, clip: int = 0
) -> Rung:
    """Return a rung from the code values of a patch.

    Args:
        codes: (T, h, w). Of frames in order of time.
        stops: log2 of its light, and standard uncertainty.
        how: Of the clip.
    """
    x = codes.astype(np.float64)
    still = x - x.mean(axis=(1, 2), keepdims=True)
    apart = len(x) // 2
    square = (still[apart : 2 * apart] - still[:apart]) ** 2 / 2
    variance = float(square.mean())
    rows, columns = square.shape[1] // _BLOCK, square.shape[2] // _BLOCK
    cut = square[:, : rows * _BLOCK, : columns * _BLOCK].mean(axis=0)
    blocks = cut.reshape(rows, _BLOCK, columns, _BLOCK).mean(axis=(1, 3)) if rows * columns else cut
    scatter = float(np.std(blocks)) / max(math.sqrt(blocks.size), 1.0)
    u = scatter / (2 * variance) if variance > ROUNDING else 0.0
    return Rung(
        name, *stops, float(x.mean()), math.sqrt(max(variance, ROUNDING)), u,
        float(how.linear(codes).mean()), float(np.mean(codes >= how.white - 1)) > 0.5, clip,
    )  # fmt: skip


def range_of(rungs: Sequence[Rung], limit: float, tone: Tone) -> LadderRange | None:
    """Return the dynamic range where the limit lies within the ladder, else None.

    Args:
        limit: Signal over noise that is asked for, 1 by ISO 15739.
        tone: For what lies between the brightest rung and white where none is clipped.
    """
    below = _pooled(sorted((r for r in rungs if not r.white), key=lambda r: -r.stops))
    if len(below) < _LEAST:
        return None
    dark = _Dark.of(below, limit)
    if dark is None:
        return None
    parts = [
        Component("dark codes", dark.u_codes, "stops", source="coding, and scatter about a toe"),
        Component("noise of the dark rungs", dark.u_noise, "stops", source="scatter over blocks"),
        Component(
            "shape of the toe", dark.u_shape, "stops",
            source="judgement: half of what a straight one makes of it",
        ),
        Component(
            "light of the rungs", math.hypot(dark.u_stops, below[0].u_stops), "stops",
            source="readings", common="densities",
        ),
    ]  # fmt: skip
    top = below[0].stops
    over = [r.stops for r in rungs if r.white and r.stops > top]
    if over:
        gap = min(over) - top
        parts.append(
            Component(
                "place of clipping", u_rectangular(gap / 2), "stops", 1.0, "rectangular",
                "between the brightest rung and the one that is clipped",
            )
        )  # fmt: skip
        bright = top + gap / 2
    else:
        rest = -math.log2(min(below[0].light, 1.0))
        parts.append(tone.of_stops(rest, 1.0, below[0].light))
        bright = top + rest
    about = [r.noise for r in below if abs(r.stops - dark.at) < 1]
    resolved = min(about, default=0.0) > RESOLVED
    return LadderRange(bright - dark.at, tuple(parts), dark.at, bright, _ratios(below), resolved)


def _pooled(rungs: Sequence[Rung]) -> list[Rung]:
    """Return rungs `_APART` and more apart, brightest first: nearer ones are one.

    Between two that are nearer than their light is known the slope is anything.
    """
    found: list[list[Rung]] = []
    for one in rungs:
        if found and found[-1][0].stops - one.stops < _APART:
            found[-1].append(one)
        else:
            found.append([one])

    def mean(group: list[Rung], name: str) -> float:
        return float(np.mean([getattr(r, name) for r in group]))

    return [
        replace(
            g[0], stops=mean(g, "stops"), code=mean(g, "code"), light=mean(g, "light"),
            noise=math.sqrt(float(np.mean([r.noise**2 for r in g]))),
            u_stops=mean(g, "u_stops"), u_noise=mean(g, "u_noise"),
        )
        for g in found
    ]  # fmt: skip


def _ratios(rungs: Sequence[Rung]) -> tuple[tuple[float, float], ...]:
    found = []
    for a, b in itertools.pairwise(rungs):
        gap = a.stops - b.stops
        if gap > 1e-6:
            noise = math.sqrt((a.noise**2 + b.noise**2) / 2)
            found.append(((a.stops + b.stops) / 2, (a.code - b.code) / (gap * math.log(2)) / noise))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Dark:
    """Where the limit is crossed, and what that leaves open, stops."""

    at: float
    u_codes: float
    u_noise: float
    u_stops: float
    u_shape: float

    @classmethod
    def of(cls, below: Sequence[Rung], limit: float) -> _Dark | None:
        """Return the crossing; None where it lies outside, or the rungs follow no one curve."""
        rough = next((x for x, ratio in _ratios(below) if ratio < limit), None)
        if rough is None:
            return None
        used = [r for r in below if abs(r.stops - rough) < _ABOUT]
        if len(used) < _LEAST:
            used = sorted(below, key=lambda r: abs(r.stops - rough))[:_LEAST]
        used.sort(key=lambda r: -r.stops)
        x, codes, noise, u_x = (
            np.array([getattr(r, k) for r in used]) for k in ("stops", "code", "noise", "u_stops")
        )
        # What a rung's light is off by stands in its code, too.
        weight = 1 / np.hypot(CODE, np.gradient(codes, x) * u_x)
        at, misfit = _crossing(x, codes, noise, weight, limit)
        straight, _ = _crossing(x, codes, noise, weight, limit, 1.0)
        if at is None or straight is None or misfit > _DISAGREE:
            return None
        widen = max(1.0, misfit)

        def moved(which: Floats, step: Floats) -> float:
            total = 0.0
            for i, by in enumerate(step):
                ends = []
                for sign in (1.0, -1.0):
                    each = [x, codes, noise]
                    one = which.copy()
                    one[i] += sign * by
                    each[next(k for k, v in enumerate(each) if v is which)] = one
                    there, _ = _crossing(each[0], each[1], each[2], weight, limit)
                    # Out of the ladder by an error of that size: as far as its end.
                    ends.append(float(x.min()) - 1.0 if there is None else there)
                total += ((ends[0] - ends[1]) / 2) ** 2
            return math.sqrt(total)

        return cls(
            at,
            moved(codes, np.full(len(x), CODE * widen)),
            moved(noise, noise * np.array([r.u_noise for r in used])),
            moved(x, u_x),
            abs(at - straight) / 2,
        )


def _crossing(
    x: Floats,
    codes: Floats,
    noise: Floats,
    weight: Floats,
    limit: float,
    power: float | None = None,
) -> tuple[float | None, float]:
    """Return where the slope of the codes sinks to `limit` times the noise, and the misfit.

    Codes are ``b + a 2^(p x)``; a and b by least squares, p with its prior unless it is given.
    """

    def fitted(p: float) -> tuple[Floats, float]:
        a = np.stack([np.ones_like(x), 2.0 ** (p * (x - x.max()))], axis=1)
        c, _, _, _ = np.linalg.lstsq(a * weight[:, None], codes * weight, rcond=None)
        return np.asarray(c, float), float((((codes - a @ c) * weight) ** 2).sum())

    if power is None:
        power = float(
            minimize_scalar(
                lambda p: fitted(p)[1] + ((p - 1) / POWER_SD) ** 2, bounds=_POWERS, method="bounded"
            ).x
        )
    c, chi2 = fitted(power)
    misfit = math.sqrt(chi2 / max(len(x) - 3, 1))
    fine = np.linspace(x.max(), x.min(), 400)
    slope = c[1] * power * 2.0 ** (power * (fine - x.max()))
    order = np.argsort(x)
    spread = np.sqrt(np.interp(fine, x[order], noise[order] ** 2))
    under = np.flatnonzero(slope < limit * spread)
    if not len(under) or under[0] == 0:
        return None, misfit
    return float(fine[under[0]]), misfit


def not_held(rungs: Sequence[Rung]) -> str:
    """Say of which clip the exposure was not that of those before; empty where it was in all.

    Rungs of like light must have like codes, whichever clip they are in.
    """
    seen = [r for r in rungs if r.clip == 0 and not r.white]
    for clip in sorted({r.clip for r in rungs} - {0}):
        seen.sort(key=lambda r: r.code)
        codes, stops = np.array([r.code for r in seen]), np.array([r.stops for r in seen])
        here = [r for r in rungs if r.clip == clip and not r.white]
        # Where a code is a small part of a stop: the darkest tell nothing of light.
        steep = [r for r in here if codes[0] + _STEEP < r.code < codes[-1]]
        if not steep:
            return f"clip {clip + 1} shares no brightness with those before it"
        off = float(np.median([np.interp(r.code, codes, stops) - r.stops for r in steep]))
        if abs(off) > 2 * max(r.u_stops for r in steep) + _HELD:
            return f"clip {clip + 1} is {off:+.1f} stops brighter than the light readings say"
        seen += here
    return ""
