"""Values with units and uncertainty, typed as people type them.

``60.0 in ± 0.1 in``, ``66 degF``, ``38 mph +/- 2``, ``1/2 in``, ``5 ft 2 in``, ``1:23:40``, ``1 h
23 min``, ``17.2 g ± 0.2 (k=2)``. A bare uncertainty has the unit of the value and is a standard
uncertainty; ``(k=2)`` marks an expanded one, which is divided by k (JCGM 100:2008, 6.2). Where no
uncertainty is typed, the resolution of the typed number is all that is known: a rectangular
distribution one step wide (JCGM 100:2008, F.2.2.1), so ``u = step / sqrt(12)``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from seeworthy.ground.digits import format_parts
from seeworthy.ground.errors import BadQuantity
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.units import (
    check_unit,
    convert,
    factor_between,
    has_offset,
    is_temperature,
    same_dimension,
)

__all__ = ["Quantity", "convert", "format_value", "parse", "same_dimension"]

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_MIXED = re.compile(r"^([+-]?)(?:(\d+)(?:\s+|-))?(\d+)\s*/\s*(\d+)(?![\d/])")
_PLAIN = re.compile(rf"^({_NUMBER})")
_CLOCK = re.compile(r"^(\d+):([0-5]?\d)(?::([0-5]?\d(?:\.\d+)?))?$")
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_COVERAGE = re.compile(r"\(\s*k\s*=\s*(\d+(?:\.\d*)?)\s*\)\s*$", re.I)
_LARGER = re.compile(r"^(\d+)\s*([A-Za-z]+|'|′)\s*(?=[\d.])(.*)$")
_GROUPED = re.compile(r"^([+-]?[1-9]\d{0,2}(?: \d{3})+)(?=$|[^\d ]| [^\d/]|\.\d)")
_LONG_TIMES = ("min", "h", "minute", "hour")
_HOURS_OF_A_DAY = 24  # more are no hours: ``90:00`` is minutes
_WHOLE = {"h": "an hour", "min": "a minute", "ft": "a foot", "lb": "a pound"}
_LONGEST = 200  # characters: no value is longer, and patterns are not tried on more (a judgement)

# Pasted characters that mean the same as typed ones.
_TYPED = str.maketrans(
    {"−": "-", "–": "-", "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8"}
    | {"⁄": "/", "℃": "°C", "℉": "°F"}
    | {"⅝": " 5/8", "⅞": " 7/8", "\u00a0": " ", "\u202f": " ", "\u2009": " "}
)
_SHORT = {
    **dict.fromkeys(("ft", "feet", "foot", "'", "′"), "ft"),
    **dict.fromkeys(("in", "inch", "inches", '"', "″", "''"), "in"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "lb"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "oz"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
}
_PER_LARGER = {
    ("ft", "in"): 12,
    ("lb", "oz"): 16,
    ("h", "min"): 60,
    ("h", "s"): 3600,
    ("min", "s"): 60,
}
_EXAMPLE = f"Write it like '{EXAMPLES['view.distance']}'."


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with unit and standard uncertainty.

    Attributes:
        unit: As typed or asked for; ``""`` for a plain number.
        u: Standard uncertainty, same unit (kelvin-sized degrees for temperatures).
        stated: False when `u` is only the resolution of the typed number.
        text: What was typed.
    """

    value: float
    unit: str
    u: float
    stated: bool = True
    text: str = ""

    def to(self, unit: str) -> Quantity:
        """Convert to another unit of the same dimension.

        Raises:
            BadQuantity: The dimensions differ.
        """
        if unit == self.unit:
            return self
        value = convert(self.value, self.unit, unit, self.text)
        # The uncertainty is a difference: it scales, but it has no offset (degF).
        u = self.u * abs(factor_between(self.unit, unit, self.text))
        return Quantity(value, unit, u, self.stated, self.text)

    def to_json(self) -> dict[str, Any]:
        """Return ``{"value", "unit", "u"}``."""
        return {"value": self.value, "unit": self.unit, "u": self.u}

    def __str__(self) -> str:
        return format_value(self.value, self.u, self.unit)


