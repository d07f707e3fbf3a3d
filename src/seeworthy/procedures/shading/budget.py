"""What the uncertainty of `shading` is made of: the fit, the tone curve, the wall itself."""

from __future__ import annotations

import math
from collections.abc import Mapping

from seeworthy.ground.budget import Component
from seeworthy.ground.propagation import u_rectangular
from seeworthy.optics.tone import Tone
from seeworthy.procedures.shading.measure import MeasuredShading
from seeworthy.procedures.shading.moved import Wall

UNEVEN = 0.1
"""Stops by which a wall that looks even may differ between the middle and the corners, at
`UNEVEN_AT` degrees of view (a judgement: one lamp on a matt wall, or paper on the lens, which
lets less through aslant). No turned take shows it: what is even through the centre stays."""

UNEVEN_AT = 60.0
"""Degrees across the diagonal; lamps and slanted paper go with the square of the angle."""


def wall(evenness: tuple[float, float] | None, dfov: float | None) -> Component:
    """Return the unevenness of the surface itself, stops.

    Args:
        evenness: (value, u). As it was measured on the surface: anywhere within ± value.
        dfov: Angle of view across the diagonal, degrees; not known: `UNEVEN_AT`.
    """
    if evenness is not None:
        u = math.hypot(u_rectangular(evenness[0]), evenness[1])
        return Component("surface uneven by itself", u, "stops", 1.0, "rectangular", "reading",
                         common="evenness")  # fmt: skip
    angle = UNEVEN_AT if dfov is None else dfov
    limit = UNEVEN * (angle / UNEVEN_AT) ** 2
    source = f"judgement: {limit:.2g} stops at {angle:.0f}° of view"
    if dfov is None:
        source += " (the angle is not known)"
    return Component(
        "surface uneven by itself", u_rectangular(limit), "stops", 1.0, "rectangular", source
    )


def told_apart(bend: Wall) -> Component:
    """Return what a shifted take leaves open of the surface, stops."""
    return Component(
        "surface, told from the lens by the shifted take", bend.u, "stops",
        source="slope of the difference, the shift, and 8 % for another shape (judgement)",
    )  # fmt: skip


def budgets(
    found: MeasuredShading, surface: Component, tone: Tone
) -> Mapping[str, tuple[Component, ...]]:
    """Return the components of each measurand's uncertainty."""
    study = "fit, and a floor set on our own rendered films (seed 102)"
    lamp = study if found.turned else study + "; slope of the lamp"
    return {
        "corner_shading": (
            Component("fitted surface and coding", found.u_corner, "stops", source=study),
            tone.of_stops(found.corner, found.light, found.light * 2**-found.corner),
            *tone.of_flat_look(found.corner),
            surface,
        ),
        "corner_shading_worst": (
            Component("fitted surface, coding and lamp", found.u_worst, "stops", source=lamp),
            tone.of_stops(found.worst, found.light, found.light * 2**-found.worst),
            *tone.of_flat_look(found.worst),
            surface,
        ),
        "colour_shading": (
            Component("fitted hues and chroma codes", found.u_colour, source=study),
            tone.of_share(found.colour, found.light * 2**-found.worst),
            *tone.of_flat_look(found.colour),
        ),
    }
