"""The first bench: cameras, takes, evidence, outcomes.

Revision ID: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "about",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_about")),
    )
    op.create_table(
        "camera",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_camera")),
        sa.UniqueConstraint("name", name=op.f("uq_camera_name")),
    )
    op.create_table(
        "evidence",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("kept", sa.Text(), nullable=True),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("added", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_evidence")),
    )
    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("started", sa.DateTime(), nullable=False),
        sa.Column("ended", sa.DateTime(), nullable=True),
        sa.Column("host", sa.Text(), nullable=False),
        sa.Column("process", sa.Text(), nullable=False),
        sa.Column("seeworthy", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run")),
    )
    op.create_table(
        "claim",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("camera_id", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(length=100), nullable=False),
        sa.Column("silent", sa.Boolean(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["camera_id"], ["camera.id"], name=op.f("fk_claim_camera_id_camera"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claim")),
        sa.UniqueConstraint("camera_id", "subject", name=op.f("uq_claim_camera_id")),
    )
    op.create_index(op.f("ix_claim_camera_id"), "claim", ["camera_id"], unique=False)
    op.create_table(
        "unit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("camera_id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=200), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["camera_id"], ["camera.id"], name=op.f("fk_unit_camera_id_camera"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit")),
        sa.UniqueConstraint("camera_id", "serial", name=op.f("uq_unit_camera_id")),
    )
    op.create_index(op.f("ix_unit_camera_id"), "unit", ["camera_id"], unique=False)
    op.create_table(
        "firmware",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("since", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_id"], ["unit.id"], name=op.f("fk_firmware_unit_id_unit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_firmware")),
        sa.UniqueConstraint("unit_id", "name", name=op.f("uq_firmware_unit_id")),
    )
    op.create_index(op.f("ix_firmware_unit_id"), "firmware", ["unit_id"], unique=False)
    op.create_table(
        "take",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("procedure", sa.String(length=100), nullable=False),
        sa.Column("taken", sa.Date(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added", sa.DateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_id"], ["unit.id"], name=op.f("fk_take_unit_id_unit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_take")),
    )
    op.create_index(op.f("ix_take_procedure"), "take", ["procedure"], unique=False)
    op.create_index(op.f("ix_take_unit_id"), "take", ["unit_id"], unique=False)
    op.create_table(
        "condition",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_condition_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("take_id", "name", name=op.f("pk_condition")),
    )
    op.create_table(
        "lease",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("until", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run_id"], ["run.id"], name=op.f("fk_lease_run_id_run"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_lease_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("take_id", name=op.f("pk_lease")),
    )
    op.create_index(op.f("ix_lease_run_id"), "lease", ["run_id"], unique=False)
    op.create_table(
        "outcome",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("measured", sa.DateTime(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("procedure_version", sa.Integer(), nullable=False),
        sa.Column("seeworthy", sa.Text(), nullable=False),
        sa.Column("inputs_key", sa.String(length=64), nullable=False),
        sa.Column("inputs", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("error_kind", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("hint", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run_id"], ["run.id"], name=op.f("fk_outcome_run_id_run"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_outcome_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outcome")),
        sa.UniqueConstraint("take_id", name=op.f("uq_outcome_take_id")),
    )
    op.create_table(
        "reading",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_reading_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("take_id", "position", name=op.f("pk_reading")),
    )
    op.create_table(
        "take_file",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=100), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["sha256"], ["evidence.sha256"], name=op.f("fk_take_file_sha256_evidence")
        ),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_take_file_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("take_id", "position", name=op.f("pk_take_file")),
    )
    op.create_index(op.f("ix_take_file_sha256"), "take_file", ["sha256"], unique=False)
    op.create_table(
        "take_option",
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["take_id"], ["take.id"], name=op.f("fk_take_option_take_id_take"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("take_id", "position", name=op.f("pk_take_option")),
    )
    op.create_table(
        "figure",
        sa.Column("outcome_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outcome_id"],
            ["outcome.id"],
            name=op.f("fk_figure_outcome_id_outcome"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("outcome_id", "position", name=op.f("pk_figure")),
    )
    op.create_table(
        "finding",
        sa.Column("outcome_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outcome_id"],
            ["outcome.id"],
            name=op.f("fk_finding_outcome_id_outcome"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("outcome_id", "position", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_name"), "finding", ["name"], unique=False)
    op.create_table(
        "picture",
        sa.Column("outcome_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("caption", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["outcome_id"],
            ["outcome.id"],
            name=op.f("fk_picture_outcome_id_outcome"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["sha256"], ["evidence.sha256"], name=op.f("fk_picture_sha256_evidence")
        ),
        sa.PrimaryKeyConstraint("outcome_id", "position", name=op.f("pk_picture")),
    )
    op.create_index(op.f("ix_picture_sha256"), "picture", ["sha256"], unique=False)
    op.create_table(
        "result",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("outcome_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("measurand", sa.String(length=100), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("conditions", sa.JSON(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outcome_id"],
            ["outcome.id"],
            name=op.f("fk_result_outcome_id_outcome"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_result")),
    )
    op.create_index(op.f("ix_result_measurand"), "result", ["measurand"], unique=False)
    op.create_index(op.f("ix_result_outcome_id"), "result", ["outcome_id"], unique=False)
    op.create_table(
        "warning",
        sa.Column("outcome_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outcome_id"],
            ["outcome.id"],
            name=op.f("fk_warning_outcome_id_outcome"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("outcome_id", "position", name=op.f("pk_warning")),
    )
