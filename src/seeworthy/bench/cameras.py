"""Cameras, their units and firmware: what a person can do with them."""

from __future__ import annotations

import datetime as dt
import shlex
from collections.abc import Mapping

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from seeworthy.bench.claims import checked_claim
from seeworthy.bench.lookup import (
    camera_or_none,
    camera_record,
    check_version,
    checked_label,
    find_camera,
    find_unit,
    unit_record,
)
from seeworthy.bench.models import CameraRow, ClaimRow, FirmwareRow, TakeRow, UnitRow
from seeworthy.bench.records import Camera, Unit
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import Conflict, NotFound


def add_camera(
    bench: Bench,
    name: str,
    *,
    maker: str = "",
    note: str = "",
    unit: str = "1",
    claims: Mapping[str, str] | None = None,
) -> Camera:
    """Add a camera model and its first unit.

    Args:
        name: What you call it; unique in the bench, upper and lower case alike.
        unit: Serial number or label of the first specimen.
        claims: mapping of measurand or finding to text. What the seller says, as in
            `seeworthy.bench.claims.set_claim`.

    Raises:
        Conflict: There is a camera of that name.
        WrongCall, BadQuantity: A claim makes no sense; nothing is entered then.
    """
    name = checked_label(name, "camera")
    serial = checked_label(unit, "unit")
    written = [checked_claim(subject, text) for subject, text in (claims or {}).items()]
    with bench.changing() as session:
        if camera_or_none(session, name) is not None:
            raise Conflict(
                f"There is a camera '{name}' already.",
                f"Choose another name, or add a second specimen: "
                f"`seeworthy camera unit add {shlex.quote(name)} SERIAL`.",
            )
        row = CameraRow(name=name, maker=maker.strip(), note=note.strip())
        row.units.append(UnitRow(serial=serial))
        row.claims.extend(ClaimRow(**columns) for columns in written)
        session.add(row)
        session.flush()
        return camera_record(row)


def list_cameras(bench: Bench) -> list[Camera]:
    """Return all cameras by name."""
    with bench.reading() as session:
        parts = (
            selectinload(CameraRow.units).selectinload(UnitRow.firmware),
            selectinload(CameraRow.claims),
            selectinload(CameraRow.source),
        )
        query = select(CameraRow).options(*parts).order_by(func.lower(CameraRow.name))
        rows = session.scalars(query)
        return [camera_record(row) for row in rows]


def list_names(bench: Bench) -> dict[int, str]:
    """Return the names of all cameras by their number, in the order of `list_cameras`."""
    query = select(CameraRow.id, CameraRow.name).order_by(func.lower(CameraRow.name))
    with bench.reading() as session:
        return {number: name for number, name in session.execute(query)}  # noqa: C416


def claimed(bench: Bench) -> set[str]:
    """Return what sellers' claims of all cameras are about."""
    with bench.reading() as session:
        return set(session.scalars(select(ClaimRow.subject).distinct()))


def count_cameras(bench: Bench) -> int:
    """Return how many cameras there are."""
    with bench.reading() as session:
        return session.scalar(select(func.count()).select_from(CameraRow)) or 0


def takes_per_camera(bench: Bench) -> dict[str, int]:
    """Return by name of the camera how many takes it has; those without are left out."""
    query = select(CameraRow.name, func.count()).join(UnitRow, UnitRow.camera_id == CameraRow.id)
    query = query.join(TakeRow, TakeRow.unit_id == UnitRow.id).group_by(CameraRow.name)
    with bench.reading() as session:
        return {name: count for name, count in session.execute(query)}  # noqa: C416


def get_camera(bench: Bench, name: str) -> Camera:
    """Return one camera.

    Raises:
        NotFound: No camera of that name.
    """
    with bench.reading() as session:
        return camera_record(find_camera(session, name))


def edit_camera(
    bench: Bench,
    name: str,
    *,
    rename: str | None = None,
    maker: str | None = None,
    note: str | None = None,
    version: int | None = None,
) -> Camera:
    """Change what is written about a camera; None leaves a part as it is.

    Args:
        version: The version that the change was based on; an older one is refused.

    Raises:
        Conflict: Changed elsewhere in the meantime, or the new name is taken.
    """
    with bench.changing() as session:
        row = find_camera(session, name)
        check_version(row, version, f"the camera '{row.name}'")
        if rename is not None:
            new = checked_label(rename, "camera")
            other = camera_or_none(session, new)
            if other is not None and other is not row:
                raise Conflict(f"There is a camera '{new}' already.", "Choose another name.")
            row.name = new
        if maker is not None:
            row.maker = maker.strip()
        if note is not None:
            row.note = note.strip()
        session.flush()
        return camera_record(row)


