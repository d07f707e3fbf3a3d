"""What the tables of a bench are made of: moments in UTC, identities, names of constraints."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from sqlalchemy import JSON, DateTime, Double, MetaData, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase
from sqlalchemy.types import TypeDecorator


class UtcTime(TypeDecorator[dt.datetime]):
    """A moment, kept as UTC without an offset; databases disagree about offsets."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Turn an aware moment into naive UTC."""
        return None if value is None else value.astimezone(dt.UTC).replace(tzinfo=None)

    def process_result_value(
        self, value: dt.datetime | None, dialect: Dialect
    ) -> dt.datetime | None:
        """Give naive UTC its offset back."""
        return None if value is None else value.replace(tzinfo=dt.UTC)


def now() -> dt.datetime:
    """Return the present moment, UTC."""
    return dt.datetime.now(dt.UTC)


def new_uuid() -> str:
    """Return a random UUID (RFC 9562, version 4): no two benches ever give the same one."""
    return str(uuid.uuid4())


class Base(DeclarativeBase):
    """Base of all models; constraints get names, so that migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it off the class
        str: Text,
        float: Double,
        dt.datetime: UtcTime,
        dict[str, Any]: JSON,
        list[Any]: JSON,
    }
