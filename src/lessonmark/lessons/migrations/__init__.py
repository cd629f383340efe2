"""Changes of the record's tables, in order: Alembic revisions that travel inside the package.

`upgrade` brings a database from any older revision to the newest in the caller's transaction, so
that a crash in the middle leaves it as it was. To add one: `docs/recipes.md`.
"""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, func, inspect, select

from lessonmark.errors import RecordError
from lessonmark.language import say

__all__ = ["newest", "revision", "upgrade"]

_LOCK = 0x4C65_7373_6F6E  # any number that nobody else takes: 'Lesson'


def newest() -> str:
    """Name the newest revision."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise RuntimeError("the package came without its revisions")
    return head


def revision(connection: Connection) -> str | None:
    """Read which revision a database has; None: it has none yet."""
    return MigrationContext.configure(connection).get_current_revision()


def upgrade(connection: Connection, to: str = "head") -> None:
    """Bring the database to revision `to`, inside the transaction that `connection` is in.

    Raises
    ------
    RecordError : the database belongs to something else, or to a newer program.
    """
    if connection.dialect.name == "postgresql":
        # Two windows that open at once: the second waits here, and then finds all done.
        connection.execute(select(func.pg_advisory_xact_lock(_LOCK)))
    config = _config()
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    current = revision(connection)
    if current == newest() and to == "head":
        return
    if current is None and inspect(connection).get_table_names():
        raise RecordError(
            say("this database is not a record of this program"),
            do=say("choose another file or folder"),
        )
    if current is not None and current not in known:
        raise RecordError(
            say("this record was written by a newer version of the program"),
            do=say("install the newer version, or restore an older backup"),
        )
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    return config
