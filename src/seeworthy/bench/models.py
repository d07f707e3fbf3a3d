"""The tables of a bench, as typed SQLAlchemy models.

Table and column names are plain words, so that any SQL tool can read a bench. Nothing here is
particular to one database; JSON is SQLAlchemy's own type and times are UTC. The tables are made by
the migrations next door; a test holds the two together.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from sqlalchemy import JSON, BigInteger, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from seeworthy.bench.columns import Base, new_uuid, now

OfTake = Annotated[int, mapped_column(ForeignKey("take.id", ondelete="CASCADE"), primary_key=True)]
OfOutcome = Annotated[
    int, mapped_column(ForeignKey("outcome.id", ondelete="CASCADE"), primary_key=True)
]


def _owned(order: str, back: str | None = None) -> Any:
    """Rows that come and go with their owner, in an order."""
    return relationship(back_populates=back, cascade="all, delete-orphan", order_by=order)


class AboutRow(Base):
    """Facts about the bench itself, one per row."""

    __tablename__ = "about"
    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    value: Mapped[str]


class SourceRow(Base):
    """Another group's bench, whose package was taken in: cameras point at it, ours do not."""

    __tablename__ = "source"
    uuid: Mapped[str] = mapped_column(String(36), primary_key=True)
    """Of their bench."""
    title: Mapped[str] = mapped_column(default="")
    licence: Mapped[str] = mapped_column(default="")
    contributors: Mapped[list[Any]] = mapped_column(default=list)
    created: Mapped[dt.datetime]
    """When they made the package."""
    added: Mapped[dt.datetime] = mapped_column(default=now)


class InstrumentRow(Base):
    """A tape, scale or meter that readings were taken with."""

    __tablename__ = "instrument"
    uuid: Mapped[str] = mapped_column(String(36), primary_key=True, default=new_uuid)
    name: Mapped[str] = mapped_column(String(200))
    source_uuid: Mapped[str | None] = mapped_column(ForeignKey("source.uuid"), index=True)


