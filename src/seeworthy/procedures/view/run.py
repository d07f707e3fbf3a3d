"""Run of `view`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import expanded, number, said
from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.view.budget import budget
from seeworthy.procedures.view.measure import PUPIL, MeasuredView, Station, measure_view

_KIND = "tape: straight-line geometry; where the lens bends lines the true edge ray differs"


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return the angles that the readings carry."""
    stations = _stations(inputs)
    squareness = inputs.reading("squareness")
    settings: dict[str, Any] = {
        "offset": _pair(inputs.reading("entrance_offset")),
        "aspect": _aspect(inputs.option("aspect")),
    }
    if squareness is not None:
        settings["squareness"] = math.radians(squareness.value)
    view = measure_view(stations, **settings)
    findings: dict[str, Any] = {"angle_kind": _KIND}
    warnings = []
    if len(stations) == 2:
        findings.update(_cross_check(stations, view, settings))
    elif settings["offset"] is None:
        warnings.append(_unknown_offset(stations[0], view))
    warnings += _doubt_pixels(view, inputs)
    results = _results(view, stations, settings)
    return Outcome(
        tuple(results),
        findings,
        tuple(warnings),
        figures=_figures(stations[-1], view),
        method="tape",
        sentence=_sentence(view),
    )


def _pair(quantity: Quantity | None) -> tuple[float, float] | None:
    return None if quantity is None else (quantity.value, quantity.u)


def _stations(inputs: Inputs) -> list[Station]:
    """Return the one or two set-ups, near one first."""
    found = []
    for suffix in ("", "2"):
        width, height = inputs.reading(f"width{suffix}"), inputs.reading(f"height{suffix}")
        distance = inputs.reading(f"distance{suffix}")
        if width is None and height is None and distance is None:
            continue
        if distance is None or (width is None and height is None):
            raise WrongCall(
                f"A set-up needs distance{suffix} and width{suffix} or height{suffix}.",
                f"Add {as_options(f'view.width{suffix}')} or height{suffix}.",
            )
        found.append(Station((distance.value, distance.u), _pair(width), _pair(height)))
    if not found:
        raise WrongCall("No set-up was given.", f"Add {as_options('view.width', 'view.distance')}.")
    if len(found) == 2 and any(
        (getattr(found[0], side) is None) != (getattr(found[1], side) is None)
        for side in ("width", "height")
    ):
        raise WrongCall(
            "The two set-ups do not give the same sides.",
            "Give width and width2, or height and height2.",
        )
    return sorted(found, key=lambda station: station.distance[0])


def _aspect(text: str) -> float | None:
    """Read ``16:9``, ``1280x720`` or ``1.78``."""
    if not text:
        return None
    try:
        parts = [float(part) for part in text.lower().replace("x", ":").split(":")]
        ratio = parts[0] / parts[1] if len(parts) == 2 else parts[0]
    except (ValueError, ZeroDivisionError):
        ratio = math.nan
        parts = []
    if len(parts) not in (1, 2) or not 0.05 < ratio < 20:
        raise BadQuantity(f"'{text}' is not a frame's width to height.", "Write 16:9 or 1280x720.")
    return ratio


def _results(view: MeasuredView, stations: list[Station], settings: dict[str, Any]) -> list[Result]:
    results = []
    for name in ("hfov", "vfov", "dfov"):
        pair = getattr(view, name)
        if pair is not None:
            method = "tape, square pixels" if name in view.from_aspect else "tape"
            parts = budget(stations, settings, view, name) if pair[1] > 0 else ()
            results.append(
                result(
                    name, *pair, n=len(stations), conditions={"method": method}, budget=parts
                )
            )  # fmt: skip
    if view.offset is not None:
        value, u = view.offset
        results.append(
            result(
                "entrance_offset",
                value * 1e3,
                n=len(stations),
                conditions={"method": "tape"},
                budget=(
                    Component("tape and widths at two distances", u, "m", 1e3, source="reading"),
                ),
            )
        )
    return results


