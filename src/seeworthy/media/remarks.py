"""What the lines of text around a logger's table say: units, and the logger's own figures.

>>> told(["Apogee: 2450' AGL", "Units: feet"]).apogee
(2450.0, 'ft')
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from seeworthy.media.cells import is_number, value_of
from seeworthy.media.headers import fits, known_unit

_NUMBER = r"([+-]?\d[\d,.]*)"
_UNIT = r"\s*([A-Za-z'\u2032][A-Za-z/'\u20320-9^²]*)?"
_HEIGHT = re.compile(
    r"(?:apogee|(?:max(?:imum|\.)?|peak|highest)[\s_]*(?:alt\w*|height|agl))"
    r"[^\d\n+-]{0,20}?" + _NUMBER + _UNIT, re.I,
)  # fmt: skip
_SPEED = re.compile(
    r"(?:max(?:imum|\.)?|peak|top)[\s_]*(?:speed|velocity|vel)\b[^\d\n+-]{0,20}?" + _NUMBER + _UNIT,
    re.I,
)
_HEIGHTS_IN = re.compile(
    r"(?:alt\w*|height|agl|units?)\b[^\d\n]{0,24}?[\s:=(\[]"
    r"(feet|foot|ft|met(?:er|re)s?|m)\b", re.I,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """What the text says.

    Attributes:
        apogee, speed: The logger's own figures with their unit (``""`` where it gives none).
        units: Quantity to unit, for all columns of a quantity.
    """

    apogee: tuple[float, str] | None = None
    speed: tuple[float, str] | None = None
    units: dict[str, str] = field(default_factory=dict)


def told(lines: Sequence[str]) -> Told:
    """Read the lines of text of a log."""
    apogee = speed = None
    units: dict[str, str] = {}
    for line in lines:
        apogee = apogee or _figure(_HEIGHT, line, "height")
        speed = speed or _figure(_SPEED, line, "speed")
        found = _HEIGHTS_IN.search(line)
        if found and not re.search(r"\d", line):
            units.setdefault("height", known_unit(found[1]))
    if "height" not in units and apogee is not None and apogee[1]:
        units["height"] = apogee[1]
    return Told(apogee, speed, units)


def _figure(pattern: re.Pattern[str], line: str, quantity: str) -> tuple[float, str] | None:
    found = pattern.search(line)
    if found is None:
        return None
    number = found[1].rstrip(".,")
    if not is_number(number, "."):
        return None
    unit = known_unit(found[2] or "")
    return value_of(number, "."), unit if fits(quantity, unit) else ""