class CameraRow(Base):
    """A camera model."""

    __tablename__ = "camera"
    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True, default=new_uuid)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    maker: Mapped[str] = mapped_column(default="")
    note: Mapped[str] = mapped_column(default="")
    added: Mapped[dt.datetime] = mapped_column(default=now)
    source_uuid: Mapped[str | None] = mapped_column(ForeignKey("source.uuid"), index=True)
    """Whose it is; None: ours."""
    version: Mapped[int] = mapped_column(default=1)
    source: Mapped[SourceRow | None] = relationship()
    units: Mapped[list[UnitRow]] = _owned("UnitRow.id", "camera")
    claims: Mapped[list[ClaimRow]] = _owned("ClaimRow.id", "camera")
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class UnitRow(Base):
    """One specimen of a camera."""

    __tablename__ = "unit"
    __table_args__ = (UniqueConstraint("camera_id", "serial"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True, default=new_uuid)
    camera_id: Mapped[int] = mapped_column(ForeignKey("camera.id", ondelete="CASCADE"), index=True)
    serial: Mapped[str] = mapped_column(String(200))
    note: Mapped[str] = mapped_column(default="")
    version: Mapped[int] = mapped_column(default=1)
    camera: Mapped[CameraRow] = relationship(back_populates="units")
    firmware: Mapped[list[FirmwareRow]] = _owned("FirmwareRow.since", "unit")
    takes: Mapped[list[TakeRow]] = _owned("TakeRow.id", "unit")
    curve_takes: Mapped[list[TakeRow]] = relationship(
        viewonly=True,
        order_by="TakeRow.id",
        primaryjoin="and_(UnitRow.id == TakeRow.unit_id, TakeRow.procedure == 'oecf')",
    )
    """Those that measured its tone curve."""
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class FirmwareRow(Base):
    """A firmware, on one unit, from a date on."""

    __tablename__ = "firmware"
    __table_args__ = (UniqueConstraint("unit_id", "name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id", ondelete="CASCADE"), index=True)
    name: Mapped[str] = mapped_column(String(200))
    since: Mapped[dt.date]
    unit: Mapped[UnitRow] = relationship(back_populates="firmware")


class ClaimRow(Base):
    """What the seller says of a measurand or finding, or that he says nothing."""

    __tablename__ = "claim"
    __table_args__ = (UniqueConstraint("camera_id", "subject"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    camera_id: Mapped[int] = mapped_column(ForeignKey("camera.id", ondelete="CASCADE"), index=True)
    subject: Mapped[str] = mapped_column(String(100))
    silent: Mapped[bool] = mapped_column(default=False)
    text: Mapped[str] = mapped_column(default="")
    value: Mapped[float | None]
    unit: Mapped[str] = mapped_column(default="")
    u: Mapped[float | None]
    source: Mapped[str] = mapped_column(default="")
    version: Mapped[int] = mapped_column(default=1)
    camera: Mapped[CameraRow] = relationship(back_populates="claims")
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class EvidenceRow(Base):
    """One content, known by its SHA-256: kept in the bench, or referenced elsewhere."""

    __tablename__ = "evidence"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    size: Mapped[int] = mapped_column(BigInteger)
    kept: Mapped[str | None]
    """Path inside the bench folder."""
    place: Mapped[str | None]
    """Where a referenced file stands; inside the bench folder: relative to it."""
    added: Mapped[dt.datetime] = mapped_column(default=now)


class TakeRow(Base):
    """One execution of a procedure on one unit."""

    __tablename__ = "take"
    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True, default=new_uuid)
    unit_id: Mapped[int] = mapped_column(ForeignKey("unit.id", ondelete="CASCADE"), index=True)
    procedure: Mapped[str] = mapped_column(String(100), index=True)
    taken: Mapped[dt.date]
    note: Mapped[str] = mapped_column(default="")
    added: Mapped[dt.datetime] = mapped_column(default=now)
    version: Mapped[int] = mapped_column(default=1)
    unit: Mapped[UnitRow] = relationship(back_populates="takes")
    files: Mapped[list[TakeFileRow]] = _owned("TakeFileRow.position")
    readings: Mapped[list[ReadingRow]] = _owned("ReadingRow.position")
    options: Mapped[list[TakeOptionRow]] = _owned("TakeOptionRow.position")
    conditions: Mapped[list[ConditionRow]] = _owned("ConditionRow.name")
    outcome: Mapped[OutcomeRow | None] = relationship(
        back_populates="take", cascade="all, delete-orphan"
    )
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class TakeFileRow(Base):
    """One input file of a take, in the order given."""

    __tablename__ = "take_file"
    take_id: Mapped[OfTake]
    position: Mapped[int] = mapped_column(primary_key=True)
    role: Mapped[str] = mapped_column(String(100), default="")
    name: Mapped[str]
    sha256: Mapped[str] = mapped_column(ForeignKey("evidence.sha256"), index=True)
    evidence: Mapped[EvidenceRow] = relationship()


class ReadingRow(Base):
    """A value that a person read off an instrument: as typed, and in the declared unit."""

    __tablename__ = "reading"
    take_id: Mapped[OfTake]
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100))
    text: Mapped[str]
    value: Mapped[float | None]
    unit: Mapped[str]
    u: Mapped[float | None]
    instrument_uuid: Mapped[str | None] = mapped_column(ForeignKey("instrument.uuid"), index=True)
    instrument: Mapped[InstrumentRow | None] = relationship()


class TakeOptionRow(Base):
    """How a take is to be evaluated."""

    __tablename__ = "take_option"
    take_id: Mapped[OfTake]
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100))
    value: Mapped[str]


class ConditionRow(Base):
    """What surrounded a take: ``light`` (lx) or ``temperature`` (degC)."""

    __tablename__ = "condition"
    take_id: Mapped[OfTake]
    name: Mapped[str] = mapped_column(String(100), primary_key=True)
    text: Mapped[str]
    value: Mapped[float]
    unit: Mapped[str]
    u: Mapped[float]


