"""Take in a package of another group: their cameras beside ours, marked as theirs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from seeworthy.bench import evidence
from seeworthy.bench.identity import identity_in
from seeworthy.bench.models import (
    CameraRow,
    ClaimRow,
    ConditionRow,
    EvidenceRow,
    FigureRow,
    FindingRow,
    FirmwareRow,
    InstrumentRow,
    OutcomeRow,
    PictureRow,
    ReadingRow,
    ResultRow,
    SourceRow,
    TakeFileRow,
    TakeOptionRow,
    TakeRow,
    UnitRow,
    WarningRow,
)
from seeworthy.bench.outcomes import figure_of
from seeworthy.ground.errors import Conflict, UnreadableInput
from seeworthy.publish.package import Package, Row, Tables, is_uuid
from seeworthy.publish.package_checks import (
    PackageTaken,
    check_results,
    keep_evidence,
    newer_tests,
)
from seeworthy.publish.sheets import CONDITIONS, Sheet, sheet

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench


def take_in_package(bench: Bench, path: str | Path) -> PackageTaken:
    """Enter the cameras of a package into a bench, whole or not at all.

    A newer package of a group replaces what an older one has brought.

    Raises:
        UnreadableInput: Damaged, changed, of a newer form, in other units, or made to do harm.
        Conflict: Our own, or here already.
    """
    bench.require_writable()
    with Package(path) as package:
        for fault in package.wrong_files():
            raise package.bad(fault)
        tables, details = package.tables(), package.details()
        check_results(package, tables["results"])
        kept = keep_evidence(bench, package, tables, details)
        with bench.changing() as session:
            return _Entry(bench, session, package, tables, details, kept).enter()


class _Entry:
    """One package on its way into a bench, within one transaction."""

    def __init__(
        self,
        bench: Bench,
        session: Session,
        package: Package,
        tables: Tables,
        details: Mapping[str, Any],
        kept: Mapping[str, evidence.Kept],
    ) -> None:
        self.bench = bench
        self.session = session
        self.package = package
        self.tables = tables
        self.details = details
        self.kept = kept
        self.cameras: dict[str, CameraRow] = {}
        self.units: dict[str, UnitRow] = {}
        self.takes: dict[str, TakeRow] = {}
        self.outcomes: dict[str, OutcomeRow] = {}
        self.left: list[str] = []
        self.results = 0

    def enter(self) -> PackageTaken:
        """Enter everything; the caller's transaction makes it whole."""
        self._sources()
        self._cameras()
        self._takes()
        self._inputs()
        self._outcomes()
        self.session.flush()
        names = tuple(row.name for row in self.cameras.values())
        head = self.package.head
        return PackageTaken(
            head.title, head.licence, names, tuple(self.left), len(self.takes), self.results,
            newer_tests(head.methods),
        )  # fmt: skip

    def _sources(self) -> None:
        head, ours = self.package.head, identity_in(self.session).id
        if head.id == ours:
            raise Conflict(
                "This package was made from this very bench.",
                "'seeworthy bench unpack' restores a backup; a package is for other benches.",
            )
        old = self.session.get(SourceRow, head.id)
        if old is not None and old.created >= head.created:
            raise Conflict(
                f"'{head.title or 'That bench'}' is here already, of "
                f"{old.created:%Y-%m-%d %H:%M} UTC.",
                "Take in a newer package of that bench; nothing was changed.",
            )
        if old is not None:
            for camera in self.session.scalars(
                select(CameraRow).where(CameraRow.source_uuid == head.id)
            ):
                self.session.delete(camera)
            self.session.flush()
        said = {
            str(s.get("path", "")).removeprefix("urn:uuid:"): s
            for s in self.package.descriptor.get("sources", ())
            if isinstance(s, dict)
        }
        for bench in {row["bench"] for row in self.tables["cameras"]} | {head.id}:
            if not is_uuid(bench):
                raise self.package.bad("a camera names a bench that is no UUID")
            if bench == head.id:
                row = SourceRow(
                    uuid=bench, title=head.title, licence=head.licence,
                    contributors=list(head.contributors), created=head.created,
                )  # fmt: skip
                self.session.merge(row)
            elif bench != ours and self.session.get(SourceRow, bench) is None:
                about = said.get(bench, {})
                row = SourceRow(
                    uuid=bench, title=str(about.get("title", "")),
                    licence=str(about.get("licence", "")), contributors=[], created=head.created,
                )  # fmt: skip
                self.session.add(row)
        self.session.flush()

    def _cameras(self) -> None:
        ours = identity_in(self.session).id
        taken = {name.casefold() for name in self.session.scalars(select(CameraRow.name))}
        here = set(self.session.scalars(select(CameraRow.uuid)))
        for row in self.tables["cameras"]:
            if row["bench"] == ours or row["id"] in here:
                self.left.append(row["camera"])
                continue
            made = self._made("cameras", CameraRow, row)
            made.source_uuid = row["bench"]
            made.name = self._free(made.name, taken)
            taken.add(made.name.casefold())
            self.session.add(made)
            self.cameras[row["id"]] = made
        for row in self.tables["units"]:
            if row["camera"] in self.cameras:
                made = self._made("units", UnitRow, row)
                self.cameras[row["camera"]].units.append(made)
                self.units[row["id"]] = made
        for row in self.tables["firmware"]:
            if row["unit"] in self.units:
                self.units[row["unit"]].firmware.append(self._made("firmware", FirmwareRow, row))
        for row in self.tables["claims"]:
            if row["camera"] in self.cameras:
                self.cameras[row["camera"]].claims.append(self._made("claims", ClaimRow, row))
        for row in self.tables["instruments"]:
            if self.session.get(InstrumentRow, row["id"]) is None:
                made = self._made("instruments", InstrumentRow, row)
                made.source_uuid = self.package.head.id
                self.session.add(made)
        self.session.flush()

    def _free(self, name: str, taken: set[str]) -> str:
        name = " ".join(name.split())[:150]
        if not name:
            raise self.package.bad("a camera has no name")
        if name.casefold() not in taken:
            return name
        whose = (self.package.head.title or "another bench")[:40]
        for tail in ("", *(f" {i}" for i in range(2, 1000))):
            new = f"{name} ({whose}{tail})"
            if new.casefold() not in taken:
                return new
        raise self.package.bad(f"too many cameras are called '{name}'")

    def _takes(self) -> None:
        numbers = set(self.session.scalars(select(TakeRow.id)))
        here = set(self.session.scalars(select(TakeRow.uuid)))
        free = max([*numbers, 0, *(r["number"] for r in self.tables["takes"])]) + 1
        for row in self.tables["takes"]:
            if row["unit"] not in self.units:
                continue
            if row["id"] in here:
                raise Conflict(
                    f"Take {row['number']} of the package is in this bench already.",
                    "Remove the cameras that an older package has brought; nothing was changed.",
                )
            made = self._made("takes", TakeRow, row)
            # Numbers stay as they are where they can, so that both groups mean the same take.
            if not 0 < made.id < 2**31 or made.id in numbers:
                made.id, free = free, free + 1
            numbers.add(made.id)
            for name, unit in (("light", "lx"), ("temperature", "degC")):
                if row[name] is not None:
                    made.conditions.append(
                        ConditionRow(
                            name=name, text=row[f"{name}_typed"], value=row[name], unit=unit,
                            u=row[f"{name}_u"] or 0.0,
                        )
                    )  # fmt: skip
            self.units[row["unit"]].takes.append(made)
            self.takes[row["id"]] = made
        self.session.flush()

    def _inputs(self) -> None:
        for row in self._mine("files"):
            if len(row["sha256"]) != 64:
                raise self.package.bad(f"'{row['file']}' has no SHA-256")
            self._evidence(row["sha256"], row["bytes"])
            self.takes[row["take"]].files.append(self._made("files", TakeFileRow, row))
        for row in self._mine("readings"):
            made = self._made("readings", ReadingRow, row)
            made.instrument_uuid = made.instrument_uuid or None
            self.takes[row["take"]].readings.append(made)
        for row in self._mine("options"):
            self.takes[row["take"]].options.append(self._made("options", TakeOptionRow, row))

    def _evidence(self, sha256: str, size: int | None) -> None:
        kept = self.kept.get(sha256)
        if kept is not None:
            evidence.record(self.bench, self.session, kept)
        elif self.session.get(EvidenceRow, sha256) is None:
            self.session.add(EvidenceRow(sha256=sha256, size=size or 0))
            self.session.flush()

    def _outcomes(self) -> None:
        for row in self._mine("outcomes"):
            more = self.details.get(row["take"], {})
            made = self._made("outcomes", OutcomeRow, row)
            made.take_id = self.takes[row["take"]].id
            made.inputs = more.get("inputs") or {"files": [], "readings": [], "options": []}
            made.correction = more.get("correction")
            self._details(made, more)
            self.session.add(made)
            self.outcomes[row["take"]] = made
        for name, model in (("results", ResultRow), ("findings", FindingRow),
                            ("warnings", WarningRow)):  # fmt: skip
            for row in self._mine(name):
                if row["take"] not in self.outcomes:
                    raise self.package.bad(f"'{name}.csv' has a take without an outcome")
                made = self._made(name, model, row)
                if name == "results":
                    made.conditions = _conditions(row, self.takes[row["take"]], self.package)
                    made.evidence = _json(row["evidence"] or "[]", self.package)
                    self.results += 1
                if name == "findings":
                    made.value = _json(row["value"], self.package)
                getattr(self.outcomes[row["take"]], name).append(made)

    def _details(self, made: OutcomeRow, more: Mapping[str, Any]) -> None:
        try:
            for place, body in enumerate(more.get("figures", ())):
                made.figures.append(FigureRow(position=place, name=figure_of(body).name, body=body))
            for place, p in enumerate(more.get("pictures", ())):
                self._evidence(str(p["sha256"]), int(p["bytes"]))
                made.pictures.append(
                    PictureRow(
                        position=place, name=str(p["name"]), caption=str(p["caption"]),
                        sha256=str(p["sha256"]),
                    )
                )  # fmt: skip
        except (KeyError, TypeError, ValueError):
            raise self.package.bad("a figure or picture in 'details.json' is no such") from None

    def _mine(self, name: str) -> list[Row]:
        return [row for row in self.tables[name] if row["take"] in self.takes]

    def _made(self, name: str, model: type[Any], row: Row) -> Any:
        return model(**_own(sheet(name), row))


def _own(of: Sheet, row: Row) -> dict[str, Any]:
    return {c.way: row[c.name] for c in of.columns if c.own}


def _conditions(row: Row, take: TakeRow, package: Package) -> dict[str, Any]:
    """Return the conditions of a result without those that its take says."""
    found = {n: row[n] for n in CONDITIONS if row[n] not in (None, "")}
    found.update(_json(row["other_conditions"] or "{}", package))
    around = {c.name: c.value for c in take.conditions}
    return {n: v for n, v in found.items() if around.get(n) != v}


def _json(text: str, package: Package) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        raise UnreadableInput(
            f"A cell of the package '{package.path.name}' should be JSON: '{text[:40]}'.",
            "Ask whoever made the package for a whole one; nothing was taken in.",
        ) from None
