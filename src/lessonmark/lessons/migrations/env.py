"""Alembic's way in: runs the revisions on the connection that `upgrade` hands over."""

from alembic import context

from lessonmark.lessons.record import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,
    transaction_per_migration=False,
    render_as_batch=True,
)
context.run_migrations()
