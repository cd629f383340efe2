"""Passages that the coach recorded, and the packs that they want."""

import sqlalchemy as sa
from alembic import op

from lessonmark.lessons.record import UtcTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "passage",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("at", sa.String(length=80), nullable=False),
        sa.Column("view", sa.String(length=16), nullable=True),
        sa.Column("sound", sa.String(length=80), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("caption", sa.Text(), nullable=False),
        sa.Column("take", sa.Text(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_passage_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_passage")),
        sa.UniqueConstraint("uid", name=op.f("uq_passage_uid")),
    )
    op.create_index(op.f("ix_passage_lesson_id"), "passage", ["lesson_id"])
    op.create_table(
        "pack_order",
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("language", sa.String(length=16), nullable=False),
        sa.Column("papers", sa.String(length=40), nullable=False),
        sa.Column("with_name", sa.Boolean(), nullable=False),
        sa.Column("with_voice", sa.Boolean(), nullable=False),
        sa.Column("coach", sa.String(length=200), nullable=False),
        sa.Column("talking_points", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("progress", sa.Double(), nullable=False),
        sa.Column("doing", sa.String(length=200), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("problem_do", sa.Text(), nullable=False),
        sa.Column("asked_at", UtcTime(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_pack_order_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("lesson_id", name=op.f("pk_pack_order")),
    )
    op.create_index(op.f("ix_pack_order_state"), "pack_order", ["state"])