def parse(
    text: str, unit: str | None = None, *, positive: bool = False, bare: bool = True
) -> Quantity:
    """Read a quantity as typed.

    Args:
        text: ``VALUE UNIT [± U [UNIT]] [(k=K)]``. A percentage after ± is a share of the value,
            unless the value itself is in percent.
        unit: Convert to this unit; a bare number is taken to have it.
        positive: Refuse zero and negative values.
        bare: False where a person types what was read: a number without a unit is asked for it,
            unless it is a count, a ratio or pixels, and ``± 0`` is refused (a plan may wish so).

    Returns:
        In `unit` when given, else as typed.

    Raises:
        BadQuantity: With the reason and an example.
    """
    shown = " ".join(str(text).translate(_TYPED).split())
    if not shown:
        raise BadQuantity("The value is empty.", _EXAMPLE)
    if len(shown) > _LONGEST:
        raise BadQuantity(f"'{shown[:40]}…' is too long for a value.", _EXAMPLE)
    if not bare and unit not in (None, "", *_COUNTED) and _has_no_unit(shown):
        raise BadQuantity(
            f"'{shown}' has no unit.",
            f"Write '{shown.partition('±')[0].strip()} {unit}', or another unit of the same kind.",
        )
    try:
        quantity = _parse(shown, unit)
    except (OverflowError, ValueError):  # more digits or a larger exponent than numbers have
        raise BadQuantity(f"'{shown}' is not a finite number.", _EXAMPLE) from None
    if not bare and quantity.stated and quantity.u == 0:
        raise BadQuantity(
            f"'{shown}': nothing is read without any uncertainty.",
            "Write how well it can be read, such as half a mark, or leave the ± out.",
        )
    if not (math.isfinite(quantity.value) and math.isfinite(quantity.u)):
        raise BadQuantity(f"'{shown}' is not a finite number.", _EXAMPLE)
    if positive and not quantity.value > 0:
        raise BadQuantity(f"'{shown}' must be above zero.", "Check the sign and the digits.")
    return quantity


_COUNTED = ("px", "cy/px", "LW/PH")


def _has_no_unit(shown: str) -> bool:
    body = _COVERAGE.sub("", shown).strip()
    numbers = rf"(?:{_NUMBER}|[+-]?(?:\d+(?:\s+|-))?\d+\s*/\s*\d+)"
    return all(re.fullmatch(numbers, part.strip()) for part in _PLUS_MINUS.split(body))


def _parse(shown: str, unit: str | None) -> Quantity:
    body, cover = shown, 1.0
    coverage = _COVERAGE.search(body)
    if coverage:
        cover, body = float(coverage.group(1)), body[: coverage.start()].strip()
        if not cover > 0:
            raise BadQuantity(f"'{shown}': the coverage factor must be above zero.", "Write (k=2).")
    parts = [part.strip() for part in _PLUS_MINUS.split(body)]
    if len(parts) > 2:
        raise BadQuantity(f"'{shown}' has more than one ±.", _EXAMPLE)
    if not all(parts):
        raise BadQuantity(f"'{shown}' lacks a number beside the ±.", _EXAMPLE)
    value, step, found = _value_and_unit(parts[0], unit)
    if len(parts) == 2:
        if re.fullmatch(_NUMBER, parts[0]):  # '20 ± 0.5 in': the unit at the end serves both
            tail = _in_context(_number(parts[1])[2].strip(), unit)
            found = tail if tail and tail != "%" else found
        u = _uncertainty(parts[1], value, found, unit, shown) / cover
    elif coverage:
        raise BadQuantity(f"'{shown}' has a k but no ±.", "Write '17.2 g ± 0.2 g (k=2)'.")
    else:
        u = step / math.sqrt(12)
    quantity = Quantity(value, found, u, len(parts) == 2, shown)
    if is_temperature(found) and convert(value, found, "kelvin", shown) < 0:
        raise BadQuantity(f"'{shown}' is below absolute zero.", "Check the sign and the unit.")
    return quantity if unit is None else quantity.to(unit)


