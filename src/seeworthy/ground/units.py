"""Units as people write them, turned into each other by Pint.

Pint is imported on first use because it is slow to start, and the commonest units never
need it (`seeworthy.ground.common_units`). Three of its traps are
closed here: bits and steradians get dimensions of their own (Pint has neither, so
``30 Hz`` would pass for a bit rate and ``100 cd/m2`` for 100 lx), an uncertainty
never takes the offset of a temperature scale, and text goes to its expression
reader only when it looks like a unit (``m**9**9**9`` would never return).
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Any

from seeworthy.ground.common_units import KINDS, affine, is_scale
from seeworthy.ground.errors import BadQuantity

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
    "''": "inch",
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
    "milli_gee": "millistandard_gravity",
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
    "LW/PH": "line_width_per_ph",
    "lw/ph": "line_width_per_ph",
    "µs": "microsecond",
    "μs": "microsecond",
    "m/s2": "meter/second**2",
    "m/s^2": "meter/second**2",
    "m/s²": "meter/second**2",
    "ft/s2": "foot/second**2",
    "ft/s^2": "foot/second**2",
    "cm3": "centimeter**3",
    "cc": "centimeter**3",
    "TB": "terabyte",
    "tb": "terabyte",
    "GB": "gigabyte",
    "gb": "gigabyte",
    "MB": "megabyte",
    "mb": "megabyte",
    "mil": "thou",
    "mils": "thou",
    "dBFS": "decibel_number",
    "dB": "decibel_number",
    "px": "pixel",
    "k": "kilo",
    "rpm": "revolutions_per_minute",
    "ppm": "ppm",
    "mAh": "milliampere*hour",
    "mah": "milliampere*hour",
    "MAH": "milliampere*hour",
    "Ah": "ampere*hour",
    "Wh": "watt*hour",
    "cd/m2": "candela/meter**2",
    "hPa": "hectopascal",
    "inHg": "inch_Hg",
}

# Letters, then at most powers of one digit, products and quotients of them.
_LOOKS = re.compile(
    r"(?:1\s*/\s*)?[^\W\d]\w*(?:(?:\*\*|\^)-?\d)?"
    r"(?:\s*[*/·\s]\s*[^\W\d]\w*(?:(?:\*\*|\^)-?\d)?){0,5}"
)
_DEGREES = re.compile(r"^(?:°|deg(?:ree)?s?\.?)\s*(C|F|K|celsius|fahrenheit)$", re.I)
_SCALES = {"c": "degC", "celsius": "degC", "f": "degF", "fahrenheit": "degF", "k": "kelvin"}
# A phone writes the first letter of a line large; megametres are not filmed.
_MEANT_SMALL = {"Mm": "mm", "Ms": "ms", "Mg": "mg", "ML": "ml", "Ml": "ml", "MM": "mm", "MS": "ms"}
# Nobody means thousandths of a bit, and 'MBps' is written for bits as often as for bytes.
_BITS = re.compile(r"([kmgKMG])(?:bps|[bB]its?(?:\s*/\s*s(?:ec)?)?)")
_BITS_OR_BYTES = re.compile(r"[kmgKMG]B[pP][sS]")
_LARGE = {"k": "kilo", "m": "mega", "g": "giga"}
_HERTZ = re.compile(r"([kK]?)(?:hz|Hz|HZ)")
# The units library also knows constants by these names.
_CONSTANTS = re.compile(
    r"(?<!\w)(?:c|pi|π|e|speed_of_light|light_speed|elementary_charge|hbar|ℏ|k_B|N_A|R|G)(?!\w)"
)
_UNITS = "Write units such as mm, in, ft, m, g, oz, s, min, h, degC, degF, mph, m/s, lx, Hz."


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    ureg: Any = pint.UnitRegistry(cache_folder=None, on_redefinition="ignore")
    ureg.define("bit = [information]")
    ureg.define("steradian = [solid_angle] = sr")
    ureg.define("footcandle = lumen / foot ** 2 = fc")
    ureg.define("stop = []")
    ureg.define("cycle_per_px = [spatial_frequency]")
    ureg.define("line_width_per_ph = [lines_of_a_picture]")
    ureg.define("decibel_number = [level]")
    ureg.define("light_value = [exposure_value] = EV")
    ureg._build_cache()  # else bytes and lumens keep the dimensions they had before
    return ureg


def check_unit(name: str) -> None:
    """Raise `BadQuantity` where there is no unit of that name."""
    if name not in KINDS:
        unit_of(name)


@lru_cache(maxsize=512)
def unit_of(name: str) -> Any:
    """Return Pint's unit for a name as people write it.

    Raises:
        BadQuantity: Nothing of that name.
    """
    text = name.strip()
    if len(text) > 1 and text.endswith(".") and text[-2].isalpha():
        text = text[:-1]  # '5 in.', or the end of a sentence
    if text in _MEANT_SMALL:
        raise BadQuantity(
            f"'{text}' is a million times what people mean by {_MEANT_SMALL[text]}.",
            f"Write {_MEANT_SMALL[text]}.",
        )
    if _CONSTANTS.search(text):
        raise BadQuantity(f"'{name}' holds a constant of nature, which is no unit.", _UNITS)
    text = _written_otherwise(text)
    for candidate in (text, text.lower()):
        found = _pint_unit(_ALIASES.get(candidate, candidate))
        if found is not None:
            return found
    raise BadQuantity(f"'{name}' is not a unit that Seeworthy knows.", _UNITS)


def _written_otherwise(text: str) -> str:
    """Return the library's name of degrees, bits and hertz, however they are spelt."""
    if _BITS_OR_BYTES.fullmatch(text):
        raise BadQuantity(
            f"'{text}' can be bits or bytes a second.",
            f"Write {text[0].upper()}bit/s, or {text[0].upper()}B/s for bytes.",
        )
    if found := _DEGREES.match(text):
        return _SCALES[found.group(1).lower()]
    if found := _BITS.fullmatch(text):
        a_second = "" if text.rstrip("s").lower().endswith("bit") else "/second"
        return f"{_LARGE[found.group(1).lower()]}bit{a_second}"
    if found := _HERTZ.fullmatch(text):
        return "kilohertz" if found.group(1) else "hertz"
    return text


