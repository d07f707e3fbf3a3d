"""Which measured tone curves a take may use: the newest of each mode, of its unit and firmware.

A take that makes light linear depends on them as it does on its files: which curves were at
hand is part of what it was measured from, so that a newer curve makes it stale.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from seeworthy.bench.lookup import firmware_on
from seeworthy.bench.models import TakeRow
from seeworthy.procedures import all_procedures
from seeworthy.procedures.declare import OECF


@dataclass(frozen=True, slots=True)
class KeptCurve:
    """One measured curve of a unit.

    Attributes:
        take: Its number.
        key: Digest of what it was measured from.
        data: As the outcome carries it.
    """

    take: int
    taken: dt.date
    key: str
    data: Mapping[str, Any]

    @property
    def mode(self) -> str:
        """What it holds for, as text that is alike for alike modes."""
        return json.dumps([self.data.get(k) for k in ("size", "rate", "tag", "range")])


@dataclass(frozen=True, slots=True)
class AtHand:
    """The curves that a take may use, and why there is none where one could be looked for."""

    curves: tuple[KeptCurve, ...] = ()
    missing: str = ""

    @property
    def keys(self) -> list[str]:
        """What a take's digest has of them."""
        return [c.key for c in self.curves]


def uses_curves(procedure: str) -> bool:
    """Tell whether a procedure makes light linear by a measured curve."""
    found = all_procedures().get(procedure)
    return found is not None and found.takes_curves


def choose(
    curves: Iterable[KeptCurve], firmware_of: Callable[[dt.date], str], day: dt.date
) -> AtHand:
    """Return the newest curve of each mode that was measured with the firmware of a day.

    Args:
        curves: Of one unit.
        firmware_of: Day to the firmware that was on the unit.
        day: Of the take that wants them.
    """
    kept: Sequence[KeptCurve] = sorted(curves, key=lambda c: (c.taken, c.take), reverse=True)
    firmware = firmware_of(day)
    found: dict[str, KeptCurve] = {}
    for curve in kept:
        if firmware_of(curve.taken) == firmware:
            found.setdefault(curve.mode, curve)
    if found or not kept:
        return AtHand(tuple(found.values()))
    other = firmware_of(kept[0].taken) or "another"
    return AtHand((), f"the curve of take {kept[0].take} is of firmware {other}")


def curves_at_hand(row: TakeRow) -> AtHand:
    """Return the curves that a take may use."""
    if not uses_curves(row.procedure):
        return AtHand()
    unit = row.unit
    kept = [
        KeptCurve(one.id, one.taken, one.outcome.inputs_key, one.outcome.correction)
        for one in unit.curve_takes
        if one.outcome is not None
        and one.outcome.state == "measured"
        and (one.outcome.correction or {}).get("kind") == OECF
        and one.outcome.correction is not None
    ]
    return choose(kept, lambda day: firmware_on(unit, day), row.taken)