def _number(text: str) -> tuple[float, float, str]:
    """Return value, step of the last digit, and what follows the number."""
    mixed = _MIXED.match(text)
    if mixed:
        sign, whole, top, bottom = mixed.groups()
        if int(bottom) == 0:
            raise BadQuantity(f"'{text}' divides by zero.", "Write a fraction such as 1/2.")
        value = int(whole or 0) + int(top) / int(bottom)
        return (-value if sign == "-" else value), 1 / int(bottom), text[mixed.end() :]
    grouped = _GROUPED.match(text)
    if grouped:  # 20 000 lx, as the SI Brochure writes it (9th edition, 5.4.4)
        text = grouped.group(1).replace(" ", "") + text[grouped.end() :]
    plain = _PLAIN.match(text)
    if not plain:
        raise BadQuantity(f"'{text}' does not start with a number.", _EXAMPLE)
    digits = plain.group(1)
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", digits):
        raise BadQuantity(
            f"'{digits}' can be read in two ways.",
            "Write thousands without a comma, decimals with a point.",
        )
    digits = digits.replace(",", ".")
    if float(digits) == 0 and re.search(r"[1-9]", digits.lower().partition("e")[0]):
        raise BadQuantity(f"'{text}' is too small to be told from nothing.", _EXAMPLE)
    mantissa, _, exponent = digits.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    rest = text[plain.end() :]
    if re.match(r"[\d.,]", rest):
        raise BadQuantity(f"'{text}' is not a number.", "Write it like '60.25 in'.")
    return float(digits), 10.0 ** (int(exponent or 0) - decimals), rest


def _value_and_unit(text: str, default: str | None) -> tuple[float, float, str]:
    """Return value, step and unit of ``60.0 in``, ``5 ft 2 in``, ``1:23:40``."""
    clock = _CLOCK.match(text)
    if clock:
        hours, minutes, seconds = clock.groups()
        if seconds is None and default in _LONG_TIMES and int(hours) < _HOURS_OF_A_DAY:
            raise BadQuantity(
                f"'{text}' can be hours and minutes, or minutes and seconds.",
                f"Write {int(hours)} h {int(minutes)} min, or {int(hours)} min {int(minutes)} s.",
            )
        if seconds is None:  # 38:30 is minutes and seconds, as a stop watch shows it
            return int(hours) * 60.0 + int(minutes), 1.0, "s"
        step = 10.0 ** -len(seconds.partition(".")[2])
        return int(hours) * 3600.0 + int(minutes) * 60 + float(seconds), step, "s"
    larger = _LARGER.match(text)
    if larger and larger.group(2) in _SHORT:  # not the 'e' of 1e3
        value, step, small = _value_and_unit(larger.group(3).strip(), None)
        small = _SHORT.get(small, small)
        larger_name = _SHORT[larger.group(2)]
        ratio = _PER_LARGER.get((larger_name, small))
        if ratio is None:
            raise BadQuantity(f"'{text}' is not one value.", "Write it like '5 ft 2 1/2 in'.")
        if value >= ratio:
            raise BadQuantity(
                f"'{text}': {value:g} {small} is {_WHOLE[larger_name]} or more.",
                "Check the digits.",
            )
        return int(larger.group(1)) * ratio + value, step, small
    value, step, rest = _number(text)
    name = _in_context(rest.strip(), default)
    if not name:
        return value, step, default or ""
    check_unit(name)
    return value, step, name


def _in_context(name: str, wanted: str | None) -> str:
    """Return what a unit means where `wanted` is asked for: ``6.3 g`` of acceleration."""
    if name in ("g", "G") and wanted and same_dimension(wanted, "m/s2"):
        return "standard_gravity"
    return name


def _uncertainty(text: str, value: float, unit: str, wanted: str | None, shown: str) -> float:
    u, _, rest = _number(text)
    name = _in_context(rest.strip(), wanted)
    if u < 0:
        raise BadQuantity(f"'{shown}': an uncertainty cannot be negative.", "Write '± 0.1'.")
    if name == "%" and unit != "%":
        if unit and has_offset(unit):
            raise BadQuantity(
                f"'{shown}': a share of a temperature depends on the scale.",
                "Write the uncertainty in degrees, '20 degC ± 0.5'.",
            )
        return abs(value) * u / 100
    return u * abs(factor_between(name, unit, shown)) if name and name != unit else u


def format_value(value: float, u: float, unit: str = "") -> str:
    """Write a quantity as it is typed: ``8.52 ± 0.06 ms``, `u` standard. `parse` reads it back.

    For people, results are written by `seeworthy.ground.digits`.
    """
    tail = f" {unit}" if unit else ""
    shown, spread = format_parts(value, u)
    # '5 ± 0.1 %' could be a share of 5: percent is written twice.
    middle = " % ± " if unit == "%" else " ± "
    return f"{shown}{middle}{spread}{tail}" if spread else f"{shown}{tail}"
