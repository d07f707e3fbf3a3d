"""Numbers with the digits that their interval earns: the one formatter of every face.

Two significant digits of the expanded uncertainty (half the 95 % interval) are kept, and the
value is rounded to the same place (JCGM 100:2008, 7.2.6); what is known exactly, such as a
count, has no ±. JSON and CSV do not come by here: they keep full precision.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from seeworthy.ground.uncertainty import coverage_factor

if TYPE_CHECKING:
    from seeworthy.ground.results import Result

_SIGNS = {
    "deg": "°",
    "degC": "°C",
    "degF": "°F",
    "m/s2": "m/s²",
    "ft/s2": "ft/s²",
    "cm3": "cm³",
    "in3": "in³",
}
# How unlike the two sides of an interval may be for one ± to stand for both: a tenth does not
# change the second digit of most. A judgement.
_EVEN = 0.1
_DECADE = 10.0
_READ = 1e-3


def sign(unit: str) -> str:
    """Write a unit as it is printed."""
    return _SIGNS.get(unit, unit)


def with_unit(text: str, unit: str, space: str = " ") -> str:
    """Join number and unit; a degree sign stands close."""
    if not unit:
        return text
    return f"{text}{sign(unit)}" if unit == "deg" else f"{text}{space}{sign(unit)}"


def format_parts(value: float, spread: float) -> tuple[str, str]:
    """Write value and spread to two significant digits of `spread`, which is empty where it is 0.

    A value without a spread is exact, and keeps six digits where it has as many.
    """
    if not (spread > 0 and math.isfinite(spread) and math.isfinite(value)):
        return f"{value:.0f}" if 1e6 <= abs(value) < 1e15 else f"{value:.6g}", ""
    places = 1 - math.floor(math.log10(spread))
    if float(f"{spread:.1e}") >= 10.0 ** (2 - places):  # 0.0996 rounds up to another digit
        places -= 1
    if places <= 0:
        scale = 10.0**-places
        return f"{round(value / scale) * scale:.0f}", f"{round(spread / scale) * scale:.0f}"
    return f"{value:.{places}f}", f"{spread:.{places}f}"


def number(value: float, spread: float) -> str:
    """Round `value` to the digit that an expanded uncertainty leaves; zero has no sign."""
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    shown, _ = format_parts(value, spread)
    return "0" if float(shown) == 0 else shown.replace("-", "−")


def spread_of(low: float, high: float, u: float = 0.0) -> float:
    """Return the expanded uncertainty that gives the digits: half of the 95 % interval.

    Args:
        u: Standard uncertainty, for intervals that are open at one end.
    """
    if math.isinf(low) or math.isinf(high):
        return expanded(u)
    half = (high - low) / 2
    # Over decades, yet without zero, the end towards zero tells: 0.1 to 40 lx is not "0".
    near = max(low, -high)
    return near if 0 < _DECADE * near < half else half


def expanded(u: float, dof: float = math.inf) -> float:
    """Return the expanded uncertainty of 95 %; 0 where there is none."""
    return coverage_factor(dof) * u if u > 0 and math.isfinite(u) else 0.0


def earned(found: Result, scale: float = 1.0) -> str:
    """Write a result's value alone, times `scale`, to the digits that its interval earns.

    For sentences: five digits or six at most, more is not read.
    """
    spread = max(spread_of(*found.interval, found.u), _READ * abs(found.value))
    return number(scale * found.value, abs(scale) * spread)


def interval_text(low: float, high: float, u: float, unit: str, space: str = " ") -> str:
    """Write a 95 % interval, both ends to the same digit."""
    spread = spread_of(low, high, u)
    return with_unit(f"{number(low, spread)} to {number(high, spread)}", unit, space)


def said(
    value: float, low: float, high: float, unit: str = "", u: float = 0.0, space: str = " "
) -> str:
    """Write a value with its expanded uncertainty: ``62.96° ± 0.12°``, ``8.52 ± 0.12 ms``.

    The ± is left out where the interval is lopsided: the interval is said beside it. Where it is
    open at one end the value is the bound that it is: ``at least 9.8``.
    """
    spread = spread_of(low, high, u)
    shown = number(value, spread)
    if bound := open_end(low, high):
        at = number(low if bound == "at least" else high, spread)
        return f"{bound} {with_unit(at, unit, space)}"
    sides = value - low, high - value
    if not spread > 0 or not math.isfinite(sum(sides)):
        return with_unit(shown, unit, space)
    if abs(sides[0] - sides[1]) > _EVEN * max(sides):
        return with_unit(shown, unit, space)
    spread = (high - low) / 2  # the ± is half of the interval, also where an end gives the digits
    shown, half = format_parts(value, spread)
    shown = shown.replace("-", "−") if float(shown) else format_parts(0.0, spread)[0]
    if unit in ("deg", "%"):  # '5 ± 0.1 %' could be a share of 5
        return f"{with_unit(shown, unit, space)} ± {with_unit(half, unit, space)}"
    return with_unit(f"{shown} ± {half}", unit, space)


def said_u(value: float, u: float, unit: str = "", dof: float = math.inf) -> str:
    """Write a value of standard uncertainty `u` with its expanded one."""
    half = expanded(u, dof)
    return said(value, value - half, value + half, unit)


def said_result(found: Result) -> str:
    """Write a result's value with ±, or as the bound that it is."""
    low, high = found.interval
    if bound_of(found) == "at most":
        low = -math.inf
    return said(found.value, low, high, found.unit, found.u)


def bound_of(found: Result) -> str:
    """Return ``at least`` or ``at most`` where one side alone is known, else ``""``."""
    low, high = found.interval
    if dict(found.conditions).get("bound") == "upper":
        return "at most"
    return open_end(low, high)


def open_end(low: float, high: float) -> str:
    """Return ``at least`` or ``at most`` for an interval that is open at one end, else ``""``."""
    if math.isinf(high) == math.isinf(low):
        return ""
    return "at least" if math.isinf(high) else "at most"
