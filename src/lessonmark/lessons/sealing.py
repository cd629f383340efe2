"""Seal a record where it lies, and unseal it again, so that a crash at any moment loses nothing.

File by file: the new one is written beside, read back and compared by its hash, put in its place,
and only then does the old one go. A run that was cut short is taken up by the next, in either
direction. The database comes last and changes places in one step. While it goes on, the record
cannot be opened.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.age_files import SEALED, AgeFiles
from lessonmark.lessons.files import KINDS, remove_tree, sync_folder, write_whole
from lessonmark.lessons.sealed_database import is_plain, nobody_else, rewrite
from lessonmark.lessons.sealed_files import is_copy, is_unfinished
from lessonmark.lessons.sealed_keys import (
    KEY_FILE,
    MARKER,
    RECOVERY_FILE,
    RecordKeys,
    check_passphrase,
    is_sealed,
    make_keys,
    unlock,
    write_keys,
)
from lessonmark.lessons.store import DATABASE_NAME, open_record, server_address

__all__ = ["SealingWork", "begin_sealing", "seal_record", "unseal_record"]

STORED = ("files", "derived", "lessons")
UNFINISHED_DATABASE = "record.anew"
Tell = Callable[[float, str], None]


@dataclass(frozen=True, kw_only=True)
class SealingWork:
    """What was done."""

    files: int
    size_bytes: int  # of what they hold in clear


def begin_sealing(folder: Path, passphrase: str) -> RecordKeys:
    """Make the keys of a record and write them down; or read them, where it was begun before.

    Raises
    ------
    RecordError : there is no record, it is on a server, it is sealed already, or the passphrase is
        too short, or not the one that it was begun with.
    """
    if server_address() is not None or os.environ.get("LESSONMARK_STORE"):
        raise RecordError(
            say("a record in a database server or a shared store is not sealed by this program"),
            do=say(
                "let the server's disks and the store encrypt what they hold (the disk's own "
                "encryption, the bucket's), and TLS what travels"
            ),
        )
    if not (folder / DATABASE_NAME).is_file():
        raise RecordError(
            say("there is no record in this folder"),
            path=folder,
            do=say("name the record's folder with --folder; nothing was changed"),
        )
    begun = (folder / MARKER).exists()
    if is_sealed(folder):
        keys = unlock(folder, passphrase)
        if not begun:
            raise RecordError(
                say("this record is sealed already"),
                path=folder,
                do=say("open it with its passphrase; 'lessonmark passphrase' changes that"),
            )
        return keys
    check_passphrase(passphrase)
    if not begun:
        open_record(folder).close()  # ours, brought up to date, its erasures finished
    keys = make_keys()
    write_whole(folder / MARKER, b"sealing or unsealing is under way\n")
    write_keys(folder, keys, passphrase)
    return keys


def seal_record(
    folder: Path, keys: RecordKeys, tell: Tell = lambda share, doing: None
) -> SealingWork:
    """Seal what is not sealed yet of a record that `begin_sealing` began.

    Raises
    ------
    RecordError : another window has it open, or the disk is full; run again, it goes on.
    """
    age, scratch, database = AgeFiles(keys), folder / "incoming", folder / DATABASE_NAME
    with nobody_else(database, None if is_plain(database) else keys.database) as connection:
        _sweep(folder)
        plain = [path for path in _stored(folder) if path.suffix != SEALED]
        size = sum(path.stat().st_size for path in plain)
        for path in _telling(plain, tell, say("sealing")):
            target = path.with_name(path.name + SEALED)
            if not _same(age, sealed=target, clear=path):
                age.seal(path, target, scratch=scratch, check=True)
            path.unlink()
        if is_plain(database):
            anew = folder / UNFINISHED_DATABASE
            rewrite(connection, anew, keys.database)
            _put_in_place(anew, database)
    _end(folder)
    return SealingWork(files=len(plain), size_bytes=size)


def unseal_record(
    folder: Path, passphrase: Callable[[], str], tell: Tell = lambda share, doing: None
) -> SealingWork:
    """Put a record back in clear; also one whose sealing was cut short.

    Raises
    ------
    RecordError : it is not sealed, the passphrase is another one, another window has it open, or
        the disk is full; run again, it goes on.
    """
    database = folder / DATABASE_NAME
    if not is_sealed(folder):
        if not (folder / MARKER).exists():
            raise RecordError(
                say("this record is not sealed"),
                path=folder,
                do=say("there is nothing to do; 'lessonmark seal' seals it"),
            )
        _end(folder)  # it ended between the last two steps, or before the first
        return SealingWork(files=0, size_bytes=0)
    keys = unlock(folder, passphrase())
    write_whole(folder / MARKER, b"sealing or unsealing is under way\n")
    age, scratch = AgeFiles(keys), folder / "incoming"
    with nobody_else(database, None if is_plain(database) else keys.database) as connection:
        _sweep(folder)
        sealed = [path for path in _stored(folder) if path.suffix == SEALED]
        size = 0
        for path in _telling(sealed, tell, say("unsealing")):
            target = path.with_name(path.name.removesuffix(SEALED))
            if not _same(age, sealed=path, clear=target):
                age.open(path, target, scratch=scratch)
            if path.parent.parent == folder / "files":
                target.chmod(0o444)
            size += target.stat().st_size
            path.unlink()
        if not is_plain(database):
            anew = folder / UNFINISHED_DATABASE
            rewrite(connection, anew, None)
            _put_in_place(anew, database)
    for name in (RECOVERY_FILE, KEY_FILE):
        (folder / name).unlink(missing_ok=True)
    _end(folder)
    return SealingWork(files=len(sealed), size_bytes=size)


def _stored(folder: Path) -> list[Path]:
    return sorted(path for kind in STORED for path in (folder / kind).rglob("*") if path.is_file())


def _sweep(folder: Path) -> None:
    """Remove what nobody needs and a crash may have left in clear; we are alone here."""
    for kind in KINDS:
        (folder / kind).mkdir(exist_ok=True)
    remove_tree(folder / "incoming")
    (folder / "incoming").mkdir()
    (folder / UNFINISHED_DATABASE).unlink(missing_ok=True)
    for kind in STORED:
        for path in sorted((folder / kind).rglob("*"), reverse=True):
            if not _is_left_over(kind, path.relative_to(folder / kind)):
                continue
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()


def _is_left_over(kind: str, inside: Path) -> bool:
    within = inside.relative_to(inside.parts[0])  # of a clip, or of a lesson
    return is_unfinished(inside) or (within.parts != () and is_copy(kind, within))


def _telling(paths: list[Path], tell: Tell, doing: str) -> Iterator[Path]:
    whole = sum(path.stat().st_size for path in paths) or 1
    done = 0
    for path in paths:
        tell(done / whole, doing)
        size = path.stat().st_size
        yield path
        done += size
    tell(1.0, doing)


def _same(age: AgeFiles, *, sealed: Path, clear: Path) -> bool:
    """Say whether both are there and hold the same: a run ended before the old one went."""
    if not sealed.exists() or not clear.exists():
        return False
    try:
        return age.read(sealed).sha256 == age.facts(clear).sha256
    except RecordError:
        return False


def _put_in_place(anew: Path, database: Path) -> None:
    with open(anew, "r+b") as file:
        os.fsync(file.fileno())
    os.replace(anew, database)
    sync_folder(database.parent)


def _end(folder: Path) -> None:
    (folder / MARKER).unlink(missing_ok=True)
    sync_folder(folder)
