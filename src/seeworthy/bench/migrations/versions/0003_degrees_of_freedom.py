"""A result keeps its degrees of freedom.

Old rows kept value, u and interval alone: the factor between the two tells (symmetric
intervals are Student's t); an interval that was stated otherwise stands for itself.

Revision ID: 0003
"""

from __future__ import annotations

import math

import sqlalchemy as sa
from alembic import op

from seeworthy.ground.uncertainty import dof_from_interval

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column and fill it."""
    with op.batch_alter_table("result") as table:
        table.add_column(sa.Column("dof", sa.Double(), nullable=True))
    result = sa.table(
        "result", *(sa.column(n, sa.Double()) for n in ("value", "u", "low", "high", "dof")),
        sa.column("id", sa.Integer()),
    )  # fmt: skip
    connection = op.get_bind()
    connection.execute(result.update().values(dof=math.inf))
    for row in connection.execute(result.select()).all():
        dof = dof_from_interval(row.value, row.u, (row.low, row.high))
        if math.isfinite(dof):
            connection.execute(result.update().where(result.c.id == row.id).values(dof=dof))
    with op.batch_alter_table("result") as table:
        table.alter_column("dof", existing_type=sa.Double(), nullable=False)
