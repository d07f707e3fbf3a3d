"""Numbers as people read them: rounded by their uncertainty, with units of both worlds."""

from __future__ import annotations

import math
import re
from typing import Any

from seeworthy.ground.budget import budget_rows
from seeworthy.ground.measurands import measurand
from seeworthy.ground.quantities import format_parts, format_value
from seeworthy.ground.results import Result
from seeworthy.ground.units import convert
from seeworthy.procedures import finding

_SIGNS = {
    "deg": "°",
    "degC": "°C",
    "degF": "°F",
    "m/s2": "m/s²",
    "ft/s2": "ft/s²",
    "cm3": "cm³",
    "in3": "in³",
    "MiB": "MiB",
}
# What a reader in the United States expects beside the metric figure.
_CUSTOMARY = {
    "mm": "in",
    "g": "oz",
    "m": "ft",
    "m/s": "mph",
    "m/s2": "ft/s2",
    "cm3": "in3",
    "degC": "degF",
    "lx": "fc",
}
# A clock that is right to parts in ten million is not read to the last digit by anybody.
_MOST_DIGITS = 6
_PINT = {"cm3": "centimeter**3", "in3": "inch**3", "g": "gram", "oz": "ounce"}


_TYPED = (
    (re.compile(r"(?<=\d) ?deg ?C\b"), " °C"),
    (re.compile(r"(?<=\d) ?deg ?F\b"), " °F"),
    (re.compile(r"(?<=\d) ?deg\b"), "°"),
    (re.compile(r"\bcm3\b"), "cm³"),
    (re.compile(r"\b(m|ft)/s2\b"), r"\1/s²"),
)


def typed(text: str) -> str:
    """Print a text as people type it with the signs that print has: ``20 degC`` to ``20 °C``."""
    for pattern, to in _TYPED:
        text = pattern.sub(to, text)
    return text


def sign(unit: str) -> str:
    """Write a unit as it is printed."""
    return _SIGNS.get(unit, unit)


def with_unit(text: str, unit: str) -> str:
    """Join number and unit; a degree sign stands close, a unit after a narrow space."""
    if not unit:
        return text
    return f"{text}{sign(unit)}" if unit in {"deg"} else f"{text}\u202f{sign(unit)}"


def number(value: float, u: float) -> str:
    """Round `value` to the digit that its standard uncertainty `u` leaves (two digits of u)."""
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    shown, _ = format_parts(value, u if math.isfinite(u) else 0.0)
    if sum(c.isdigit() for c in shown.lstrip("-0.")) > _MOST_DIGITS and "e" not in shown:
        shown = f"{value:.{max(0, _MOST_DIGITS - 1 - math.floor(math.log10(abs(value))))}f}"
    return "0" if float(shown) == 0 else shown.replace("-", "−")


def value_text(found: Result) -> str:
    """Write the value of a result, or the bound where only one side is known."""
    low, high = found.interval
    if dict(found.conditions).get("bound") == "upper":
        return "at most " + with_unit(number(high, found.u), found.unit)
    if math.isinf(high) and not math.isinf(low):
        return "at least " + with_unit(number(low, found.u), found.unit)
    if math.isinf(low) and not math.isinf(high):
        return "at most " + with_unit(number(high, found.u), found.unit)
    return with_unit(number(found.value, found.u), found.unit)


def interval_text(low: float, high: float, u: float, unit: str) -> str:
    """Write a 95 % interval, both ends to the same digit."""
    ends = number(low, u), number(high, u)
    if ends[0] == ends[1] and low < high and math.isfinite(u):  # narrower than the usual digits
        full = (format_parts(x, u)[0].replace("-", "−") for x in (low, high))
        ends = next(full), next(full)
    return with_unit(f"{ends[0]} to {ends[1]}", unit)


def u_text(found: Result) -> str:
    """Write the standard uncertainty alone."""
    if not (found.u > 0 and math.isfinite(found.u)):
        return "0" if found.u == 0 else "not known"
    return with_unit(format_parts(found.value, found.u)[1], found.unit)


def budget_texts(found: Result) -> tuple[tuple[str, str, str, str, str, str], ...]:
    """Write the budget: component, u, distribution, sensitivity, share, source.

    The largest share comes first; a sensitivity has the result's unit over the component's.
    """
    rows = sorted(budget_rows(found.budget), key=lambda row: -row["share"])
    return tuple(
        (
            row["name"],
            with_unit(f"{row['u']:.2g}", row["unit"]),
            row["distribution"],
            f"{row['sensitivity']:.3g}",
            f"{100 * row['share']:.0f} %",
            row["source"],
        )
        for row in rows
    )


def customary(found: Result) -> str:
    """Write value and interval in US customary units, ``""`` where they are the same."""
    entry = measurand(found.measurand)
    target = _CUSTOMARY.get(found.unit, "") if entry.pint_unit == found.unit else ""
    if not target or not math.isfinite(found.u):
        return ""
    value, low, high = (_convert(x, found.unit, target) for x in (found.value, *found.interval))
    u = abs(_convert(found.value + found.u, found.unit, target) - value)
    shown = with_unit(number(value, u), target)
    return f"{shown} ({number(low, u)} to {number(high, u)})"


def _convert(value: float, source: str, target: str) -> float:
    if math.isinf(value):
        return value
    return convert(value, _PINT.get(source, source), _PINT.get(target, target))


def conditions_text(conditions: Any) -> str:
    """Write the conditions of a result in words: ``method passing, 23 °C``."""
    words = []
    for key, value in dict(conditions).items():
        shown = f"{value:.4g}" if isinstance(value, float) else str(value).replace("_", " ")
        unit = {"temperature": "degC", "light": "lx"}.get(key)
        if unit and isinstance(value, int | float):
            words.append(with_unit(f"{value:.4g}", unit))
        else:
            words.append(f"{key.replace('_', ' ')} {shown}")
    return ", ".join(words)


def finding_name(name: str, of: str = "") -> str:
    """Write the name of a finding of procedure `of`, its unit in brackets: ``roll (°)``."""
    found = finding(name, of)
    return f"{found.words} ({sign(found.unit)})" if found.unit else found.words


def finding_text(value: Any) -> str:
    """Write a finding's plain JSON value for a person."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}".replace("-", "−")
    if isinstance(value, dict):
        if set(value) == {"count", "at"}:
            return _counted(value)
        if {"value", "u"} <= set(value) <= {"value", "u", "unit"}:
            return with_unit(format_value(value["value"], value["u"]), value.get("unit", ""))
        told = {str(k).replace("_", " "): v for k, v in value.items() if v not in (None, "")}
        return ", ".join(f"{k} {finding_text(v)}" for k, v in told.items()) or "–"
    if isinstance(value, list | tuple):
        joint = "; " if any(isinstance(v, dict) for v in value) else ", "
        shown = joint.join(finding_text(v) for v in value[:8])
        return (f"{shown} and {len(value) - 8} more" if len(value) > 8 else shown) or "none"
    return str(value)


def _counted(value: dict[str, Any]) -> str:
    at = list(value["at"])
    if not at:
        return str(value["count"])
    shown = ", ".join(str(x) for x in at[:10])
    more = f" and {len(at) - 10} more" if len(at) > 10 else ""
    return f"{value['count']} (at frame {shown}{more})"
