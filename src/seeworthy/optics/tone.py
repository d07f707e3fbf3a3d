"""How far linear light may be off: the one place for the tone curve.

A file names a tone curve and the camera may have used another: plain powers, sRGB, an S-shaped
look. Where the camera's own curve was measured in the same mode (`oecf`: grey steps of known
density, ISO 14524), it is undone instead of the tag's, and its own uncertainty counts. Else
light by the tag grows as a power of the scene's light that is only nearly 1. What either does to
a figure is told here.

`SLOPE` is a judgement from the spread of curves under the tag BT.709: powers 2.2 and 2.4, sRGB,
and BT.709 with S-shaped contrast v + k v (1 - v)(2v - 1), k = 0.3 and 0.6, around mid-grey
(levels 0.2 to 0.5, spans of 0.2 to 2 stops) have slopes of 0.735 to 1.338, so that the light of
the scene is 0.75 to 1.36 times what the tag says, in stops. A third either way, rectangular.

It does not cover a flat look under the tag (logarithmic, or contrast turned down). By arithmetic
(spans of 0.2 to 2 stops about levels of 0.2 to 0.5) the scene's stops are then 1.2 to 1.6 times the
tag's at log(1 + 31 L), 1.3 to 1.4 times where the contrast about mid-grey is 0.7, 1.6 to 2.0 times
where it is 0.5, and 1.6 to 2.7 times at log(1 + 100 L) and log(1 + 300 L). `FLAT` adds the first
two where a figure grows as the light does (`shading`, `white-balance`); of flatter ones nothing by
the tag can be told: there `oecf` measures the curve (ISO 14524), and then neither is used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seeworthy.ground.budget import CAMERA, Component
from seeworthy.ground.propagation import u_rectangular
from seeworthy.media.light import Light, light_of

if TYPE_CHECKING:
    from seeworthy.media.frames import Stage
    from seeworthy.media.tone_curve import ToneCurve

BY_TAG = "by the tag"
"""What the finding `tone` says where no curve was measured."""

SLOPE = 0.33
"""Largest share by which stops by the tag differ from the scene's."""

FLAT = 0.3
"""Share by which the scene may have more contrast beyond what `SLOPE` leaves open, under a mild
flat look: from levels of 0.2 to 0.5 down by 0.3 to 2 stops, log(1 + 31 L) makes the scene's stops
1.05 to 1.47 times those by the tag, S-shaped looks of twice the contrast 0.66 times (by
arithmetic); the 95 % interval of both parts is 0.49 to 1.51. A judgement."""

EDGE = 0.024
"""Share of MTF50 per natural logarithm of the edge's contrast. A judgement: under the curves
above, MTF50 of a Gaussian edge between paper at 85, 50 or 30 % and 2 to 40 times darker ink is
off by at most 3.3 % at 2:1, 6.7 % at 4:1, 13.1 % at 15:1 and 16.1 % at 40:1 (by arithmetic, no
noise); the 95 % interval of these holds each of them."""

RUN = 0.02
"""Share of an adaptation time per stop of the step. A judgement: under the curves above 10 to 90 %
of an exponential run in stops is off by at most 4 % per stop (levels 0.12 to 0.3, steps of 1 to 3
stops, by arithmetic); the 95 % interval of these holds it."""

NAME = "tone curve, by the tag"
MEASURED = "tone curve, as measured"
NAMES = (NAME, MEASURED)
"""What its component is called in a budget."""

_SOURCE = "judgement: spread of gamma 2.2 and 2.4, sRGB, S-curves under one tag, no flat (log) look"
_DECIBEL = 20 / math.log(10)
_LEAST = 0.5
"""Stops between two levels at least, over which a curve's slope is told."""


def u_slope() -> float:
    """Return the standard uncertainty of the slope by the tag, a share."""
    return u_rectangular(SLOPE)


