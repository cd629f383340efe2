"""Turns in the queue, versions beside numbers, earlier results, accounts and the audit log."""

import sqlalchemy as sa
from alembic import op

from lessonmark.lessons.record import UtcTime

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column("clip", sa.Column("tries", sa.Integer(), nullable=False, server_default="0"))
    op.add_column(
        "clip", sa.Column("taken_by", sa.String(length=120), nullable=False, server_default="")
    )
    op.add_column("clip", sa.Column("taken_until", UtcTime(), nullable=True))
    op.add_column(
        "clip", sa.Column("measured_with", sa.String(length=64), nullable=False, server_default="")
    )
    op.create_index(op.f("ix_clip_measured_with"), "clip", ["measured_with"])
    op.add_column("lesson", sa.Column("on_screen_at", UtcTime(), nullable=True))
    op.add_column(
        "lesson_finding",
        sa.Column("measured_with", sa.String(length=200), nullable=False, server_default=""),
    )
    op.create_table(
        "former_finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("measured_with", sa.String(length=200), nullable=False),
        sa.Column("replaced_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_former_finding_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_former_finding")),
        sa.UniqueConstraint("lesson_id", "made_at", name=op.f("uq_former_finding_lesson_id")),
    )
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("password", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=True),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("closed_at", UtcTime(), nullable=True),
        sa.Column("wrong_tries", sa.Integer(), nullable=False, server_default="0"),
        sa.Column("locked_until", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["player_id"],
            ["player.id"],
            name=op.f("fk_account_player_id_player"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name", name=op.f("uq_account_name")),
    )
    op.create_table(
        "account_session",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("ends_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"],
            ["account.id"],
            name=op.f("fk_account_session_account_id_account"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_account_session")),
    )
    op.create_table(
        "owner",
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["player_id"], ["player.id"], name=op.f("fk_owner_player_id_player"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["account_id"],
            ["account.id"],
            name=op.f("fk_owner_account_id_account"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("player_id", name=op.f("pk_owner")),
    )
    op.create_index(op.f("ix_owner_account_id"), "owner", ["account_id"])
    op.create_table(
        "audit_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("did", sa.String(length=120), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=True),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
    )
    op.create_index(op.f("ix_audit_entry_at"), "audit_entry", ["at"])
    op.create_index(op.f("ix_audit_entry_player_id"), "audit_entry", ["player_id"])
