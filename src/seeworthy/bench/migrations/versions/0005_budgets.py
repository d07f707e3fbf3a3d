"""A result keeps its uncertainty budget; old rows have none.

Revision ID: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("result", sa.Column("budget", sa.JSON(), nullable=True))
