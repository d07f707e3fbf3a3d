"""Noise referred to the scene, and what an encoder takes of it: shared by `noise`, `low-light`.

ISO 15739 refers noise to the scene by the incremental gain: a picture whose light grows as the
power s of the scene's has s times the SNR that its own light shows (from memory). Steps of known
reflectance measure s at 18 % grey; without them light is by the tag.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Result, result
from seeworthy.ground.uncertainty import effective_dof, lower
from seeworthy.optics.tone import Tone
from seeworthy.procedures.noise.coding import CODED, least_loss
from seeworthy.procedures.noise.curve import AtGrey
from seeworthy.procedures.noise.levels import NoiseTrouble
from seeworthy.procedures.noise.measure import NoiseLevel

BEYOND = 3.5
"""How many times as much as is told at least coding may have taken (on our own rendered clips,
seed 4: 0.7 to 6.6 dB where 0.8 to 2.2 dB were told, up to 3.3 times)."""

_NEAR = (0.06, 0.5)  # reflectances around 18 % grey, 1.5 stops either way
_DECIBEL = 20 / math.log(10)


@dataclass(frozen=True, slots=True)
class Slope:
    """Slope of the picture's light over the scene's at 18 % grey, in logarithms, and its u."""

    value: float
    u: float


def slope_at_grey(levels: Sequence[NoiseLevel], grey: float = 0.18) -> Slope | None:
    """Return the slope of a curve through the steps around 18 % grey, None below three.

    A straight line through three steps, of second degree through more. Its uncertainty is the
    larger of what the scatter of the steps says and what the densities' does: an error of one
    density against another is taken for one between the ends of the range.
    """
    near = [v for v in levels if v.reflectance and _NEAR[0] < v.reflectance < _NEAR[1]]
    if len(near) < 3:
        return None
    x = np.array([math.log((v.reflectance or grey) / grey) for v in near])
    y = np.array([math.log(v.signal) for v in near])
    degree = 1 if len(near) == 3 else 2
    a = np.stack([x**i for i in range(degree + 1)], axis=1)
    c, _, rank, _ = np.linalg.lstsq(a, y, rcond=None)
    if rank <= degree:
        return None
    left = len(near) - degree - 1
    scatter = math.sqrt(float(((y - a @ c) ** 2).sum()) / left) if left else 0.0
    own = scatter * math.sqrt(float(np.linalg.inv(a.T @ a)[1, 1]))
    shares = [(v.u_reflectance or 0.0) / (v.reflectance or 1.0) for v in near]
    print_ = math.sqrt(2) * float(np.mean(shares)) / float(np.ptp(x)) * abs(float(c[1]))
    return Slope(float(c[1]), max(own, print_))


def referred(
    levels: Sequence[NoiseLevel], scale: str, tone: Tone, level: float
) -> tuple[float, Component, str]:
    """Return the decibels that refer SNR to the scene, what they leave open, and their origin.

    Light by a measured curve is the scene's already; else the steps themselves tell the slope where
    they can. The origin is what the finding `tone` says.

    Args:
        level: Linear light of the grey.
    """
    if tone.curve is not None:
        return 0.0, tone.of_decibels(level), tone.words
    slope = slope_at_grey(levels) if scale == "reflectance" else None
    if slope is None or slope.value <= 0.05:
        return 0.0, tone.of_decibels(level), tone.words
    part = Component(
        "tone curve, slope at 18 % grey", slope.u / slope.value, "", _DECIBEL, "normal",
        "grey steps: scatter, or their densities",
    )  # fmt: skip
    return _DECIBEL * math.log(slope.value), part, "measured on the grey steps, at 18 % grey"


def coding_part(trouble: NoiseTrouble) -> Component:
    """Return what an encoder may have taken of the noise, dB.

    Where the noise still looks normal, what does not show in it; else a multiple of what was
    taken at least.
    """
    most = BEYOND * trouble.loss if trouble.coded else least_loss(CODED)
    source = "judgement: least loss by rounding, times 3.5" if trouble.coded else (
        "largest loss by rounding that does not show in the kurtosis"
    )  # fmt: skip
    return Component(
        "noise that coding took", u_rectangular(max(most, least_loss(CODED))), "dB", 1.0,
        "rectangular", source,
    )  # fmt: skip


def with_dof(
    measurand: str, value: float, parts: Sequence[Component], dof: float, **said: Any
) -> Result:
    """Return a result whose first component has `dof` degrees of freedom, the others many."""
    whole = effective_dof([(parts[0].part, dof), *((p.part, math.inf) for p in parts[1:])])
    return result(measurand, value, dof=whole, budget=parts, **said)


def snr_result(
    at: AtGrey,
    where: Mapping[str, Any],
    shift: float,
    more: Sequence[Component],
    evidence: Sequence[str],
) -> Result:
    """Return the SNR over temporal noise at 18 % grey, referred to the scene.

    Args:
        where: Conditions.
        shift: Decibels of `referred`.
        more: What the slope and the coding leave open.
    """
    parts = (Component("noise and signal", at.u_snr, "dB", source="scatter, densities"), *more)
    value = at.snr + shift
    conditions = {**where, "noise": "temporal"}
    if not at.bound:
        return with_dof(
            "snr_18", value, parts, max(at.dof, 1.0), n=at.levels, conditions=conditions,
            evidence=evidence,
        )  # fmt: skip
    # The least is at least that under any slope, and with what coding took.
    least = lower(value, combined(more))
    return result(
        "snr_18", least, n=at.levels, interval=(least, math.inf), evidence=evidence, budget=parts,
        conditions={**conditions, "bound": "lower"},
    )  # fmt: skip


def range_shown(
    levels: Sequence[NoiseLevel], tone: Tone, trouble: NoiseTrouble
) -> tuple[float, tuple[Component, ...]] | None:
    """Return the stops from white to the darkest step above its noise, and what they leave open.

    None where no step shows its noise: one whose noise an encoder took, or that whole codes
    hide, may lie far below the camera's own, and a bound from it would be none. Where the clip as a
    whole is coded, the others stand above as much as may have been taken unseen.

    Between steps of known reflectance the stops are the scene's; from the brightest step up to
    white, and where nothing is known, they are by the tag.
    """
    lift = 10 ** (BEYOND * trouble.loss / 20) if trouble.coded else 1.0
    shown = [v for v in levels if v.told and v.signal > lift * v.temporal]
    if not shown:
        return None
    dark = min(shown, key=lambda v: v.signal)
    bright = max(levels, key=lambda v: v.signal)
    if not (dark.reflectance and bright.reflectance):
        stops = -math.log2(dark.signal)
        return stops, (tone.of_stops(stops, 1.0, dark.signal),)
    known, rest = math.log2(bright.reflectance / dark.reflectance), -math.log2(bright.signal)
    u = math.sqrt(2) * (dark.u_reflectance or 0.0) / dark.reflectance / math.log(2)
    return known + rest, (
        Component(
            "densities",
            u,
            "stops",
            1.0,
            "normal",
            "reading, or the print's nominal ones",
            common="densities",
        ),
        tone.of_stops(rest, 1.0, bright.signal),
    )
