"""Drills with their day, planned practice, attempts at checkpoints, target windows, causes."""

import json

import sqlalchemy as sa
from alembic import op

from lessonmark.lessons.record import UtcTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    # The coach's own words in `name` stay as they are, linked to the library or not.
    op.add_column("drill_set", sa.Column("set_on", sa.Date(), nullable=True))
    connection = op.get_bind()
    lesson = sa.table("lesson", sa.column("id"), sa.column("started_at", UtcTime()))
    drill = sa.table("drill_set", sa.column("lesson_id"), sa.column("set_on", sa.Date()))
    for key, started_at in connection.execute(sa.select(lesson.c.id, lesson.c.started_at)).all():
        connection.execute(
            drill.update().where(drill.c.lesson_id == key).values(set_on=started_at.date())
        )
    op.add_column("focus", sa.Column("change", sa.Text(), nullable=True))
    _fill_changes(connection)
    # So that what is newest is known without reading through the findings themselves.
    op.create_index(op.f("ix_lesson_finding_made_at"), "lesson_finding", ["made_at"])
    op.create_table(
        "planned_practice",
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("next_on", sa.Date(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_planned_practice_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("lesson_id", name=op.f("pk_planned_practice")),
    )
    op.create_table(
        "attempt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("drill", sa.String(length=80), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("checkpoint", sa.String(length=200), nullable=False),
        sa.Column("swings", sa.Integer(), nullable=False),
        sa.Column("met", sa.Integer(), nullable=False),
        sa.Column("too_close", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_attempt_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempt")),
    )
    op.create_index(op.f("ix_attempt_lesson_id"), "attempt", ["lesson_id"])
    op.create_table(
        "target_window",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.String(length=80), nullable=False),
        sa.Column("view", sa.String(length=16), nullable=False),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["player_id"],
            ["player.id"],
            name=op.f("fk_target_window_player_id_player"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_target_window")),
        sa.UniqueConstraint("player_id", "at", "view", name=op.f("uq_target_window_player_id")),
    )
    op.create_table(
        "cause_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("words", sa.String(length=200), nullable=False),
        sa.Column("at", sa.String(length=80), nullable=False),
        sa.Column("way", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_cause_step_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cause_step")),
    )
    op.create_index(op.f("ix_cause_step_lesson_id"), "cause_step", ["lesson_id"])


def _fill_changes(connection: sa.Connection) -> None:
    """Copy each judged focus measure's change out of the findings."""
    found = sa.table("lesson_finding", sa.column("lesson_id"), sa.column("findings"))
    focus = sa.table(
        "focus", sa.column("lesson_id"), sa.column("at"), sa.column("view"), sa.column("change")
    )
    for lesson_id, text in connection.execute(sa.select(found.c.lesson_id, found.c.findings)).all():
        for one in json.loads(text).get("focus", []):
            place = one["at"].get("position")
            connection.execute(
                focus.update()
                .where(
                    focus.c.lesson_id == lesson_id,
                    focus.c.at == one["at"]["measure"] + (f"@{place}" if place else ""),
                    focus.c.view == one["view"],
                )
                .values(change=json.dumps(one["change"]))
            )
