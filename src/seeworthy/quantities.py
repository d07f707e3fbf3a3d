"""Values with units and uncertainty, typed as people type them.

``58 in ± 0.1 in``, ``71 degF``, ``60 mph +/- 2``, ``1/2 in``, ``5 ft 2 in``,
``1:42:10``, ``16.6 g ± 0.2 (k=2)``. A bare uncertainty has the unit of the value
and is a standard uncertainty; ``(k=2)`` marks an expanded one, which is divided
by k (JCGM 100:2008, 6.2). Where no uncertainty is typed, the resolution of the
typed number is all that is known: a rectangular distribution one step wide
(JCGM 100:2008, F.2.2.1), so ``u = step / sqrt(12)``.

Units come from Pint; it is imported on first use because it is slow to start.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from seeworthy.errors import BadQuantity

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_MIXED = re.compile(r"^([+-]?)(?:(\d+)\s+)?(\d+)\s*/\s*(\d+)(?![\d/])")
_PLAIN = re.compile(rf"^({_NUMBER})")
_CLOCK = re.compile(r"^(\d+):([0-5]?\d)(?::([0-5]?\d(?:\.\d+)?))?$")
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-|\+/−)\s*")
_COVERAGE = re.compile(r"\(\s*k\s*=\s*([0-9.]+)\s*\)\s*$", re.I)
_FEET_INCHES = re.compile(
    r"^(\d+)\s*(?:ft|feet|foot|'|′)\s*([\d./ ]+?)\s*(?:in|inch|inches|\"|″|'')$"
)

# What people type, and what the units library calls it.
_ALIASES = {
    "°": "degree",
    "deg": "degree",
    "°C": "degC",
    "C": "degC",
    "celsius": "degC",
    "degc": "degC",
    "°F": "degF",
    "F": "degF",
    "fahrenheit": "degF",
    "degf": "degF",
    '"': "inch",
    "″": "inch",
    "'": "foot",
    "′": "foot",
    "mph": "mile/hour",
    "kph": "kilometer/hour",
    "kmh": "kilometer/hour",
    "km/h": "kilometer/hour",
    "fps": "1/second",
    "lux": "lux",
    "lx": "lux",
    "fc": "footcandle",
    "footcandles": "footcandle",
    "%": "percent",
    "gee": "standard_gravity",
    "gees": "standard_gravity",
    "Gs": "standard_gravity",
    "g0": "standard_gravity",
    "kbps": "kilobit/second",
    "Mbps": "megabit/second",
    "Mb/s": "megabit/second",
    "bps": "bit/second",
    "mins": "minute",
    "hrs": "hour",
    "hr": "hour",
    "stops": "stop",
    "cy/px": "cycle_per_px",
    "µs": "microsecond",
    "μs": "microsecond",
    "m/s2": "meter/second**2",
    "m/s^2": "meter/second**2",
    "m/s²": "meter/second**2",
    "ft/s2": "foot/second**2",
    "ft/s^2": "foot/second**2",
    "cm3": "centimeter**3",
    "cc": "centimeter**3",
    "GB": "gigabyte",
    "MB": "megabyte",
    "dBFS": "decibel_number",
    "dB": "decibel_number",
    "px": "pixel",
    "k": "kilo",
    "rpm": "revolutions_per_minute",
    "ppm": "ppm",
    "mAh": "milliampere*hour",
    "Ah": "ampere*hour",
    "Wh": "watt*hour",
    "cd/m2": "candela/meter**2",
    "hPa": "hectopascal",
    "inHg": "inch_Hg",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with unit and standard uncertainty.

    Attributes
    ----------
    value : float
    unit : str
        As typed or asked for; ``""`` for a plain number.
    u : float
        Standard uncertainty, same unit (kelvin-sized degrees for temperatures).
    stated : bool
        False when `u` is only the resolution of the typed number.
    text : str
        What was typed.
    """

    value: float
    unit: str
    u: float
    stated: bool = True
    text: str = ""

    def to(self, unit: str) -> Quantity:
        """Convert to another unit of the same dimension.

        Raises
        ------
        BadQuantity
            The dimensions differ.
        """
        if unit == self.unit:
            return self
        value = convert(self.value, self.unit, unit, self.text)
        # The uncertainty is a difference: it scales, but it has no offset (degF).
        shifted = convert(self.value + self.u, self.unit, unit, self.text)
        return Quantity(value, unit, abs(shifted - value), self.stated, self.text)

    def to_json(self) -> dict[str, Any]:
        """Return ``{"value", "unit", "u"}``."""
        return {"value": self.value, "unit": self.unit, "u": self.u}

    def __str__(self) -> str:
        return format_value(self.value, self.u, self.unit)


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    ureg: Any = pint.UnitRegistry(cache_folder=None)
    ureg.define("footcandle = lumen / foot ** 2 = fc")
    ureg.define("stop = [] ")
    ureg.define("cycle_per_px = [spatial_frequency]")
    ureg.define("decibel_number = [level]")
    ureg.define("light_value = [exposure_value] = EV")
    return ureg


