"""What `correct` needs is stored with the outcome.

Revision ID: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("outcome", sa.Column("correction", sa.JSON(), nullable=True))