def remove_camera(bench: Bench, name: str, *, with_takes: bool = False) -> None:
    """Remove a camera with its units and claims.

    Raises:
        Conflict: It has takes, and `with_takes` does not say that they may go.
    """
    with bench.changing() as session:
        row = find_camera(session, name)
        takes = _take_count(session, [unit.id for unit in row.units])
        if takes and not with_takes:
            raise Conflict(
                f"The camera '{row.name}' has {takes} takes.",
                "Remove the takes first, or say that they may go with it (--with-takes).",
            )
        session.delete(row)


def add_unit(bench: Bench, camera: str, serial: str, *, note: str = "") -> Unit:
    """Add another specimen of a camera.

    Raises:
        Conflict: There is one of that serial number.
    """
    serial = checked_label(serial, "unit")
    with bench.changing() as session:
        row = find_camera(session, camera)
        if any(unit.serial.casefold() == serial.casefold() for unit in row.units):
            raise Conflict(
                f"'{row.name}' has a unit '{serial}' already.", "Choose another serial or label."
            )
        unit = UnitRow(serial=serial, note=note.strip())
        row.units.append(unit)
        session.flush()
        return unit_record(unit)


def edit_unit(
    bench: Bench,
    camera: str,
    unit: str,
    *,
    serial: str | None = None,
    note: str | None = None,
    version: int | None = None,
) -> Unit:
    """Change the label of a unit or the note about it; None leaves a part as it is."""
    with bench.changing() as session:
        row = find_unit(session, camera, unit)
        check_version(row, version, f"unit '{row.serial}'")
        if serial is not None:
            new = checked_label(serial, "unit")
            others = [u for u in row.camera.units if u is not row]
            if any(u.serial.casefold() == new.casefold() for u in others):
                raise Conflict(
                    f"'{row.camera.name}' has a unit '{new}' already.", "Choose another."
                )
            row.serial = new
        if note is not None:
            row.note = note.strip()
        session.flush()
        return unit_record(row)


def remove_unit(bench: Bench, camera: str, unit: str) -> None:
    """Remove a unit that has no takes.

    Raises:
        Conflict: It has takes, or it is the only one.
    """
    with bench.changing() as session:
        row = find_unit(session, camera, unit)
        takes = _take_count(session, [row.id])
        if takes:
            raise Conflict(f"Unit '{row.serial}' has {takes} takes.", "Remove the takes first.")
        if len(row.camera.units) == 1:
            raise Conflict(
                f"'{row.serial}' is the only unit of '{row.camera.name}'.",
                "Remove the camera instead.",
            )
        session.delete(row)


def add_firmware(
    bench: Bench, camera: str, name: str, *, unit: str | None = None, since: dt.date | None = None
) -> Unit:
    """Note that a unit runs a firmware from a date on.

    Args:
        name: What the camera or the file calls the firmware.
        unit: Needed when the camera has several.
        since: First day; today when it is not given.
    """
    name = checked_label(name, "firmware")
    with bench.changing() as session:
        row = find_unit(session, camera, unit)
        if any(firmware.name == name for firmware in row.firmware):
            raise Conflict(
                f"Unit '{row.serial}' of '{row.camera.name}' has the firmware '{name}' already.",
                "`seeworthy camera show` lists them.",
            )
        row.firmware.append(FirmwareRow(name=name, since=since or dt.date.today()))
        session.flush()
        session.refresh(row, ["firmware"])
        return unit_record(row)


def remove_firmware(bench: Bench, camera: str, name: str, *, unit: str | None = None) -> Unit:
    """Take back a firmware that was noted by mistake."""
    with bench.changing() as session:
        row = find_unit(session, camera, unit)
        found = [firmware for firmware in row.firmware if firmware.name == name]
        if not found:
            raise NotFound(
                f"Unit '{row.serial}' has no firmware '{name}'.",
                "`seeworthy camera show` lists them.",
            )
        row.firmware.remove(found[0])
        session.flush()
        return unit_record(row)


def _take_count(session: Session, units: list[int]) -> int:
    query = select(func.count()).select_from(TakeRow).where(TakeRow.unit_id.in_(units))
    return session.scalar(query) or 0
