"""Backup and restore of the whole record.

A backup is one zip: the database (taken with SQLite's own online backup, so that it is whole even
while somebody writes), the clips, the lessons' folders, the coach's own drills, and a list of
hashes. What can be made again is left out. The backup of a sealed record is as sealed as the
record: the same passphrase opens it, and its drill files lie open, as they do beside the record.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from sqlalchemy import select

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.age_files import SEALED, AgeFiles
from lessonmark.lessons.coach_library import OWN_DRILLS
from lessonmark.lessons.files import CHUNK_BYTES, sync_folder
from lessonmark.lessons.passphrase import find_keys
from lessonmark.lessons.record import Media
from lessonmark.lessons.sealed_database import (
    check_pages,
    connecting,
    copy_database,
    database_errors,
)
from lessonmark.lessons.sealed_keys import KEY_FILE, RECOVERY_FILE, RecordKeys
from lessonmark.lessons.store import DATABASE_NAME, Record
from lessonmark.lessons.zip_guard import Manifest, open_zip, read_member

__all__ = ["back_up", "check_clips", "check_record", "restore"]

MANIFEST = "manifest.json"
KEPT_FOLDERS = ("files", "lessons", OWN_DRILLS)
KEPT_FILES = (DATABASE_NAME, KEY_FILE, RECOVERY_FILE)
FORMAT = "lessonmark-backup-1"
LARGEST_MANIFEST_BYTES = 200_000_000  # a line a file


def back_up(record: Record, target: Path) -> Path:
    """Write a backup zip; `target` appears only when it is whole.

    Raises
    ------
    RecordError : the database is not SQLite (its own tools do it better), or the disk is full.
    """
    if not record.is_sqlite:
        raise RecordError(
            say("this record lives in a database server"),
            do=say("back the database up with the server's own tools, and copy the data folder"),
        )
    folder = record.files.folder
    with tempfile.TemporaryDirectory(dir=folder / "incoming") as scratch:
        copy = Path(scratch) / DATABASE_NAME
        key = None if record.keys is None else record.keys.database
        copy_database(Path(str(record.engine.url.database)), copy, key)
        unfinished = target.with_name(f".{target.name}.part")
        hashes: dict[str, str] = {}
        try:
            with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_STORED) as archive:
                hashes[DATABASE_NAME] = _add(archive, copy, DATABASE_NAME)
                for name in (KEY_FILE, RECOVERY_FILE) if record.keys is not None else ():
                    hashes[name] = _add(archive, folder / name, name)
                for name in KEPT_FOLDERS:
                    for path in sorted((folder / name).rglob("*")):
                        if path.is_file() and "derived" not in path.parts[-2:]:
                            inside = path.relative_to(folder).as_posix()
                            hashes[inside] = _add(archive, path, inside)
                about = {
                    "format": FORMAT,
                    "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
                    "sha256": hashes,
                }
                archive.writestr(MANIFEST, json.dumps(about, indent=1))
            with open(unfinished, "rb") as file:
                os.fsync(file.fileno())
            os.replace(unfinished, target)
        except OSError as err:
            unfinished.unlink(missing_ok=True)
            raise RecordError(
                say("the backup could not be written: {reason}", reason=err.strerror or str(err)),
                path=target,
                do=say("choose a disk with more space; the record itself is untouched"),
            ) from err
    sync_folder(target.parent)
    return target


def restore(backup: Path, folder: Path) -> None:
    """Bring a backup back into `folder`, which must be empty or not there yet.

    Everything is unpacked beside it and checked first; only then does it take its place.

    Raises
    ------
    RecordError : the folder is in use, or the backup is damaged or not one of ours.
    """
    if folder.exists() and any(path.is_file() for path in folder.rglob("*")):
        raise RecordError(
            say("there is something in this folder already"),
            path=folder,
            do=say("restore into an empty or a new folder; nothing was changed"),
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".restore-") as scratch:
        fresh = Path(scratch) / "record"
        fresh.mkdir()
        with open_zip(backup, lambda: _not_ours(backup)) as archive:
            text = read_member(
                archive, MANIFEST, lambda: _not_ours(backup), limit_bytes=LARGEST_MANIFEST_BYTES
            )
            about = Manifest.model_validate_json(text)
            if about.format != FORMAT:
                raise _not_ours(backup)
            for inside, sha256 in about.sha256.items():
                _unpack(archive, inside, sha256, fresh, backup)
        problems = check_record(fresh)
        if problems:
            raise RecordError(
                say("the backup is damaged: {problem}", problem=problems[0]),
                path=backup,
                do=say("use another backup; nothing was changed"),
            )
        for path in (fresh / "files").rglob("*.*"):
            path.chmod(0o444)
        if folder.exists():
            shutil.rmtree(folder)  # empty folders only: checked above
        os.replace(fresh, folder)
    sync_folder(folder.parent)


def check_record(folder: Path) -> list[str]:
    """Check a record's folder: the database's integrity, its references, every clip's hash.

    Returns
    -------
    What is wrong, in plain words; empty where all is well.

    Raises
    ------
    RecordError : it is sealed, and the passphrase is missing or wrong.
    """
    problems: list[str] = []
    if not (folder / DATABASE_NAME).is_file():
        return [say("there is no record in this folder")]
    keys = find_keys(folder, elsewhere=False)
    key = None if keys is None else keys.database
    try:
        with connecting(folder / DATABASE_NAME, key) as connection:
            answers = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchall()]
            for answer in [*check_pages(connection, key), *(one for one in answers if one != "ok")]:
                problems.append(say("the database's own check says: {answer}", answer=answer))
            dangling = connection.execute("PRAGMA foreign_key_check").fetchall()
            if dangling:
                problems.append(say("{n} rows refer to something missing", n=len(dangling)))
            media = connection.execute("SELECT sha256, size_bytes, suffix FROM media").fetchall()
    except database_errors(key) as err:
        return [say("the database's own check says: {answer}", answer=err)]
    return problems + _check_files(folder, media, keys)


def check_clips(record: Record) -> list[str]:
    """Check every clip's hash, whatever database the record lives in; a server checks itself.

    Returns
    -------
    What is wrong, in plain words; empty where all is well.
    """
    with record.reading() as session:
        media = session.execute(select(Media.sha256, Media.size_bytes, Media.suffix)).all()
    return _check_files(record.files.folder, media, record.keys)


def _check_files(
    folder: Path, media: Iterable[tuple[str, int, str]], keys: RecordKeys | None
) -> list[str]:
    age = None if keys is None else AgeFiles(keys)
    problems = []
    for sha256, size_bytes, suffix in media:
        path = folder / "files" / sha256[:2] / f"{sha256}{suffix}{SEALED if age else ''}"
        if not path.is_file():
            problems.append(say("the file of clip {sha} is missing", sha=sha256[:12]))
        elif _facts(path, age) != (sha256, size_bytes):
            problems.append(say("the file of clip {sha} was altered", sha=sha256[:12]))
    return problems


def _facts(path: Path, age: AgeFiles | None) -> tuple[str, int] | None:
    """Give a clip's hash and size in clear; None: it cannot be opened."""
    if age is None:
        return _hash(path), path.stat().st_size
    try:
        facts = age.read(path)
    except RecordError:
        return None
    return facts.sha256, facts.size_bytes


def _add(archive: zipfile.ZipFile, path: Path, inside: str) -> str:
    archive.write(path, inside)
    return _hash(path)


def _hash(path: Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _unpack(archive: zipfile.ZipFile, inside: str, sha256: str, fresh: Path, backup: Path) -> None:
    parts = PurePosixPath(inside).parts
    if inside not in KEPT_FILES and (
        not parts or parts[0] not in KEPT_FOLDERS or ".." in parts or "\\" in inside
    ):
        raise _not_ours(backup)
    place = fresh.joinpath(*parts)
    place.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with archive.open(inside) as source, open(place, "wb") as out:
        while chunk := source.read(CHUNK_BYTES):
            digest.update(chunk)
            out.write(chunk)
    if digest.hexdigest() != sha256:
        raise RecordError(
            say("the backup is damaged: {problem}", problem=inside),
            path=backup,
            do=say("use another backup; nothing was changed"),
        )


def _not_ours(backup: Path) -> RecordError:
    return RecordError(
        say("this file is not a backup of this program, or is damaged"),
        path=backup,
        do=say("choose a zip that 'lessonmark backup' wrote; nothing was changed"),
    )
