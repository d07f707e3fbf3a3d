"""Run of `body`: what it asks to see, and what it concludes."""

from __future__ import annotations

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.examples import as_options
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.procedures.body.measure import Estimate, box_volume, combine_readings
from seeworthy.procedures.declare import Inputs, Seen

_SIDES = ("length", "width", "height")
# g/cm3 of the enclosing box: a foam dummy to a brass block. Outside, a unit was slipped.
_THINKABLE = (0.05, 9.0)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return every figure whose reading was given."""
    found: dict[str, Estimate] = {}
    for name in (*_SIDES, "mass"):
        readings = inputs.all_readings(name)
        if readings:
            found[name] = combine_readings([q.value for q in readings], [q.u for q in readings])
    if not found:
        raise CannotMeasure(
            "No size and no mass was given.",
            f"Add readings such as {as_options('body.mass', 'body.length')}.",
        )
    results = [_result(name, estimate) for name, estimate in found.items()]
    warnings = []
    if all(side in found for side in _SIDES):
        box = box_volume(*(found[side] for side in _SIDES))
        results.append(_volume(found, box))
        warnings += _doubt(found, box.value / 1e3)
    elif any(side in found for side in _SIDES):
        missing = " and ".join(side for side in _SIDES if side not in found)
        warnings.append(f"No volume: the {missing} was not given.")
    return Outcome(tuple(results), {}, tuple(warnings), sentence=_sentence(results))


def _result(name: str, estimate: Estimate) -> Result:
    unit = "g" if name == "mass" else "mm"
    stated = estimate.instrument
    parts = [Component("instrument, as typed", stated, unit, source="reading", common=name)]
    if estimate.scatter > 0:
        shape = f"t ({estimate.n - 1} dof)"
        parts.append(
            Component(
                "scatter of the readings",
                estimate.scatter,
                unit,
                1.0,
                shape,
                f"{estimate.n} readings",
            )
        )
    return result(name, estimate.value, n=estimate.n, dof=estimate.dof, budget=parts)


def _volume(found: dict[str, Estimate], box: Estimate) -> Result:
    instrument = "instrument, one for all sides"
    parts = [Component(instrument, box.instrument / 1e3, "cm3", source="readings",
                       common=" ".join(_SIDES))]  # fmt: skip
    for side in _SIDES:
        each = found[side]
        if each.scatter > 0:
            share = box.value / each.value / 1e3  # mm of a side to cm3 of the box
            parts.append(
                Component(
                    f"scatter of the {side}", each.scatter, "mm", share, f"t ({each.n - 1} dof)",
                    f"{each.n} readings",
                )
            )  # fmt: skip
    return result("volume", box.value / 1e3, n=box.n, dof=box.dof, budget=parts)


def _doubt(found: dict[str, Estimate], volume: float) -> list[str]:
    if "mass" not in found:
        return []
    density = found["mass"].value / volume
    if _THINKABLE[0] <= density <= _THINKABLE[1]:
        return []
    return [
        f"The camera would weigh {density:.2g} g per cubic centimetre: check the units of its "
        "mass and its sides."
    ]


def _sentence(results: list[Result]) -> str:
    said = {r.measurand: said_result(r) for r in results}
    parts = []
    if "mass" in said:
        parts.append(f"weighs {said['mass']}")
    if "volume" in said:
        parts.append(f"takes {said['volume']} of the bay")
    sides = [f"{said[s]} in {s}" for s in _SIDES if s in said and "volume" not in said]
    if sides:
        parts.append("measures " + ", ".join(sides))
    return f"The camera {' and '.join(parts)}."
