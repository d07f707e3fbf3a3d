"""The registry of measurands: every quantity that a procedure can yield.

Ids are stable; code, JSON, store and reports use them. A third-party procedure
registers its own with `register` when its module is imported.
"""

from __future__ import annotations

from dataclasses import dataclass

from seeworthy.ground.errors import WrongCall
from seeworthy.ground.measurand_table import TABLE, Better


@dataclass(frozen=True, slots=True)
class Measurand:
    """One quantity.

    Attributes
    ----------
    id : str
    title : str
        As a person says it.
    unit : str
        The unit in which results are given, as the trade writes it; ``""`` for a
        ratio. `pint_unit` is what the units library calls it.
    procedure : str
        Id of the procedure that yields it first.
    better : {"more", "less", "nearer", "none"}
        ``nearer``: to `ideal`.
    meaning : str
        One sentence for a flyer.
    ideal : float, optional
    digits : int
        Decimals shown when the uncertainty does not decide.
    """

    id: str
    title: str
    unit: str
    procedure: str
    better: Better
    meaning: str
    ideal: float | None = None
    digits: int = 2

    @property
    def pint_unit(self) -> str:
        """The unit by the name that `seeworthy.ground.quantities` converts from."""
        # 'g' is grams of mass and, among flyers, multiples of standard gravity.
        if self.unit == "g" and self.id != "mass":
            return "standard_gravity"
        return self.unit


_REGISTRY: dict[str, Measurand] = {}


def register(entry: Measurand) -> Measurand:
    """Add a measurand; the same entry twice is fine, another one of that id is not."""
    old = _REGISTRY.get(entry.id)
    if old is not None and old != entry:
        raise WrongCall(f"The measurand '{entry.id}' is registered already by '{old.procedure}'.")
    _REGISTRY[entry.id] = entry
    return entry


def measurand(name: str) -> Measurand:
    """Return the entry of an id.

    Raises
    ------
    WrongCall
        No measurand of that id.
    """
    try:
        return _REGISTRY[name]
    except KeyError:
        import difflib

        near = difflib.get_close_matches(name, _REGISTRY, 1)
        hint = f"Did you mean '{near[0]}'?" if near else "`seeworthy procedures` lists them."
        raise WrongCall(f"There is no measurand '{name}'.", hint) from None


def all_measurands() -> dict[str, Measurand]:
    """Return a copy of the registry, in order of procedures."""
    return dict(_REGISTRY)


_IDEALS = {
    "pixel_aspect": 1.0,
    "focus_evenness": 1.0,
    "decentring": 1.0,
    "chroma_ratio": 1.0,
    "sharpness_change": 1.0,
    "decentring_change": 1.0,
}

for _procedure, _rows in TABLE.items():
    for _name, _title, _unit, _better, _meaning in _rows:
        _ideal = _IDEALS.get(_name, 0.0) if _better == "nearer" else None
        register(Measurand(_name, _title, _unit, _procedure, _better, _meaning, _ideal))
