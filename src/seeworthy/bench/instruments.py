"""Instruments: which tape, scale or meter a reading was taken with.

Readings of one instrument share its error; results that rest on it are correlated
(JCGM 100:2008, 5.2), which `seeworthy.judge.compare` and `seeworthy.judge.groups` take into
account.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from seeworthy.bench.lookup import checked_label
from seeworthy.bench.models import InstrumentRow, TakeRow
from seeworthy.ground.budget import CAMERA
from seeworthy.ground.errors import NotFound


def set_instruments(session: Session, take: TakeRow, named: Mapping[str, str]) -> None:
    """Note with which instrument the readings of a take were taken.

    Args:
        session: In a transaction.
        named: mapping of reading to instrument. An instrument of that name is ours already, or
            becomes so; ``""`` takes it back.

    Raises:
        NotFound: The take has no such reading.
    """
    for reading, name in named.items():
        rows = [r for r in take.readings if r.name == reading]
        if not rows:
            raise NotFound(
                f"The take has no reading '{reading}'.", "Name a reading that is given with it."
            )
        found = _instrument(session, name) if name.strip() else None
        for row in rows:
            row.instrument = found


def _instrument(session: Session, name: str) -> InstrumentRow:
    label = checked_label(name, "instrument")
    ours = session.scalars(select(InstrumentRow).where(InstrumentRow.source_uuid.is_(None)))
    found = next((i for i in ours if i.name.casefold() == label.casefold()), None)
    if found is None:
        found = InstrumentRow(name=label)
        session.add(found)
        session.flush()
    return found


def shared_parts(
    named: Mapping[str, str], unit: int, u: float, budget: Sequence[Mapping[str, Any]] | None
) -> dict[str, float | None]:
    """Return what of a result's uncertainty other results may share, by instrument.

    Args:
        named: mapping of reading to identity of its instrument
        unit: Number of the specimen.
        u: Standard uncertainty of the result.
        budget: Rows of the result's budget; a result that tells none may owe all of `u`.

    Returns:
        Signed parts in the unit of the result by instrument and reading: an error of the distance
        moves every angle one way. None: it is not told how much.
    """
    if not u > 0:
        return {}
    if not budget:
        return dict.fromkeys(named.values())
    found: dict[str, float | None] = {}
    known = {**named, CAMERA: f"{CAMERA}-{unit}"}
    for row in budget:
        common = row.get("common", "")
        ones = {known[r] for r in common.split() if r in known}
        if ones:
            key = f"{' '.join(sorted(ones))}: {common}"
            found[key] = (found.get(key) or 0.0) + row["sensitivity"] * row["u"]
    return found