@lru_cache(maxsize=512)
def _unit(name: str) -> Any:
    text = _ALIASES.get(name, name)
    try:
        return _registry().parse_units(text) if text else _registry().dimensionless
    except Exception:  # Pint raises a dozen kinds here, tokenizer errors among them
        raise BadQuantity(
            f"'{name}' is not a unit that Seeworthy knows.",
            "Write units such as mm, in, ft, m, g, oz, s, min, h, degC, degF, mph, m/s, lx, Hz.",
        ) from None


@lru_cache(maxsize=1024)
def _affine(source: str, target: str) -> tuple[float, float]:
    """Return (factor, offset) with ``target = factor * source + offset``."""
    a, b = _unit(source), _unit(target)
    ureg = _registry()
    zero = ureg.Quantity(0.0, a).to(b).magnitude
    one = ureg.Quantity(1.0, a).to(b).magnitude
    return one - zero, zero


def convert(value: float, source: str, target: str, text: str = "") -> float:
    """Convert a number between two units.

    Raises
    ------
    BadQuantity
        Unknown unit, or another dimension.
    """
    if source == target:
        return value
    _unit(source)
    _unit(target)
    try:
        factor, offset = _affine(source, target)
    except Exception:
        shown = text or f"{value:g} {source}"
        want = target or "a plain number"
        raise BadQuantity(
            f"'{shown}' is not in a unit that can be turned into {want}.",
            f"Type it in {want} or another unit of the same kind.",
        ) from None
    return factor * value + offset


def same_dimension(a: str, b: str) -> bool:
    """Tell whether two units measure the same kind of quantity."""
    return bool(_unit(a).dimensionality == _unit(b).dimensionality)


def _number(text: str) -> tuple[float, float, str]:
    """Return value, step of the last digit, and what follows the number."""
    mixed = _MIXED.match(text)
    if mixed:
        sign, whole, top, bottom = mixed.groups()
        if int(bottom) == 0:
            raise BadQuantity(f"'{text}' divides by zero.", "Write a fraction such as 1/2.")
        value = int(whole or 0) + int(top) / int(bottom)
        return (-value if sign == "-" else value), 1 / int(bottom), text[mixed.end() :]
    plain = _PLAIN.match(text)
    if not plain:
        raise BadQuantity(
            f"'{text}' does not start with a number.", "Write it like '58 in ± 0.1 in'."
        )
    digits = plain.group(1)
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", digits):
        raise BadQuantity(
            f"'{digits}' can be read in two ways.",
            "Write thousands without a comma, decimals with a point.",
        )
    digits = digits.replace(",", ".")
    mantissa, _, exponent = digits.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    rest = text[plain.end() :]
    if re.match(r"[\d.,]", rest):
        raise BadQuantity(f"'{text}' is not a number.", "Write it like '58.25 in'.")
    return float(digits), 10.0 ** (int(exponent or 0) - decimals), rest


