"""Pieces read again, calibrations, and what a board says: papers beside the marks, pass lines with who stands for them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
UTC = sa.DateTime(timezone=True)
KEY = sa.String(length=20)


def upgrade() -> None:
    """Add the tables, and to jobs what is to be read again."""
    op.add_column("jobs", sa.Column("again", sa.JSON(none_as_null=True), nullable=True))
    _readings()
    _board()


def _readings() -> None:
    op.create_table(
        "rereadings",
        sa.Column("id", KEY, nullable=False),
        sa.Column("piece_id", KEY, nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=True),
        sa.Column("kerfmark", sa.Text(), nullable=False),
        sa.Column("rms_um", sa.Float(precision=53), nullable=False),
        sa.Column("overlap", sa.Float(precision=53), nullable=False),
        sa.Column("modelled", sa.Boolean(), nullable=False),
        sa.Column("read_by", KEY, nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["blob"], ["blobs.sha256"], name=op.f("fk_rereadings_blob")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_rereadings_piece_id")),
        sa.ForeignKeyConstraint(["read_by"], ["people.id"], name=op.f("fk_rereadings_read_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rereadings")),
        sa.UniqueConstraint("piece_id", "device", "number", name=op.f("uq_rereadings_piece_id_device_number")),
    )
    op.create_index(op.f("ix_rereadings_piece_id"), "rereadings", ["piece_id"], unique=False)
    op.create_table(
        "rereadings_values",
        sa.Column("rereading_id", KEY, nullable=False),
        sa.Column("criterion", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("value", sa.Float(precision=53), nullable=True),
        sa.Column("u", sa.Float(precision=53), nullable=True),
        sa.ForeignKeyConstraint(["rereading_id"], ["rereadings.id"], name=op.f("fk_rereadings_values_rereading_id")),
        sa.PrimaryKeyConstraint("rereading_id", "criterion", name=op.f("pk_rereadings_values")),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", KEY, nullable=False),
        sa.Column("site_id", KEY, nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("done_at", UTC, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["made_by"], ["people.id"], name=op.f("fk_calibrations_made_by")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_calibrations_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
    )
    op.create_index(op.f("ix_calibrations_site_id"), "calibrations", ["site_id"], unique=False)


def _board() -> None:
    op.create_table(
        "board_papers",
        sa.Column("id", KEY, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("sites", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("made_by", KEY, nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["made_by"], ["people.id"], name=op.f("fk_board_papers_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_board_papers")),
    )
    op.create_index(op.f("ix_board_papers_exercise"), "board_papers", ["exercise"], unique=False)
    op.create_table(
        "chosen_lines",
        sa.Column("id", KEY, nullable=False),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("sites", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("percent", sa.Float(precision=53), nullable=False),
        sa.Column("se", sa.Float(precision=53), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("person_id", KEY, nullable=True),
        sa.Column("basis", sa.JSON(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_chosen_lines_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chosen_lines")),
    )
    op.create_index(op.f("ix_chosen_lines_exercise"), "chosen_lines", ["exercise"], unique=False)
    op.create_index(op.f("ix_chosen_lines_person_id"), "chosen_lines", ["person_id"], unique=False)
