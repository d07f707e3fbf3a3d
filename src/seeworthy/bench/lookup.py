"""Find rows by what people call them, and turn rows into records."""

from __future__ import annotations

import datetime as dt
import difflib
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from seeworthy.bench.models import CameraRow, ClaimRow, UnitRow
from seeworthy.bench.records import Camera, Claim, Firmware, Unit
from seeworthy.ground.errors import Conflict, NotFound, WrongCall
from seeworthy.ground.seen import TURNING


def seen(letter: str) -> bool:
    """Tell whether a letter is shown as itself and leaves the order of the others alone."""
    return letter.isprintable() and letter not in TURNING


def checked_label(text: str, what: str) -> str:
    """Return a name without loose spaces; refuse an empty or endless one."""
    shown = " ".join(text.split())
    if not shown:
        raise WrongCall(f"The name of the {what} is empty.", "Give it a name.")
    if bad := next((c for c in shown if not seen(c)), None):
        raise WrongCall(
            f"The name of the {what} holds a character that cannot be seen (U+{ord(bad):04X}).",
            "Type it with letters, digits, blanks and signs.",
        )
    if what in ("camera", "unit") and ("/" in shown or "\\" in shown):
        raise WrongCall(
            f"The name of the {what} holds a slash, which would cut its address in two.",
            "Write a hyphen instead.",
        )
    if len(shown) > 200:
        raise WrongCall(f"The name of the {what} is too long.", "Use 200 letters at most.")
    return shown


def check_version(row: Any, version: int | None, what: str) -> None:
    """Refuse a change that was based on an older state.

    Raises:
        Conflict: `version` is given and is not the row's.
    """
    if version is not None and version != row.version:
        raise Conflict(
            f"Somebody changed {what} in the meantime; nothing was overwritten.",
            "Look at the newer values and enter your change again.",
        )


def camera_or_none(session: Session, name: str) -> CameraRow | None:
    """Return the row of a camera by its name, upper and lower case alike."""
    # Not lower() of the database: SQLite knows ASCII letters only.
    wanted = name.strip().casefold()
    rows = session.scalars(select(CameraRow))
    return next((row for row in rows if row.name.casefold() == wanted), None)


def find_camera(session: Session, name: str) -> CameraRow:
    """Return the row of a camera.

    Raises:
        NotFound: With a near name, where there is one.
    """
    row = camera_or_none(session, name)
    if row is not None:
        return row
    names = list(session.scalars(select(CameraRow.name)))
    near = difflib.get_close_matches(name, names, 1, 0.5)
    hint = f"Did you mean '{near[0]}'?" if near else f'Add it: `seeworthy camera add "{name}"`.'
    raise NotFound(f"There is no camera '{name}' in this bench.", hint)


def find_unit(session: Session, camera: str, unit: str | None) -> UnitRow:
    """Return the row of a unit; of the only one where none is named.

    Raises:
        NotFound, WrongCall: No such unit, or several to choose from.
    """
    row = find_camera(session, camera)
    serials = ", ".join(u.serial for u in row.units)
    if unit is None:
        if len(row.units) == 1:
            return row.units[0]
        raise WrongCall(
            f"'{row.name}' has {len(row.units)} units.", f"Say which with --unit: {serials}."
        )
    for one in row.units:
        if one.serial.casefold() == unit.strip().casefold():
            return one
    raise NotFound(f"'{row.name}' has no unit '{unit}'.", f"Its units: {serials}.")


def firmware_on(unit: UnitRow, day: dt.date) -> str:
    """Return the firmware in force on a day, ``""`` where none is known."""
    found = [f for f in unit.firmware if f.since <= day]
    return max(found, key=lambda f: (f.since, f.id)).name if found else ""


def camera_record(row: CameraRow) -> Camera:
    """Return a camera free of the database."""
    return Camera(
        row.id,
        row.name,
        row.maker,
        row.note,
        row.added,
        row.version,
        tuple(unit_record(u) for u in row.units),
        tuple(claim_record(c) for c in row.claims),
        "" if row.source is None else row.source.title or f"bench {row.source.uuid[:8]}",
    )


def unit_record(row: UnitRow) -> Unit:
    """Return a unit free of the database."""
    firmware = tuple(Firmware(f.id, f.name, f.since) for f in row.firmware)
    return Unit(row.id, row.camera.name, row.serial, row.note, row.version, firmware)


def claim_record(row: ClaimRow) -> Claim:
    """Return a claim free of the database."""
    return Claim(
        row.id,
        row.camera.name,
        row.subject,
        row.silent,
        row.text,
        row.value,
        row.unit,
        row.u,
        row.source,
        row.version,
    )
