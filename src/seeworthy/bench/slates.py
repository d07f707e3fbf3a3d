"""What a slate carries: bench, unit, test and role, short enough for a coarse code.

``SW1:K7Q2:12:PIXEL-ASPECT:TURNED:3F`` in the letters that the code packs best. The last
part is a check; a card of another bench is recognised as such and never filed here.
"""

from __future__ import annotations

import secrets
import zlib
from dataclasses import dataclass

from sqlalchemy.orm import selectinload

from seeworthy.bench.models import AboutRow, UnitRow
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import NotFound
from seeworthy.procedures import procedure
from seeworthy.targets import slate
from seeworthy.targets.layout import Layout

_MARK = "SW1"
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"


@dataclass(frozen=True, slots=True)
class Slate:
    """One card.

    Attributes:
        bench: Key of the bench that it was made for.
        unit: Number of the unit.
        procedure: Id of the test.
        role: Which of the test's files, ``""`` for the first.
    """

    bench: str
    unit: int
    procedure: str
    role: str = ""

    @property
    def payload(self) -> str:
        """The text of the code."""
        body = f"{_MARK}:{self.bench}:{self.unit}:{self.procedure}:{self.role}".upper()
        return f"{body}:{_check(body)}"


def read_payload(text: str) -> Slate | None:
    """Return what a code says, None where it is no slate of ours or damaged."""
    body, _, check = text.strip().upper().rpartition(":")
    parts = body.split(":")
    if len(parts) != 5 or parts[0] != _MARK or check != _check(body) or not parts[2].isdecimal():
        return None
    return Slate(parts[1], int(parts[2]), parts[3].lower(), parts[4].lower())


def _check(body: str) -> str:
    return f"{zlib.crc32(body.encode()) & 0xFFFF:04X}"


def bench_key(bench: Bench) -> str:
    """Return the four letters that mark this bench's slates; made when first asked for."""
    with bench.reading() as session:
        row = session.get(AboutRow, "slate_key")
        if row is not None:
            return row.value
    with bench.changing() as session:
        row = session.get(AboutRow, "slate_key")
        if row is None:
            row = AboutRow(
                name="slate_key", value="".join(secrets.choice(_LETTERS) for _ in "1234")
            )
            session.add(row)
        return row.value


def slate_for(bench: Bench, unit: int, name: str, role: str = "") -> tuple[Slate, Layout]:
    """Return the card for a unit and a test, and its drawing.

    Raises:
        NotFound, WrongCall: No such unit, test or role.
    """
    camera, serial = unit_name(bench, unit)
    chosen = procedure(name)
    if role and role not in {f.role for f in chosen.files}:
        raise NotFound(f"'{name}' has no files '{role}'.", "The shoot sheet lists the cards.")
    card = Slate(bench_key(bench), unit, chosen.id, role)
    words = (camera, f"unit {serial}", chosen.title, *((f"files: {role}",) if role else ()))
    return card, slate.layout(card.payload, words)


def unit_name(bench: Bench, unit: int) -> tuple[str, str]:
    """Return camera and serial of a unit by its number.

    Raises:
        NotFound
    """
    with bench.reading() as session:
        row = session.get(UnitRow, unit, options=[selectinload(UnitRow.camera)])
        if row is None:
            raise NotFound("There is no such unit in this bench.", "Make the card anew.")
        return row.camera.name, row.serial
