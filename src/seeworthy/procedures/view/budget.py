"""What the uncertainty of an angle from one distance is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.procedures.view.measure import SQUARENESS, MeasuredView, Station, measure_view


def budget(
    station: Station, settings: Mapping[str, Any], view: MeasuredView, name: str
) -> tuple[Component, ...]:
    """Return the components of ``hfov``, ``vfov`` or ``dfov``.

    Each is what the angle's variance loses when that influence is taken for exact: the
    influences of one distance are independent. (Two distances share readings and are weighed
    by their uncertainties, so that no such sum exists; they have no budget.)
    """
    whole = getattr(view, name)[1]
    width, height, distance = station.width, station.height, station.distance
    exact_width = None if width is None else (width[0], 0.0)
    exact_height = None if height is None else (height[0], 0.0)
    square = settings.get("squareness", SQUARENESS)
    given = settings.get("offset") is not None
    parts = [
        ("distance", distance[1], "m", "normal", "reading",
         replace(station, distance=(distance[0], 0.0)), settings),
        ("entrance pupil behind the front", view.allowed[1], "m",
         "normal" if given else "rectangular",
         "reading" if given else "judgement: 0 to 10 mm", station,
         {**settings, "offset": (view.allowed[0], 0.0)}),
        ("target and tape square to the axis", math.degrees(square), "deg", "normal",
         "reading" if "squareness" in settings else "judgement: 2° by eye", station,
         {**settings, "squareness": 0.0}),
    ]  # fmt: skip
    if width is not None:
        known = replace(station, width=exact_width)
        parts.append(("width", width[1], "m", "normal", "reading", known, settings))
    if height is not None:
        known = replace(station, height=exact_height)
        parts.append(("height", height[1], "m", "normal", "reading", known, settings))
    found = []
    for title, u, unit, shape, source, near, how in parts:
        without = getattr(measure_view([near], **how), name)[1]
        found.append((title, u, unit, shape, source, math.sqrt(max(whole**2 - without**2, 0.0))))
    # Derivatives are taken over steps of u: what is left of their differences is shared out.
    scale = whole / math.hypot(*(f[-1] for f in found))
    signs = {"distance": -1, "width": 1, "height": 1}
    return tuple(
        Component(
            title,
            u,
            unit,
            signs.get(title, 1) * scale * part / u,
            shape,
            source,
            title if title in signs else "",
        )
        for title, u, unit, shape, source, part in found
        if u > 0
    )
