"""Cameras, units, takes and results have a UUID; other groups' cameras a source.

Revision ID: 0004
"""

from __future__ import annotations

import uuid

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

NAMED = ("camera", "unit", "take", "result")


def upgrade() -> None:
    """Make the tables and columns; every row that is there gets its UUID."""
    op.create_table(
        "source",
        sa.Column("uuid", sa.String(length=36), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("licence", sa.Text(), nullable=False),
        sa.Column("contributors", sa.JSON(), nullable=False),
        sa.Column("created", sa.DateTime(), nullable=False),
        sa.Column("added", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("uuid", name=op.f("pk_source")),
    )
    op.create_table(
        "instrument",
        sa.Column("uuid", sa.String(length=36), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("source_uuid", sa.String(length=36), nullable=True),
        sa.ForeignKeyConstraint(
            ["source_uuid"], ["source.uuid"], name=op.f("fk_instrument_source_uuid_source")
        ),
        sa.PrimaryKeyConstraint("uuid", name=op.f("pk_instrument")),
    )
    op.create_index(op.f("ix_instrument_source_uuid"), "instrument", ["source_uuid"])
    for name in NAMED:
        _identify(name)
    _refer("camera", "source")
    _refer("reading", "instrument")
    about = sa.table("about", sa.column("name", sa.String()), sa.column("value", sa.Text()))
    op.get_bind().execute(about.insert().values(name="id", value=str(uuid.uuid4())))


def _identify(name: str) -> None:
    with op.batch_alter_table(name) as table:
        table.add_column(sa.Column("uuid", sa.String(length=36), nullable=True))
    rows = sa.table(name, sa.column("id", sa.Integer()), sa.column("uuid", sa.String()))
    connection = op.get_bind()
    numbers = connection.execute(sa.select(rows.c.id)).scalars().all()
    if numbers:
        change = rows.update().where(rows.c.id == sa.bindparam("number"))
        connection.execute(
            change.values(uuid=sa.bindparam("given")),
            [{"number": n, "given": str(uuid.uuid4())} for n in numbers],
        )
    with op.batch_alter_table(name) as table:
        table.alter_column("uuid", existing_type=sa.String(length=36), nullable=False)
        table.create_unique_constraint(op.f(f"uq_{name}_uuid"), ["uuid"])


def _refer(name: str, other: str) -> None:
    column = f"{other}_uuid"
    with op.batch_alter_table(name) as table:
        table.add_column(sa.Column(column, sa.String(length=36), nullable=True))
        table.create_foreign_key(op.f(f"fk_{name}_{column}_{other}"), other, [column], ["uuid"])
        table.create_index(op.f(f"ix_{name}_{column}"), [column])
