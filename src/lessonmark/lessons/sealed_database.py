"""The record's database, sealed: SQLite pages encrypted by SQLCipher with a key of their own.

One process must not open the same file with SQLite's own library and with this one at a time:
neither sees the other's locks.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine

from lessonmark.errors import RecordError
from lessonmark.language import say

__all__ = [
    "check_pages",
    "connect_to",
    "connecting",
    "copy_database",
    "database_errors",
    "is_plain",
    "keyed",
    "make_engine",
    "nobody_else",
    "rewrite",
    "same_content",
]

PLAIN_BEGINNING = b"SQLite format 3\0"  # SQLite's file format, 1.3
WAIT_MS = 2_000  # for another window that is just closing
Connection = Any  # both libraries have the same shape and no common type


def is_plain(path: Path) -> bool:
    """Say whether a database file is not sealed."""
    with open(path, "rb") as file:
        return file.read(len(PLAIN_BEGINNING)) == PLAIN_BEGINNING


def keyed(key: str) -> str:
    """Spell a raw key as SQLCipher takes it, so that it stretches nothing."""
    if len(key) != 64 or not set(key) <= set("0123456789abcdef"):
        raise ValueError("not a database key")
    return f"\"x'{key}'\""


def connect_to(path: Path, key: str | None) -> Connection:
    """Open a database file, sealed with `key`, or plain where that is None."""
    if key is None:
        return sqlite3.connect(path, isolation_level=None)
    from sqlcipher3 import dbapi2

    connection = dbapi2.connect(str(path), isolation_level=None, check_same_thread=False)
    connection.execute(f"PRAGMA key = {keyed(key)}")
    # Nothing is laid aside in clear, whatever the library was built with.
    connection.execute("PRAGMA temp_store = MEMORY")
    return connection


def database_errors(key: str | None) -> tuple[type[Exception], ...]:
    """Name what the library of a database raises when the file is damaged."""
    if key is None:
        return (sqlite3.DatabaseError,)
    from sqlcipher3 import dbapi2

    return (dbapi2.DatabaseError,)


@contextmanager
def connecting(path: Path, key: str | None) -> Iterator[Connection]:
    """Open a database file for a while."""
    connection = connect_to(path, key)
    try:
        yield connection
    finally:
        connection.close()


def make_engine(path: Path, key: str) -> Engine:
    """Make the engine of a sealed database."""
    from sqlcipher3 import dbapi2

    def connect() -> Connection:
        return connect_to(path, key)

    return create_engine(f"sqlite:///{path}", module=dbapi2, creator=connect)


@contextmanager
def nobody_else(path: Path, key: str | None) -> Iterator[Connection]:
    """Hold a database so that no other program can open it meanwhile.

    Raises
    ------
    RecordError : another program has it open.
    """
    from sqlcipher3 import dbapi2

    connection = dbapi2.connect(str(path), isolation_level=None)
    try:
        if key is not None:
            connection.execute(f"PRAGMA key = {keyed(key)}")
        connection.execute(f"PRAGMA busy_timeout = {WAIT_MS}")
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        try:
            # Out of the write-ahead log, which only the last one at the file can leave.
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
        except dbapi2.OperationalError as err:
            raise RecordError(
                say("another window of the program has this record open"),
                path=path,
                do=say("close it, and run this again; nothing was changed"),
            ) from err
        yield connection
    finally:
        connection.close()


def rewrite(connection: Connection, target: Path, key: str | None) -> None:
    """Write a whole database anew as `target`: sealed with `key`, or plain where that is None."""
    target.unlink(missing_ok=True)
    spelt = keyed(key) if key is not None else "''"
    connection.execute(f"ATTACH ? AS anew KEY {spelt}", (str(target),))
    try:
        connection.execute("SELECT sqlcipher_export('anew')")
        if not same_content(connection, "main", "anew"):
            raise RecordError(
                say("the database did not come out as it was"),
                path=target,
                do=say("nothing was changed; check the disk, and run this again"),
            )
    finally:
        connection.execute("DETACH anew")


def same_content(connection: Connection, one: str, other: str) -> bool:
    """Compare two attached databases: the tables' definitions, and every row."""
    return _digest(connection, one) == _digest(connection, other)


def _digest(connection: Connection, name: str) -> str:
    digest = hashlib.sha256()
    made = connection.execute(
        f"SELECT type, name, tbl_name, sql FROM {name}.sqlite_master ORDER BY type, name"
    ).fetchall()
    digest.update(repr(made).encode())
    for kind, table, _, _ in made:
        if kind == "table":
            rows = connection.execute(f'SELECT * FROM {name}."{table}" ORDER BY rowid')
            for row in rows:
                digest.update(repr(row).encode())
    return digest.hexdigest()


def copy_database(source: Path, target: Path, key: str | None) -> None:
    """Copy a database as it is at this moment, whole even while somebody writes."""
    with connecting(source, key) as here, connecting(target, key) as there:
        here.backup(there)


def check_pages(connection: Connection, key: str | None) -> list[str]:
    """Check that no page of a sealed database was altered; gives what SQLCipher says."""
    if key is None:
        return []
    return [str(row[0]) for row in connection.execute("PRAGMA cipher_integrity_check").fetchall()]
