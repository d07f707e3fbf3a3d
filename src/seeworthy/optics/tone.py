"""How far linear light may be off that was made by the tag: the one place for the tone curve.

A file names a tone curve and the camera may have used another: plain powers, sRGB, an S-shaped
look. Where a camera's own curve was not measured (grey steps of known density are such a
measurement, ISO 14524), light by the tag grows as a power of the scene's light that is only
nearly 1. What that does to a figure is told here.

`SLOPE` is a judgement from the spread of curves under the tag BT.709: powers 2.2 and 2.4, sRGB,
and BT.709 with S-shaped contrast v + k v (1 - v)(2v - 1), k = 0.3 and 0.6, around mid-grey
(levels 0.2 to 0.5, spans of 0.2 to 2 stops) have slopes of 0.735 to 1.338, so that the light of
the scene is 0.75 to 1.36 times what the tag says, in stops. A third either way, rectangular.
"""

from __future__ import annotations

import math

from seeworthy.ground.budget import Component
from seeworthy.ground.propagation import u_rectangular

BY_TAG = "by the tag"
"""What the finding `tone` says where no curve was measured."""

SLOPE = 0.33
"""Largest share by which stops by the tag differ from the scene's."""

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
_SOURCE = "judgement: spread of gamma 2.2 and 2.4, sRGB, S-curves under one tag"


def u_slope() -> float:
    """Return the standard uncertainty of the slope, a share."""
    return u_rectangular(SLOPE)


def of_stops(stops: float) -> Component:
    """Return what the curve leaves open of a ratio of light in stops."""
    return _component(abs(stops))


def of_share(value: float) -> Component:
    """Return the same of a small contrast (noise, tint, overshoot): it grows with the slope."""
    return _component(abs(value))


def of_decibels() -> Component:
    """Return the same of a signal over noise, in dB: 20 log10 of the slope."""
    return _component(20 / math.log(10))


def of_edge(value: float, contrast: float) -> Component:
    """Return the same of MTF50 (any unit) from an edge of this contrast, bright over dark."""
    share = EDGE * math.log(max(contrast, 1.0))
    return Component(
        NAME, share, "", abs(value), "normal",
        _SOURCE + ", by the edge's contrast",
    )  # fmt: skip


def of_run(time: float, stops: float) -> Component:
    """Return the same of a time from 10 to 90 % of a step of light, in the unit of `time`."""
    return Component(
        NAME, RUN * abs(stops), "", abs(time), "normal",
        _SOURCE + ", by the step's size",
    )  # fmt: skip


def _component(sensitivity: float) -> Component:
    return Component(NAME, u_slope(), "", sensitivity, "rectangular", _SOURCE)
