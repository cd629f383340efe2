"""Folded words to search by, filled for what is there already."""

import sqlalchemy as sa
from alembic import op

from lessonmark.lessons.folding import fold

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column(
        "player", sa.Column("search", sa.String(length=400), nullable=False, server_default="")
    )
    op.add_column(
        "lesson", sa.Column("search", sa.String(length=600), nullable=False, server_default="")
    )
    connection = op.get_bind()
    player = sa.table("player", sa.column("id"), sa.column("name"), sa.column("search"))
    for key, name in connection.execute(sa.select(player.c.id, player.c.name)).all():
        connection.execute(
            player.update().where(player.c.id == key).values(search=fold(name)[:400])
        )
    lesson = sa.table(
        "lesson", sa.column("id"), sa.column("title"), sa.column("club"), sa.column("search")
    )
    drill = sa.table("drill_set", sa.column("lesson_id"), sa.column("name"))
    for key, title, club in connection.execute(
        sa.select(lesson.c.id, lesson.c.title, lesson.c.club)
    ).all():
        names = connection.scalars(sa.select(drill.c.name).where(drill.c.lesson_id == key))
        words = fold(title, club, *names)[:600]
        connection.execute(lesson.update().where(lesson.c.id == key).values(search=words))