def parse(text: str, unit: str | None = None, *, positive: bool = False) -> Quantity:
    """Read a quantity as typed.

    Parameters
    ----------
    text : str
        ``VALUE UNIT [± U [UNIT]] [(k=K)]``.
    unit : str, optional
        Convert to this unit; a bare number is taken to have it.
    positive : bool
        Refuse zero and negative values.

    Returns
    -------
    Quantity
        In `unit` when given, else as typed.

    Raises
    ------
    BadQuantity
        With the reason and an example.
    """
    shown = " ".join(str(text).split())
    if not shown:
        raise BadQuantity("The value is empty.", "Write it like '58 in ± 0.1 in'.")
    body, cover = shown, 1.0
    coverage = _COVERAGE.search(body)
    if coverage:
        cover, body = float(coverage.group(1)), body[: coverage.start()].strip()
        if not cover > 0:
            raise BadQuantity(f"'{shown}': the coverage factor must be above zero.", "Write (k=2).")
    parts = _PLUS_MINUS.split(body)
    if len(parts) > 2:
        raise BadQuantity(f"'{shown}' has more than one ±.", "Write it like '58 in ± 0.1 in'.")
    value, step, found = _value_and_unit(parts[0].strip(), unit)
    if len(parts) == 2:
        # '20 ± 0.5 in': the unit at the end serves both.
        if re.fullmatch(_NUMBER, parts[0].strip()):
            tail = _number(parts[1].strip())[2].strip()
            found = tail if tail and tail != "%" else found
        u = _uncertainty(parts[1].strip(), value, found, shown)
        quantity = Quantity(value, found, u / cover, True, shown)
    else:
        if coverage:
            raise BadQuantity(f"'{shown}' has a k but no ±.", "Write '16.6 g ± 0.2 g (k=2)'.")
        quantity = Quantity(value, found, step / math.sqrt(12), False, shown)
    if not (math.isfinite(quantity.value) and math.isfinite(quantity.u)):
        raise BadQuantity(f"'{shown}' is not a finite number.", "Write it like '58 in ± 0.1 in'.")
    if unit is not None:
        quantity = quantity.to(unit)
    if positive and not quantity.value > 0:
        raise BadQuantity(f"'{shown}' must be above zero.", "Check the sign and the digits.")
    return quantity


def _value_and_unit(text: str, default: str | None) -> tuple[float, float, str]:
    clock = _CLOCK.match(text)
    if clock:
        hours, minutes, seconds = clock.groups()
        if seconds is None:  # 42:10 is minutes and seconds, as a stop watch shows it
            return int(hours) * 60.0 + int(minutes), 1.0, "s"
        step = 10.0 ** -len(seconds.partition(".")[2])
        return int(hours) * 3600.0 + int(minutes) * 60 + float(seconds), step, "s"
    feet = _FEET_INCHES.match(text)
    if feet:
        inches, step, rest = _number(feet.group(2).strip())
        if rest.strip():
            raise BadQuantity(f"'{text}' is not a length.", "Write it like '5 ft 2 1/2 in'.")
        return int(feet.group(1)) * 12 + inches, step, "in"
    value, step, rest = _number(text)
    name = rest.strip()
    if not name:
        return value, step, default or ""
    _unit(name)
    return value, step, name


def _uncertainty(text: str, value: float, unit: str, shown: str) -> float:
    u, _, rest = _number(text)
    name = rest.strip()
    if u < 0:
        raise BadQuantity(f"'{shown}': an uncertainty cannot be negative.", "Write '± 0.1'.")
    if name == "%" and unit != "%":
        return abs(value) * u / 100
    if name and name != unit:
        zero = convert(0.0, name, unit, shown)
        u = abs(convert(u, name, unit, shown) - zero)
    return u


def coverage_factor(dof: float = math.inf, coverage: float = 0.95) -> float:
    """Return the two-sided coverage factor of Student's t (JCGM 100:2008, Table G.2).

    Parameters
    ----------
    dof : float
        Degrees of freedom, need not be whole; infinity gives the normal factor.
    coverage : float
        Probability inside, 0 to 1.
    """
    from scipy import special

    p = 0.5 + coverage / 2
    if math.isinf(dof):
        return float(special.ndtri(p))
    if not dof > 0:
        raise ValueError("degrees of freedom must be above zero")
    return float(special.stdtrit(dof, p))


def effective_dof(parts: list[tuple[float, float]]) -> float:
    """Return the Welch–Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1).

    Parameters
    ----------
    parts : list of (u_i, dof_i)
        Contributions to the combined uncertainty, all in the unit of the result.
    """
    total = sum(u * u for u, _ in parts) ** 2
    bottom = sum(u**4 / dof for u, dof in parts if not math.isinf(dof))
    return total / bottom if bottom > 0 else math.inf


def format_value(value: float, u: float, unit: str = "") -> str:
    """Write a value with its uncertainty, to two significant digits of `u`.

    ``8.52 ± 0.06 ms``; JCGM 100:2008, 7.2.6.
    """
    tail = f" {unit}" if unit and unit != "%" else unit
    if not (u > 0 and math.isfinite(u)):
        return f"{value:.6g}{tail}"
    places = 1 - math.floor(math.log10(u))
    if float(f"{u:.1e}") >= 10.0 ** (2 - places):  # 0.0996 rounds up to another digit
        places -= 1
    if places <= 0:
        scale = 10.0**-places
        return f"{round(value / scale) * scale:.0f} ± {round(u / scale) * scale:.0f}{tail}"
    return f"{value:.{places}f} ± {u:.{places}f}{tail}"
