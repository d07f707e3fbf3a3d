"""Numbers as people read them: rounded by their uncertainty, with units of both worlds."""

from __future__ import annotations

import math
import re
from typing import Any

from seeworthy.ground import digits
from seeworthy.ground.budget import budget_rows
from seeworthy.ground.digits import (
    bound_of,
    format_parts,
    number,
    open_end,
    said_u,
    sign,
    spread_of,
)
from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Result
from seeworthy.ground.units import convert
from seeworthy.procedures import finding

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
_NARROW = "\u202f"
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


def with_unit(text: str, unit: str) -> str:
    """Join number and unit; a degree sign stands close, a unit after a narrow space."""
    return digits.with_unit(text, unit, _NARROW)


def value_text(found: Result) -> str:
    """Write the value of a result, or the bound where only one side is known."""
    low, high = found.interval
    if bound_of(found) == "at most":
        low = -math.inf
    return figure(found.value, low, high, found.unit, found.u)


def figure(value: float, low: float, high: float, unit: str, u: float = 0.0) -> str:
    """Write a value to the digit that its 95 % interval leaves, the interval stands beside it.

    Where the interval is open at one end, the value is written as the bound that it is.
    """
    spread, bound = spread_of(low, high, u), open_end(low, high)
    at = low if bound == "at least" else high if bound else value
    return f"{bound} {with_unit(number(at, spread), unit)}".strip()


def interval_text(low: float, high: float, u: float, unit: str) -> str:
    """Write a 95 % interval, both ends to the same digit."""
    return digits.interval_text(low, high, u, unit, _NARROW)


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
    spread = spread_of(low, high, u)
    shown = with_unit(number(value, spread), target)
    return f"{shown} ({number(low, spread)} to {number(high, spread)})"


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
            return said_u(value["value"], value["u"], value.get("unit", ""))
        said = {str(k).replace("_", " "): v for k, v in value.items() if v not in (None, "")}
        return ", ".join(f"{k} {finding_text(v)}" for k, v in said.items()) or "–"
    if isinstance(value, list | tuple):
        if len(value) > 2 and all(isinstance(v, list) and len(v) > 4 for v in value):
            told = [v for row in value for v in row if v is not None]  # a map: its ends
            ends = f", {finding_text(min(told))} to {finding_text(max(told))}" if told else ""
            return f"{len(value)} rows of {len(value[0])}{ends}"
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
