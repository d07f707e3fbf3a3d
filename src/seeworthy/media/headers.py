"""What a column header of a logger means: quantity, axis and unit.

Loggers write ``altitude[m]``, ``Altitude (Ft-AGL)``, ``Time (s)``, ``acceleration_m_s2`` or just
``alt``. A guess is only a guess: it is shown to the user, who can correct it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

# The unit in which each quantity is handed on.
QUANTITIES = {
    "time": "s",
    "height": "m",
    "pressure": "Pa",
    "acceleration": "m/s2",
    "speed": "m/s",
    "temperature": "degC",
    "rotation": "degree/s",
    "voltage": "V",
    "current": "A",
    "humidity": "percent",
    "light": "lux",
    "latitude": "degree",
    "longitude": "degree",
}

# First match wins, so a 'pressure altitude' is a height and a 'gyro_x' no acceleration.
_WORDS: tuple[tuple[str, frozenset[str]], ...] = (
    ("latitude", frozenset({"lat", "latitude"})),
    ("longitude", frozenset({"lon", "lng", "long", "longitude"})),
    ("rotation", frozenset({"gyro", "gyr", "gyroscope", "gx", "gy", "gz", "spin", "roll"})),
    (
        "temperature",
        frozenset({"temp", "temperature", "temps", "degc", "degf", "celsius", "fahrenheit"}),
    ),
    (
        "voltage",
        frozenset(
            {"volt", "volts", "voltage", "voltages", "vbat", "vbatt", "batt", "bat", "battery"}
        ),
    ),
    ("current", frozenset({"current", "amps", "ampere"})),
    ("humidity", frozenset({"humidity", "rh"})),
    ("light", frozenset({"light", "lux", "illuminance"})),
    (
        "acceleration",
        frozenset(
            {"acc", "accel", "acceleration", "accelerometer", "accl", "ax", "ay", "az", "gforce"}
        ),
    ),
    ("speed", frozenset({"speed", "velocity", "vel", "vspeed", "v", "vz"})),
    (
        "height",
        frozenset(
            {"alt", "altitude", "height", "hgt", "agl", "msl", "elevation", "ele", "h", "apogee"}
        ),
    ),
    ("pressure", frozenset({"pressure", "press", "pres", "baro", "barometer", "p", "kpa"})),
)
_TIME = frozenset(
    {"time", "t", "ts", "timestamp", "elapsed", "sec", "secs", "seconds", "millis", "ms", "clock"}
)
_TYPED = {
    "alt": "height",
    "altitude": "height",
    "accel": "acceleration",
    "acc": "acceleration",
    "velocity": "speed",
    "vel": "speed",
    "baro": "pressure",
    "temp": "temperature",
    "t": "time",
}

# Ways to write a unit, and the name under which seeworthy.ground.quantities knows it.
_UNITS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "micros": "us", "microseconds": "us",
    "min": "min", "minutes": "min",
    "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m", "km": "km",
    "ft": "ft", "feet": "ft", "foot": "ft", "'": "ft", "\u2032": "ft", "cm": "cm", "mm": "mm",
    "pa": "Pa", "pascal": "Pa", "pascals": "Pa", "hpa": "hPa", "kpa": "kPa",
    "mbar": "mbar", "mb": "mbar", "millibar": "mbar", "bar": "bar", "psi": "psi",
    "psia": "psi", "inhg": "inHg", "mmhg": "mmHg", "atm": "atm",
    "g": "gee", "gs": "gee", "gee": "gee", "gees": "gee", "gforce": "gee",
    "m/s2": "m/s2", "m/s^2": "m/s2", "m/s²": "m/s2", "m/s/s": "m/s2", "m/ss": "m/s2",
    "m/sec2": "m/s2", "m/sec^2": "m/s2", "m/s**2": "m/s2", "mps2": "m/s2", "ms2": "m/s2",
    "ms-2": "m/s2", "ms^-2": "m/s2", "m·s-2": "m/s2", "m·s⁻²": "m/s2", "m_s2": "m/s2",
    "ft/s2": "ft/s2", "ft/s^2": "ft/s2", "ft/s/s": "ft/s2", "ft/sec^2": "ft/s2",
    "ft/sec2": "ft/s2", "fps2": "ft/s2", "ft_s2": "ft/s2",
    "mg": "milli_gee",
    "m/s": "m/s", "m/sec": "m/s", "mps": "m/s", "m_s": "m/s", "ms-1": "m/s", "ms^-1": "m/s",
    "ft/s": "ft/s", "ft/sec": "ft/s", "fps": "ft/s", "ft_s": "ft/s",
    "mph": "mph", "km/h": "km/h", "kph": "km/h", "kmh": "km/h", "kn": "knot", "knots": "knot",
    "c": "degC", "°c": "degC", "degc": "degC", "deg c": "degC", "celsius": "degC",
    "f": "degF", "°f": "degF", "degf": "degF", "deg f": "degF", "fahrenheit": "degF",
    "k": "kelvin", "kelvin": "kelvin",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV", "a": "A", "amps": "A", "ma": "mA",
    "%": "percent", "percent": "percent", "lx": "lux", "lux": "lux",
    "deg": "degree", "°": "degree", "degrees": "degree", "rad": "radian",
    "deg/s": "degree/s", "°/s": "degree/s", "dps": "degree/s", "deg/sec": "degree/s",
    "rad/s": "radian/s", "rpm": "rpm",
}  # fmt: skip
_FITS = {
    "time": {"s", "ms", "us", "min"},
    "height": {"m", "ft", "km", "cm", "mm"},
    "pressure": {"Pa", "hPa", "kPa", "mbar", "bar", "psi", "inHg", "mmHg", "atm"},
    "acceleration": {"gee", "m/s2", "ft/s2", "milli_gee"},
    "speed": {"m/s", "ft/s", "mph", "km/h", "knot"},
    "temperature": {"degC", "degF", "kelvin"},
    "rotation": {"degree/s", "radian/s", "rpm"},
    "voltage": {"V", "mV"},
    "current": {"A", "mA"},
    "humidity": {"percent"},
    "light": {"lux"},
    "latitude": {"degree", "radian"},
    "longitude": {"degree", "radian"},
}
_BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]")
_REFERENCES = re.compile(r"[\s_-]*(?:agl|msl|asl|amsl|abs|gauge)$", re.I)
_AXES = {
    "x": "x", "y": "y", "z": "z", "ax": "x", "ay": "y", "az": "z", "gx": "x", "gy": "y", "gz": "z",
    "axial": "axial", "lateral": "lateral", "vertical": "vertical", "vert": "vertical",
    "total": "total", "magnitude": "total", "norm": "total", "mag": "total", "vz": "vertical",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class HeaderMeaning:
    """What a header seems to say; empty strings where it says nothing.

    Attributes:
        quantity: A key of `QUANTITIES` or ``""``.
        unit: A unit that fits the quantity, or ``""``.
        axis: ``x``, ``y``, ``z``, ``axial``, ``lateral``, ``vertical``, ``total`` or ``""``.
    """

    quantity: str
    unit: str
    axis: str


def known_unit(text: str) -> str:
    """Return the name of a unit as written by a logger, ``""`` where unknown."""
    plain = text.strip().lower()
    return _UNITS.get(plain) or _UNITS.get(_REFERENCES.sub("", plain), "")


def fits(quantity: str, unit: str) -> bool:
    """Tell whether a unit can belong to a quantity."""
    return unit in _FITS.get(quantity, ())


def quantity_named(text: str) -> str:
    """Return the quantity a user typed (``alt`` is a height), ``""`` where unknown."""
    plain = text.strip().lower()
    return plain if plain in QUANTITIES else _TYPED.get(plain, "")


def meaning_of(header: str, unit: str = "") -> HeaderMeaning:
    """Guess quantity, unit and axis of a column.

    Args:
        header: As written.
        unit: From a line of units below the header, if there is one.
    """
    bracketed = [known_unit(m) for m in _BRACKETS.findall(header)]
    name = _BRACKETS.sub(" ", header)
    words = _words(name)
    # The letter of acceleration is a, that of the ampere A.
    quantity = "acceleration" if name.strip() == "a" else _quantity(words)
    # 'Accel time (s)' is the time of another quantity: the unit says so.
    if _TIME.intersection(words) and any(fits("time", c) for c in bracketed):
        quantity = "time"
    # 'Temps (s)', 'Altitude rate (m/s)': a unit in brackets knows better than a word.
    told = [q for q, units in _FITS.items() for c in bracketed if c in units]
    if quantity not in ("", "time") and len(set(told)) == 1 and told[0] != quantity:
        quantity = told[0]
    choices = [known_unit(unit), *bracketed, *_tail_units(words)]
    found = next((c for c in choices if c and (fits(quantity, c) or not quantity)), "")
    if not found and quantity not in ("", "time"):
        # 'Feet AGL', 'hPa baro': a unit in any place, where it is more than a letter.
        anywhere = (known_unit(w) for w in words if len(w) > 1)
        found = next((c for c in anywhere if c and fits(quantity, c)), "")
    if not quantity:
        # A bare '[hPa]', 'm/s²' or '_deg_s' still says what it is; 'm' or 's' alone says too
        # little.
        named = [known_unit(unit), *bracketed, *_tail_units(words)[:1]]
        clear = [q for q, units in _FITS.items() for c in named if c in units]
        quantity = clear[0] if clear and found else ""
    axis = next((_AXES[w] for w in words if w in _AXES), "")
    return HeaderMeaning(quantity, found if fits(quantity, found) else "", axis)


def bracketed(header: str) -> list[str]:
    """Return what stands in brackets in a header, as written."""
    return [str(text) for text in _BRACKETS.findall(header)]


def _words(name: str) -> list[str]:
    """Cut a name into words; ``pressHPa`` in two, but no unit such as ``hPa``."""
    words: list[str] = []
    for part in re.split(r"[^0-9A-Za-zµμ°²%]+", name):
        whole = len(part) > 1 and known_unit(part)
        words += [part] if whole else re.sub(r"([a-z])([A-Z])", r"\1 \2", part).split()
    return [w.lower() for w in words]


def _quantity(words: list[str]) -> str:
    # 'Time-Axial Accel' is the time of the acceleration: time comes first or it is not meant.
    if words and words[0] in _TIME:
        return "time"
    plain = {*words, *(w.rstrip("0123456789") for w in words if len(w) > 3)}  # 'accel1'
    for quantity, names in _WORDS:
        if names.intersection(plain):
            return quantity
    if _TIME.intersection(words):
        return "time"
    return ""


def _tail_units(words: list[str]) -> list[str]:
    """Units written as the last words: ``acceleration_m_s2``, ``time_ms``, ``alt ft``."""
    tails = [
        "/".join(words[-2:]) if len(words) > 2 else "",
        words[-1] if len(words) > 1 else "",
        # A lone 'ms' or 'millis' names quantity and unit at once.
        words[0] if len(words) == 1 else "",
    ]
    return [known_unit(t) for t in tails if t]