class RunRow(Base):
    """One call of ``run``: who measured, when, with what."""

    __tablename__ = "run"
    id: Mapped[int] = mapped_column(primary_key=True)
    started: Mapped[dt.datetime] = mapped_column(default=now)
    ended: Mapped[dt.datetime | None]
    host: Mapped[str]
    process: Mapped[str]
    seeworthy: Mapped[str]


class LeaseRow(Base):
    """A take that a run has in hand, until a time that the run keeps moving on."""

    __tablename__ = "lease"
    take_id: Mapped[OfTake]
    run_id: Mapped[int] = mapped_column(ForeignKey("run.id", ondelete="CASCADE"), index=True)
    until: Mapped[dt.datetime]


class OutcomeRow(Base):
    """What the procedure said of a take: measured, or refused, or why it could not be run."""

    __tablename__ = "outcome"
    id: Mapped[int] = mapped_column(primary_key=True)
    take_id: Mapped[int] = mapped_column(ForeignKey("take.id", ondelete="CASCADE"), unique=True)
    run_id: Mapped[int | None] = mapped_column(ForeignKey("run.id", ondelete="SET NULL"))
    measured: Mapped[dt.datetime] = mapped_column(default=now)
    seconds: Mapped[float] = mapped_column(default=0.0)
    procedure_version: Mapped[int]
    seeworthy: Mapped[str]
    inputs_key: Mapped[str] = mapped_column(String(64))
    inputs: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(20))
    method: Mapped[str] = mapped_column(default="")
    sentence: Mapped[str] = mapped_column(default="")
    error_kind: Mapped[str] = mapped_column(default="")
    message: Mapped[str] = mapped_column(default="")
    hint: Mapped[str] = mapped_column(default="")
    correction: Mapped[dict[str, Any] | None]
    take: Mapped[TakeRow] = relationship(back_populates="outcome")
    results: Mapped[list[ResultRow]] = _owned("ResultRow.position", "outcome")
    findings: Mapped[list[FindingRow]] = _owned("FindingRow.position")
    warnings: Mapped[list[WarningRow]] = _owned("WarningRow.position")
    pictures: Mapped[list[PictureRow]] = _owned("PictureRow.position")
    figures: Mapped[list[FigureRow]] = _owned("FigureRow.position")


class ResultRow(Base):
    """One measured value with its uncertainty, in the unit of its measurand."""

    __tablename__ = "result"
    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True, default=new_uuid)
    outcome_id: Mapped[int] = mapped_column(
        ForeignKey("outcome.id", ondelete="CASCADE"), index=True
    )
    position: Mapped[int]
    measurand: Mapped[str] = mapped_column(String(100), index=True)
    value: Mapped[float]
    unit: Mapped[str]
    u: Mapped[float]
    low: Mapped[float]
    high: Mapped[float]
    dof: Mapped[float]
    n: Mapped[int]
    conditions: Mapped[dict[str, Any]]
    evidence: Mapped[list[Any]]
    budget: Mapped[list[Any] | None]
    outcome: Mapped[OutcomeRow] = relationship(back_populates="results")


class FindingRow(Base):
    """Something true or false or counted."""

    __tablename__ = "finding"
    outcome_id: Mapped[OfOutcome]
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), index=True)
    value: Mapped[Any] = mapped_column(JSON)


class WarningRow(Base):
    """A sentence that a person should read beside the figures."""

    __tablename__ = "warning"
    outcome_id: Mapped[OfOutcome]
    position: Mapped[int] = mapped_column(primary_key=True)
    text: Mapped[str]


class PictureRow(Base):
    """A picture that shows what was found; its bytes are evidence like any file."""

    __tablename__ = "picture"
    outcome_id: Mapped[OfOutcome]
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    caption: Mapped[str]
    sha256: Mapped[str] = mapped_column(ForeignKey("evidence.sha256"), index=True)
    evidence: Mapped[EvidenceRow] = relationship()


class FigureRow(Base):
    """A figure as data."""

    __tablename__ = "figure"
    outcome_id: Mapped[OfOutcome]
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    body: Mapped[dict[str, Any]]
