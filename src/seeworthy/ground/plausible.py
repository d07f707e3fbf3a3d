"""What a reading cannot be: values that only a slip of the finger or of the unit gives.

Wide on purpose. A value outside is refused with its own reading back ("17 kg for a mass?"),
never taken with a warning: it would decide a comparison.
"""

from __future__ import annotations

import datetime as dt

from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.quantities import Quantity

LIMITS = {
    "mm": (0.05, 2000.0, "a length at a small camera"),
    "g": (0.05, 5000.0, "a mass that a small craft lifts"),
    "degC": (-90.0, 100.0, "a temperature at which a camera is tested"),
    "lx": (0.0, 200_000.0, "a light level; the brightest sunlight gives some 120,000 lx"),
    "deg": (-360.0, 360.0, "an angle"),
}
"""Least and most by the unit of the declaration, and what it is of: judgements, but for the sun
(illuminance of direct sunlight at noon, tables of illuminating engineering, from memory) and the
cold (−89.2 °C, the lowest ever read at the ground, from memory)."""


def check_plausible(name: str, found: Quantity) -> Quantity:
    """Return a quantity in its declared unit, or refuse one that cannot be.

    Raises:
        BadQuantity: Outside `LIMITS`, or an uncertainty larger than the whole range.
    """
    known = LIMITS.get(found.unit)
    if known is None:
        return found
    least, most, what = known
    if not least <= found.value <= most:
        raise BadQuantity(
            f"{name}={found.text!r} cannot be {what} ({least:g} to {most:g} {found.unit}).",
            "Check the figure and its unit.",
        )
    if found.u > most - least:
        raise BadQuantity(
            f"The uncertainty of {name}={found.text!r} is larger than all that it can be.",
            "Check the figure after ±.",
        )
    return found


def typed_day(text: str | None, name: str = "") -> dt.date | None:
    """Read a day as a person types it, ``2026-03-21`` or ``today``; None where it is empty.

    Raises:
        WrongCall: Not a date, or one that lies ahead: nothing was measured there yet.
    """
    said = (text or "").strip()
    if not said:
        return None
    today = dt.date.today()
    try:
        found = today if said.casefold() == "today" else dt.date.fromisoformat(said)
    except ValueError:
        raise WrongCall(
            f"'{name} {said}'".replace("' ", "'") + " is not a date.",
            "Write year-month-day, such as 2026-03-21.",
        ) from None
    if found > today + dt.timedelta(days=1):  # it may be tomorrow already where it was typed
        raise WrongCall(f"{said} lies ahead.", "Give the day on which it was measured.")
    return found
