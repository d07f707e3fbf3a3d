"""How far off a claim may be and still count as kept."""

from __future__ import annotations

from dataclasses import dataclass

from seeworthy.ground.errors import BadQuantity
from seeworthy.ground.measurands import Measurand
from seeworthy.ground.quantities import parse
from seeworthy.ground.units import convert, same_dimension


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far off a claim may be and still count as kept.

    Attributes:
        share: Part of the claimed value, 0.05 for 5 %.
        absolute: In `unit`; the wider of the two holds.
        unit: Unit of `absolute`; ``""`` for a plain number or none.
    """

    share: float = 0.05
    absolute: float = 0.0
    unit: str = ""

    @classmethod
    def parse(cls, text: str) -> Tolerance:
        """Read ``5 %`` or ``2 deg``; a bare number is asked for its unit.

        Raises:
            BadQuantity: Negative, or not a quantity.
        """
        shown = text.strip()
        if shown.endswith("%"):
            value = parse(shown[:-1].strip(), "").value
            made = cls(share=value / 100)
        else:
            quantity = parse(shown)
            if not quantity.unit:
                raise BadQuantity(
                    f"The tolerance '{shown}' has no unit.",
                    f"Write '{shown} %' for a share of every claim, or a unit: '{shown} g'.",
                )
            made = cls(share=0.0, absolute=quantity.value, unit=quantity.unit)
        if made.share < 0 or made.absolute < 0:
            raise BadQuantity(f"The tolerance '{shown}' is negative.", "Write it like '5 %'.")
        return made

    def half_width(self, value: float, entry: Measurand) -> float:
        """Return half the width of the band around a claimed `value` (unit of `entry`).

        Raises:
            BadQuantity: The absolute tolerance has another dimension than the measurand.
        """
        absolute = self.absolute
        if absolute and self.unit:
            if not same_dimension(self.unit, entry.pint_unit):
                raise BadQuantity(
                    f"A tolerance in {self.unit} does not fit {entry.title}, which is in "
                    f"{entry.unit or 'plain numbers'}.",
                    "Give a share, such as '5 %': that fits every claim.",
                )
            zero = convert(0.0, self.unit, entry.pint_unit)
            absolute = abs(convert(absolute, self.unit, entry.pint_unit) - zero)
        return max(self.share * abs(value), absolute)

    def __str__(self) -> str:
        parts = []
        if self.share or not self.absolute:
            parts.append(f"±{self.share * 100:g} %")
        if self.absolute:
            parts.append(f"±{self.absolute:g} {self.unit}".rstrip())
        return " or ".join(parts)


DEFAULT_TOLERANCE = Tolerance()
