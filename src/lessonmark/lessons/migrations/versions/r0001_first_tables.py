"""First tables: players, lessons, clips, swings and what was found in them."""

import sqlalchemy as sa
from alembic import op

from lessonmark.lessons.record import UtcTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "erasure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=True),
        sa.Column("begun_at", UtcTime(), nullable=False),
        sa.Column("finished_at", UtcTime(), nullable=True),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_erasure")),
    )
    op.create_table(
        "media",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("suffix", sa.String(length=8), nullable=False),
        sa.Column("kept_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_media")),
    )
    op.create_table(
        "player",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column(
            "handedness",
            sa.Enum("right", "left", name="handedness", native_enum=False, length=16),
            nullable=False,
        ),
        sa.Column("stature_cm", sa.Double(), nullable=True),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("consent_on", sa.Date(), nullable=True),
        sa.Column("consent_by", sa.String(length=200), nullable=False),
        sa.Column("guardian", sa.String(length=200), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("erasing_since", UtcTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_player")),
        sa.UniqueConstraint("uid", name=op.f("uq_player_uid")),
    )
    op.create_table(
        "injury_note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("noted_on", sa.Date(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["player_id"],
            ["player.id"],
            name=op.f("fk_injury_note_player_id_player"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_injury_note")),
    )
    op.create_index(op.f("ix_injury_note_player_id"), "injury_note", ["player_id"], unique=False)
    op.create_table(
        "lesson",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum("lesson", "practice", name="lessonkind", native_enum=False, length=16),
            nullable=False,
        ),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("started_at", UtcTime(), nullable=False),
        sa.Column("club", sa.String(length=80), nullable=False),
        sa.Column("club_length_cm", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("next_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["player_id"],
            ["player.id"],
            name=op.f("fk_lesson_player_id_player"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lesson")),
        sa.UniqueConstraint("uid", name=op.f("uq_lesson_uid")),
    )
    op.create_index("ix_lesson_player_started", "lesson", ["player_id", "started_at"], unique=False)
    op.create_table(
        "clip",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("filmed_at", UtcTime(), nullable=False),
        sa.Column(
            "view",
            sa.Enum("face-on", "down-the-line", name="view", native_enum=False, length=16),
            nullable=True,
        ),
        sa.Column("view_by_hand", sa.Boolean(), nullable=False),
        sa.Column(
            "stage",
            sa.Enum(
                "before",
                "drill",
                "after",
                "practice",
                "retest",
                name="stage",
                native_enum=False,
                length=16,
            ),
            nullable=False,
        ),
        sa.Column("stage_by_hand", sa.Boolean(), nullable=False),
        sa.Column("fps_declared", sa.Double(), nullable=True),
        sa.Column(
            "state",
            sa.Enum(
                "waiting",
                "working",
                "done",
                "failed",
                name="clipstate",
                native_enum=False,
                length=16,
            ),
            nullable=False,
        ),
        sa.Column("progress", sa.Double(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("problem_do", sa.Text(), nullable=False),
        sa.Column("finding", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["lesson_id"], ["lesson.id"], name=op.f("fk_clip_lesson_id_lesson"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["player_id"], ["player.id"], name=op.f("fk_clip_player_id_player"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["sha256"], ["media.sha256"], name=op.f("fk_clip_sha256_media")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clip")),
        sa.UniqueConstraint("player_id", "sha256", name=op.f("uq_clip_player_id")),
        sa.UniqueConstraint("uid", name=op.f("uq_clip_uid")),
    )
    op.create_index(op.f("ix_clip_lesson_id"), "clip", ["lesson_id"], unique=False)
    op.create_index(op.f("ix_clip_sha256"), "clip", ["sha256"], unique=False)
    op.create_index(op.f("ix_clip_state"), "clip", ["state"], unique=False)
    op.create_table(
        "cue",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"], ["lesson.id"], name=op.f("fk_cue_lesson_id_lesson"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cue")),
    )
    op.create_index(op.f("ix_cue_lesson_id"), "cue", ["lesson_id"], unique=False)
    op.create_table(
        "drill_set",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("drill", sa.String(length=80), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("dose", sa.Text(), nullable=False),
        sa.Column("minutes", sa.Integer(), nullable=True),
        sa.Column("sets", sa.Integer(), nullable=True),
        sa.Column("balls", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_drill_set_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drill_set")),
    )
    op.create_index(op.f("ix_drill_set_lesson_id"), "drill_set", ["lesson_id"], unique=False)
    op.create_table(
        "focus",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("at", sa.String(length=80), nullable=False),
        sa.Column(
            "view",
            sa.Enum("face-on", "down-the-line", name="view", native_enum=False, length=16),
            nullable=False,
        ),
        sa.Column("direction", sa.String(length=8), nullable=False),
        sa.Column("smallest_worth", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["lesson_id"], ["lesson.id"], name=op.f("fk_focus_lesson_id_lesson"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_focus")),
        sa.UniqueConstraint("lesson_id", "at", "view", name=op.f("uq_focus_lesson_id")),
    )
    op.create_table(
        "lesson_finding",
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("stale", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_lesson_finding_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("lesson_id", name=op.f("pk_lesson_finding")),
    )
    op.create_table(
        "picture_choice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lesson_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.String(length=80), nullable=False),
        sa.Column(
            "view",
            sa.Enum("face-on", "down-the-line", name="view", native_enum=False, length=16),
            nullable=False,
        ),
        sa.Column("before", sa.String(length=400), nullable=False),
        sa.Column("after", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(
            ["lesson_id"],
            ["lesson.id"],
            name=op.f("fk_picture_choice_lesson_id_lesson"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picture_choice")),
        sa.UniqueConstraint("lesson_id", "at", "view", name=op.f("uq_picture_choice_lesson_id")),
    )
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("clip_id", sa.Integer(), nullable=False),
        sa.Column("swing_number", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum("landmark", "position", name="correctionkind", native_enum=False, length=16),
            nullable=False,
        ),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("at_s", sa.Double(), nullable=False),
        sa.Column("x_px", sa.Double(), nullable=True),
        sa.Column("y_px", sa.Double(), nullable=True),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("undone_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["clip_id"], ["clip.id"], name=op.f("fk_correction_clip_id_clip"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_index(op.f("ix_correction_clip_id"), "correction", ["clip_id"], unique=False)
    op.create_table(
        "swing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("clip_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.Column("left_out", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["clip_id"], ["clip.id"], name=op.f("fk_swing_clip_id_clip"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_swing")),
        sa.UniqueConstraint("clip_id", "number", name=op.f("uq_swing_clip_id")),
    )
