"""The units that nearly every file and reading is in, without the second that Pint takes to load.

What is not here, and every question between two kinds, goes to Pint (`seeworthy.ground.units`);
a test holds each line against it.
"""

from __future__ import annotations

import math
from fractions import Fraction

# Kind; then names with what one is in the kind's own unit, exact by definition
# (SI Brochure, 9th edition; NIST SP 811, Appendix B, for inch, foot, mile, ounce and pound).
_TABLE: dict[str, dict[str, str]] = {
    "": {"": "1", "%": "1/100", "percent": "1/100"},
    "length": {
        "m": "1", "mm": "1/1000", "cm": "1/100", "km": "1000", "in": "0.0254", "inch": "0.0254",
        '"': "0.0254", "ft": "0.3048", "foot": "0.3048", "feet": "0.3048", "'": "0.3048",
    },
    "mass": {
        "kg": "1", "g": "1/1000", "mg": "1/1000000", "oz": "0.028349523125", "lb": "0.45359237",
        "gram": "1/1000", "ounce": "0.028349523125",
    },
    "time": {"s": "1", "ms": "1/1000", "min": "60", "h": "3600"},
    "speed": {"m/s": "1", "km/h": "1000/3600", "mph": "1609.344/3600"},
    "acceleration": {
        "m/s2": "1", "m/s^2": "1", "m/s²": "1", "ft/s2": "0.3048", "ft/s^2": "0.3048",
        "standard_gravity": "9.80665",
    },
    "volume": {"cm3": "1", "centimeter**3": "1", "inch**3": "16.387064"},
    "frequency": {"Hz": "1", "kHz": "1000", "fps": "1"},
    "illuminance": {"lx": "1", "lux": "1"},
    "data": {"bit": "1", "byte": "8", "MB": "8e6", "GB": "8e9", "TB": "8e12"},
    "bit rate": {"bit/s": "1", "kbit/s": "1000", "Mbit/s": "1e6"},
    "voltage": {"V": "1", "mV": "1/1000"},
    "charge": {"mAh": "1/1000", "Ah": "1"},
    "pressure": {"Pa": "1", "hPa": "100", "kPa": "1000"},
    "temperature": {
        "K": "1", "kelvin": "1", "degC": "1", "°C": "1", "degF": "5/9", "°F": "5/9",
    },
    "pixels": {"px": "1"},
    "detail": {"cy/px": "1"},
    "detail of a picture": {"LW/PH": "1"},
    "level": {"dB": "1", "dBFS": "1"},
    "stops": {"stop": "1", "stops": "1"},
    "time per kelvin": {"min/K": "60"},
}  # fmt: skip
_ZEROS: dict[str, Fraction] = {"degC": Fraction("273.15"), "degF": Fraction("459.67") * 5 / 9}
_ZEROS |= {"°C": _ZEROS["degC"], "°F": _ZEROS["degF"]}


def _exact(text: str) -> Fraction:
    top, _, bottom = text.partition("/")
    return Fraction(top) / Fraction(bottom or 1)


KINDS: dict[str, tuple[str, Fraction]] = {
    name: (kind, _exact(size)) for kind, names in _TABLE.items() for name, size in names.items()
}
KINDS |= {"rad": ("angle", Fraction(1))}
KINDS |= {n: ("angle", Fraction(math.pi) / 180) for n in ("deg", "degree", "°")}


def affine(source: str, target: str) -> tuple[float, float] | None:
    """Return (factor, offset) with ``target = factor * source + offset``; None: ask Pint."""
    a, b = KINDS.get(source), KINDS.get(target)
    if a is None or b is None or a[0] != b[0]:
        return None
    factor = a[1] / b[1]
    offset = (_ZEROS.get(source, Fraction(0)) - _ZEROS.get(target, Fraction(0))) / b[1]
    return float(factor), float(offset)


def is_scale(name: str) -> bool:
    """Tell a temperature scale whose zero is not nothing."""
    return name in _ZEROS