def _pint_unit(text: str) -> Any:
    """Return Pint's unit, or None where it has none of that name."""
    if not text:
        return _registry().dimensionless
    if text not in ("percent", "%") and not (len(text) < 60 and _LOOKS.fullmatch(text)):
        return None
    try:
        return _registry().parse_units(text)
    except Exception:  # Pint raises a dozen kinds here, tokenizer errors among them
        return None


def _offset(unit: Any) -> bool:
    """Tell a temperature scale whose zero is not nothing."""
    ureg = _registry()
    return any(not ureg._units[name].is_multiplicative for name in dict(unit._units))


def is_temperature(name: str) -> bool:
    """Tell a point on a temperature scale (not a difference such as ``delta_degC``)."""
    if name in KINDS:
        return KINDS[name][0] == "temperature"
    unit = unit_of(name)
    return bool(unit.dimensionality == unit_of("kelvin").dimensionality) and not str(
        unit
    ).startswith("delta")


def has_offset(name: str) -> bool:
    """Tell whether a unit is a temperature scale with an offset (degC, degF)."""
    return is_scale(name) if name in KINDS else _offset(unit_of(name))


@lru_cache(maxsize=1024)
def _affine(source: str, target: str) -> tuple[float, float]:
    """Return (factor, offset) with ``target = factor * source + offset``."""
    a, b = unit_of(source), unit_of(target)
    ureg = _registry()
    if not (_offset(a) or _offset(b)):
        return float(ureg.Quantity(1.0, a).to(b).magnitude), 0.0
    zero = float(ureg.Quantity(0.0, a).to(b).magnitude)
    # One degree as a step: the difference of two readings would lose digits.
    steps = [ureg.parse_units(f"delta_{u}") if _offset(u) else u for u in (a, b)]
    return float(ureg.Quantity(1.0, steps[0]).to(steps[1]).magnitude), zero


def factor_between(source: str, target: str, text: str = "") -> float:
    """Return by how much a *difference* in `source` grows when written in `target`.

    Raises:
        BadQuantity: Unknown unit, or another dimension.
    """
    return _either(source, target, text)[0]


def convert(value: float, source: str, target: str, text: str = "") -> float:
    """Convert a number between two units.

    Raises:
        BadQuantity: Unknown unit, or another dimension.
    """
    if source == target:
        return value
    factor, offset = _either(source, target, text)
    return factor * value + offset


def _either(source: str, target: str, text: str) -> tuple[float, float]:
    common = affine(source, target)
    if common is not None:
        return common
    unit_of(source)
    unit_of(target)
    try:
        found = _affine(source, target)
    except Exception:
        found = (math.nan, math.nan)
    if not all(map(math.isfinite, found)):
        shown = text or f"a value in {source or 'no unit'}"
        want = target or "a plain number"
        raise BadQuantity(
            f"'{shown}' is not in a unit that can be turned into {want}.",
            f"Type it in {want} or another unit of the same kind.",
        )
    return found


def same_dimension(a: str, b: str) -> bool:
    """Tell whether two units measure the same kind of quantity."""
    if affine(a, b) is not None:
        return True
    return bool(unit_of(a).dimensionality == unit_of(b).dimensionality)