@dataclass(frozen=True)
class Tone:
    """How one clip's light is made linear, and what that leaves open.

    Attributes:
        curve: Measured in the clip's mode; None: the tag's is undone.
        words: Where it comes from: what the finding `tone` says.
    """

    curve: ToneCurve | None = None
    words: str = BY_TAG

    def light(self, stage: Stage, *, still: bool = False) -> Light:
        """Return the light of a clip of this tone."""
        return light_of(stage, still=still, curve=self.curve)

    @property
    def said(self) -> tuple[str, ...]:
        """What a user should read: that a measured curve is there and could not be used."""
        return () if self.curve is not None or self.words == BY_TAG else (
            f"Light is {self.words}.",
        )  # fmt: skip

    def share(self, bright: float, dark: float) -> float:
        """Return the standard uncertainty of stops between two levels, a share of them.

        Args:
            bright, dark: Linear light, share of white; levels nearer than half a stop are told
                apart by the slope over half a stop around them.
        """
        if self.curve is None:
            return u_slope()
        middle = math.sqrt(max(bright, 1e-6) * max(dark, 1e-6))
        stops = max(abs(math.log2(max(bright, 1e-6) / max(dark, 1e-6))), _LEAST)
        ends = middle * 2 ** (stops / 2), middle * 2 ** (-stops / 2)
        return self.curve.u_between(*ends) / stops

    def of_stops(self, stops: float, bright: float, dark: float) -> Component:
        """Return what the curve leaves open of a ratio of light in stops."""
        return self._component(abs(stops), bright, dark)

    def of_share(self, value: float, level: float) -> Component:
        """Return the same of a small contrast (noise, tint, overshoot): it grows with the slope."""
        return self._component(abs(value), level, level)

    def of_flat_look(self, value: float) -> tuple[Component, ...]:
        """Return what a flat look under the tag leaves open; nothing of a measured curve."""
        if self.curve is not None:
            return ()
        source = "judgement: mild logarithmic looks under the tag; for flatter ones measure `oecf`"
        return (Component("tone curve of a flat look", u_rectangular(FLAT), "", abs(value),
                          "rectangular", source, CAMERA),)  # fmt: skip

    def of_scale(self, value: float, level: float) -> Component:
        """Return the same where the contrast is told as a share of white."""
        if self.curve is None:
            return self.of_share(value, level)
        place = math.log(2) * self.curve.u_between(1.0, level)
        share = math.hypot(self.share(level, level), place)
        return Component(MEASURED, share, "", abs(value), "normal", self._origin(), CAMERA)

    def of_decibels(self, level: float) -> Component:
        """Return the same of a signal over noise, in dB: 20 log10 of the slope."""
        return self._component(_DECIBEL, level, level)

    def of_edge(self, value: float, bright: float, dark: float) -> Component:
        """Return the same of MTF50 (any unit) of an edge between two levels."""
        contrast = math.log(max(bright / max(dark, 1e-6), 1.0))
        return self._scaled(EDGE * contrast, value, bright, dark, "by the edge's contrast")

    def of_run(self, time: float, stops: float, settled: float) -> Component:
        """Return the same of a time from 10 to 90 % of a step of light down or up to a level."""
        ends = settled, settled * 2**stops
        return self._scaled(RUN * abs(stops), time, max(ends), min(ends), "by the step's size")

    def _scaled(self, share: float, value: float, bright: float, dark: float, by: str) -> Component:
        """Return a share that is known for curves by the tag; a measured one leaves less of it."""
        if self.curve is None:
            return Component(NAME, share, "", abs(value), "normal", f"{_SOURCE}, {by}", CAMERA)
        left = share * self.share(bright, dark) / u_slope()
        source = f"{self._origin()}, {by}"
        return Component(MEASURED, left, "", abs(value), "normal", source, CAMERA)

    def _component(self, sensitivity: float, bright: float, dark: float) -> Component:
        if self.curve is None:
            return Component(NAME, u_slope(), "", sensitivity, "rectangular", _SOURCE, CAMERA)
        share = self.share(bright, dark)
        return Component(MEASURED, share, "", sensitivity, "normal", self._origin(), CAMERA)

    def _origin(self) -> str:
        return f"grey steps of {self.curve.name}" if self.curve is not None else _SOURCE


def tone_of(stage: Stage, curves: Sequence[ToneCurve], note: str = "", still: bool = False) -> Tone:
    """Return the tone of a clip: by the first curve that was measured in its mode.

    Args:
        curves: Of this unit and firmware.
        note: Why there is none, where others know it.
    """
    from seeworthy.media.tone_curve import Mode

    if not curves:
        return Tone(None, f"{BY_TAG}: {note}" if note else BY_TAG)
    plain = light_of(stage, still=still)
    mode = Mode.of(stage, plain.transfer, plain.range)
    for curve in curves:
        if not curve.mode.unlike(mode):
            return Tone(curve, f"by the measured tone curve ({curve.name})")
    others = "; ".join(f"{c.name} is of {c.mode}" for c in curves)
    return Tone(None, f"{BY_TAG}: {others}, and this clip is {mode}")
