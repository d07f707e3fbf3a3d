"""What a plan's picture holds of the ground: its width, a pixel's, and the finest stripe's."""

from __future__ import annotations

import numpy as np

from seeworthy.ground.quantities import Quantity
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import PlannedFlight
from seeworthy.judge.plan.prediction import NO_VIEW, Prediction, judged, not_known

_DETAIL = "Measure sharpness and the angle of view (view or lens) and look at a clip (stream)."


def _distances(flight: PlannedFlight) -> list[tuple[str, Quantity]]:
    if flight.legs:
        return [(f" at {round(leg.time, 2):g} s", leg.distance) for leg in flight.legs]
    distance = flight.get("motion.distance")
    return [("", distance)] if distance is not None else []


def ground_width(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    """Foresee how wide the ground (or what is looked at) in the picture is, m."""
    places = _distances(flight)
    if not places:
        return []
    angle = camera.first("hfov")
    title = "ground width" if flight.word("looks") == "down" else "width in view"
    if angle is None:
        return not_known("ground_width", title, "m", "Measure the angle of view (view or lens).")
    why = "Twice the distance times the tangent of half the angle of view."
    return [
        judged(
            f"ground_width{_slug(where)}", title + where, "m",
            2 * np.maximum(camera.quantity(d), 0) * np.tan(np.radians(angle) / 2), None, why,
        )
        for where, d in places
    ]  # fmt: skip


def _slug(where: str) -> str:
    return where.replace(" at ", "@").replace(" ", "")


def ground_pixel(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    """Foresee what one pixel holds of it, m."""
    places = _distances(flight)
    if not places:
        return []
    focal = camera.focal()
    title = "ground per pixel"
    if focal is None:
        return not_known("ground_pixel", title, "m", NO_VIEW)
    why = "Distance over focal length in pixels; real detail is coarser by the lens."
    return [
        judged(
            f"ground_pixel{_slug(where)}", title + where, "m",
            np.maximum(camera.quantity(d), 0) / focal, flight.accept.get("ground_pixel"), why,
        )
        for where, d in places
    ]  # fmt: skip


def ground_detail(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    """Foresee the narrowest stripe that keeps half of its contrast, cm."""
    places = _distances(flight)
    if not places:
        return []
    title = "finest stripe on the ground" if flight.word("looks") == "down" else "finest stripe"
    stripe = camera.stripe(camera.first("mtf50_ph_centre"))
    if stripe is None:
        return not_known("ground_detail", title, "cm", _DETAIL)
    why = (
        "Height of the picture at that distance over its line widths (LW/PH at half contrast, in "
        "the middle); narrower stripes blur."
    )
    return [
        judged(
            f"ground_detail{_slug(where)}", title + where, "cm",
            100 * np.maximum(camera.quantity(d), 0) * stripe, flight.accept.get("ground_detail"),
            why,
        )
        for where, d in places
    ]  # fmt: skip