def _cross_check(
    stations: list[Station], view: MeasuredView, settings: Mapping[str, Any]
) -> dict[str, Any]:
    """Compare with what the farther set-up alone says, its offset unknown."""
    alone = measure_view(stations[1:], **settings)
    found: dict[str, Any] = {}
    agree = True
    for name in ("hfov", "vfov"):
        one, two = getattr(alone, name), getattr(view, name)
        if one is None or two is None or name in view.from_aspect:
            continue
        found[f"{name}_one_distance"] = {"value": one[0], "u": one[1], "unit": "deg"}
        agree = agree and abs(one[0] - two[0]) <= 2 * math.hypot(one[1], two[1])
    return {**found, "methods_agree": agree}


def _unknown_offset(station: Station, view: MeasuredView) -> str:
    name = "hfov" if view.hfov is not None and "hfov" not in view.from_aspect else "vfov"
    angle = getattr(view, name)[0]
    room = (PUPIL[1] - PUPIL[0]) / 2
    half = room / station.distance[0] * math.degrees(math.sin(math.radians(angle)))
    return (
        "The tape starts at the front of the lens, but the rays meet in the entrance pupil some "
        f"millimetres behind it: {PUPIL[0] * 1e3:.0f} to {PUPIL[1] * 1e3:.0f} mm, or {half:.2f}° "
        "either way, is in the uncertainty. A second, larger distance removes this."
    )


def _doubt_pixels(view: MeasuredView, inputs: Inputs) -> list[str]:
    """Compare the measured sides with the frame's pixel counts."""
    aspect = _aspect(inputs.option("aspect"))
    if aspect is None or view.from_aspect or view.hfov is None or view.vfov is None:
        return []
    tangents = [math.tan(math.radians(pair[0]) / 2) for pair in (view.hfov, view.vfov)]
    shares = [
        math.radians(pair[1]) / math.sin(math.radians(pair[0])) for pair in (view.hfov, view.vfov)
    ]
    pixel = tangents[0] / tangents[1] / aspect
    if abs(pixel - 1) <= max(0.01, 2.5 * math.hypot(*shares)):
        return []
    return [
        f"Width and height of the view fit pixels {pixel:.3f} as wide as high, not square ones: "
        "run `pixel-aspect`."
    ]


def _figures(station: Station, view: MeasuredView) -> tuple[Figure, ...]:
    """Draw the angle to scale, seen from above (or from the side)."""
    side = "width" if station.width is not None else "height"
    pair, size = (view.hfov, station.width) if side == "width" else (view.vfov, station.height)
    if pair is None or size is None:
        return ()
    offset = view.offset[0] if view.offset else view.allowed[0]
    depth = station.distance[0] + offset
    # The target stands among the points of the rays, so that no line is broken there.
    along = sorted([*(1.15 * depth * i / 20 for i in range(21)), depth])
    angle, u = pair
    least, most = interval(angle, u)
    slopes = [math.tan(math.radians(a) / 2) for a in (least, angle, most)]
    names = ("along", "edge", "low", "high", "part", "target")
    rows: list[tuple[Any, ...]] = []
    for sign, part in ((1, "one edge"), (-1, "other edge")):
        for x in along:
            low, middle, high = sorted(sign * x * slope for slope in slopes)
            target = sign * size[0] / 2 if x == depth else None
            rows.append((x - offset, middle, low, high, part, target))
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=True))
    across = "side to side" if side == "width" else "bottom to top"
    return (
        Figure(
            "view",
            f"Angle of view, {across}, to scale",
            f"{said(angle, least, most, 'deg')} (95 %); the band is the uncertainty of the edge "
            "rays.",
            columns,
            Axis("along", "distance from the lens front", "m"),
            Axis("edge", across, "m"),
            (
                Mark("band", low="low", high="high", series="part"),
                Mark("line", y="edge", series="part"),
                Mark("points", y="target", label="edges of the target"),
            ),
            equal=True,
        ),
    )


def _sentence(view: MeasuredView) -> str:
    if view.hfov is not None:
        value, where = view.hfov, "from side to side"
    elif view.vfov is not None:
        value, where = view.vfov, "from top to bottom"
    else:
        return ""
    ground = 2 * math.tan(math.radians(value[0]) / 2)
    wide = math.radians(expanded(value[1])) / math.cos(math.radians(value[0]) / 2) ** 2
    shown = said(value[0], *interval(*value), "deg")
    return f"You see {shown} {where}: {number(ground, wide)} m of land for every metre of distance."
