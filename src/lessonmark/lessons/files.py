"""Files of the record: clips under their content hash, and what can be made again from them.

    files/ab/abcd....mp4      what came in, read-only, never altered
    incoming/                 half-copied files; whatever lies here after a crash is swept away
    derived/<sha256>/         tracks, thumbnails, frame packs: can always be made again
    lessons/<lesson uid>/     pictures and sheets of a lesson

Nothing here takes a path from outside: names are hashes and ids that this program made.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from lessonmark.errors import RecordError
from lessonmark.language import say

__all__ = [
    "KINDS",
    "FileStore",
    "Incoming",
    "KeptFile",
    "Reads",
    "checked_hash",
    "checked_uid",
    "disk_error",
    "remove_tree",
    "sweep_folder",
    "sync_folder",
    "write_whole",
]

CHUNK_BYTES = 1 << 20
KINDS = ("files", "incoming", "derived", "lessons")  # the folders, see above
CLIP_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".mts"})
REMOVAL_TRIES = 20
REMOVAL_PAUSE_S = 0.05
_SHA256 = re.compile(r"[0-9a-f]{64}")
_UID = re.compile(r"[0-9a-f]{32}")


class Reads(Protocol):
    """Anything with a `read(size)`: an open file, an upload, a member of a zip."""

    def read(self, size: int, /) -> bytes: ...


@dataclass(frozen=True, kw_only=True)
class KeptFile:
    """A file that is now in the record's folder."""

    sha256: str
    size_bytes: int
    suffix: str  # '.mp4', lower case
    was_there: bool  # the same content had been kept before


class Incoming:
    """A file on its way in: written to the side, hashed as it comes."""

    def __init__(self, handle: BinaryIO, path: Path, limit_bytes: int | None) -> None:
        self._handle = handle
        self._hash = hashlib.sha256()
        self._limit_bytes = limit_bytes
        self.path = path
        self.size_bytes = 0

    def write(self, chunk: bytes) -> None:
        """Add the next bytes.

        Raises
        ------
        RecordError : the file is larger than allowed, or the disk is full.
        """
        self.size_bytes += len(chunk)
        if self._limit_bytes is not None and self.size_bytes > self._limit_bytes:
            raise RecordError(
                say("this file is larger than {limit} MB", limit=self._limit_bytes // 1_000_000),
                do=say("cut the clip to the swing, or raise the limit in the settings"),
            )
        self._hash.update(chunk)
        try:
            self._handle.write(chunk)
        except OSError as err:
            raise disk_error(err) from err

    def done(self) -> None:
        """Have all that came on disk."""
        self._handle.flush()
        os.fsync(self._handle.fileno())

    @property
    def sha256(self) -> str:
        """Hash of what has come so far."""
        return self._hash.hexdigest()


class FileStore:
    """The record's folder on disk.

    Paths that it gives can be read and, where they are folders of made things, written to; what
    was written there lasts once it was published.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in KINDS:
            (folder / name).mkdir(parents=True, exist_ok=True)

    @property
    def incoming(self) -> Path:
        """Folder for files that are needed for a moment only, people's videos among them."""
        return self.folder / "incoming"

    def close(self) -> None:
        """Let go of what was opened; a folder has nothing to let go."""

    @contextmanager
    def receiving(self, *, limit_bytes: int | None = None) -> Iterator[Incoming]:
        """Open a place for a file on its way in; it is swept away unless `keep` takes it."""
        handle = tempfile.NamedTemporaryFile(  # noqa: SIM115 - closed below, kept by rename
            dir=self.incoming, delete=False
        )
        incoming = Incoming(handle.file, Path(handle.name), limit_bytes)  # type: ignore[arg-type]
        try:
            yield incoming
        finally:
            handle.close()
            incoming.path.unlink(missing_ok=True)

    def keep(self, incoming: Incoming, suffix: str) -> KeptFile:
        """Take a received file in for good: on disk before its name appears.

        Raises
        ------
        RecordError : nothing came, or the disk is full.
        """
        if incoming.size_bytes == 0:
            raise RecordError(
                say("the file is empty"), do=say("copy it from the phone or camera again")
            )
        kept = KeptFile(
            sha256=incoming.sha256,
            size_bytes=incoming.size_bytes,
            suffix=_known_suffix(suffix),
            was_there=self.holds_media(incoming.sha256),
        )
        if not kept.was_there:
            try:
                incoming.done()
                os.utime(incoming.path)  # when it was kept, not when it was filmed
                os.chmod(incoming.path, 0o444)
                self._take_in(incoming.path, kept)
            except OSError as err:
                raise disk_error(err) from err
        return kept

    def _take_in(self, path: Path, kept: KeptFile) -> None:
        target = self._place(kept.sha256, kept.suffix)
        target.parent.mkdir(exist_ok=True)
        os.replace(path, target)
        sync_folder(target.parent)

    def keep_stream(
        self, source: Reads, suffix: str, *, limit_bytes: int | None = None
    ) -> KeptFile:
        """Copy `source` in to its end and keep it."""
        with self.receiving(limit_bytes=limit_bytes) as incoming:
            while chunk := source.read(CHUNK_BYTES):
                incoming.write(chunk)
            return self.keep(incoming, suffix)

    def holds_media(self, sha256: str) -> bool:
        """Say whether a file is kept."""
        return self.find(sha256) is not None

    def find(self, sha256: str) -> Path | None:
        """Find a kept file by its hash."""
        return next(
            iter((self.folder / "files" / checked_hash(sha256)[:2]).glob(f"{sha256}.*")), None
        )

    def load(self, sha256: str) -> Path:
        """Give the path of a kept file.

        Raises
        ------
        RecordError : it is not there.
        """
        return _there(self.find(sha256))

    def locate(self, sha256: str) -> Path:
        """Give the path that a kept file has while it is loaded, for who does not read it yet.

        Raises
        ------
        RecordError : it is not there.
        """
        return self.load(sha256)

    def holding(
        self, *, media: Collection[str] = (), lessons: Collection[str] = ()
    ) -> AbstractContextManager[None]:
        """Keep the files of clips and lessons within reach for longer than a moment."""
        return nullcontext()

    def derived(self, sha256: str, *, frames: bool = False) -> Path:
        """Give the folder of what was made from a clip, made if need be.

        Parameters
        ----------
        frames : whether its frame pack is wanted too, which is large.
        """
        folder = self.folder / "derived" / checked_hash(sha256)
        folder.mkdir(exist_ok=True)
        return folder

    def lesson_folder(self, uid: str) -> Path:
        """Give the folder of a lesson's pictures and sheets, made if need be."""
        folder = self.folder / "lessons" / checked_uid(uid)
        folder.mkdir(exist_ok=True)
        return folder

    def publish_derived(self, sha256: str) -> None:
        """Hand what was made from a clip to the other machines; a folder has none."""

    def publish_frames(self, sha256: str) -> None:
        """Let a frame pack that was just made last; in a folder it does."""

    def publish_lesson(self, uid: str) -> None:
        """Hand a lesson's pictures and sheets to the other machines; a folder has none."""

    def withdraw(self, path: Path) -> None:
        """Remove one file of a lesson, here and wherever it was handed to."""
        path.unlink(missing_ok=True)

    def remove_media(self, sha256: str) -> int:
        """Remove a kept file and everything made from it; gives how many files went.

        Safe to repeat: what is gone already counts nothing.
        """
        gone = 0
        path = self.find(sha256)
        if path is not None:
            path.unlink()
            sync_folder(path.parent)
            gone = 1
        return gone + self.remove_made(sha256)

    def remove_made(self, sha256: str) -> int:
        """Remove what was made from a clip; gives how many files went."""
        return remove_tree(self.folder / "derived" / checked_hash(sha256))

    def remove_lesson(self, uid: str) -> int:
        """Remove a lesson's pictures and sheets; gives how many files went."""
        return remove_tree(self.folder / "lessons" / checked_uid(uid))

    def traces(self, *, media: Collection[str], lessons: Collection[str]) -> list[str]:
        """Say of which clips and lessons anything is still here."""
        found = [
            f"files: {sha256[:12]}"
            for sha256 in media
            if self.holds_media(sha256) or (self.folder / "derived" / sha256).exists()
        ]
        return found + [f"lessons: {uid}" for uid in lessons if self._holds_lesson(uid)]

    def _holds_lesson(self, uid: str) -> bool:
        return (self.folder / "lessons" / checked_uid(uid)).exists()

    def sweep_incoming(self, *, before: float) -> int:
        """Remove what a crash left half-copied before that moment (s since the epoch)."""
        return sweep_folder(self.folder / "incoming", before=before)

    def kept(self, *, before: float | None = None) -> Iterator[str]:
        """List the hashes of all kept files, or of those kept before that moment."""
        for path in sorted((self.folder / "files").glob("??/*")):
            if before is None or _older(path, before):
                yield path.name.partition(".")[0]

    def sweep_made(self, *, before: float, media: set[str], lessons: set[str]) -> int:
        """Remove older folders of clips and lessons that are not in the record any more."""
        left = [
            folder
            for kind, known in (("derived", media), ("lessons", lessons))
            for folder in (self.folder / kind).iterdir()
            if folder.name not in known and _older(folder, before)
        ]
        for folder in left:
            shutil.rmtree(folder, ignore_errors=True)
        return len(left)

    def _place(self, sha256: str, suffix: str) -> Path:
        return self.folder / "files" / sha256[:2] / f"{sha256}{suffix}"


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that a crash leaves the old one or the new one, never half of it."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except OSError as err:
        Path(name).unlink(missing_ok=True)
        raise disk_error(err) from err
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make a rename inside `folder` survive a power cut (POSIX; elsewhere the system's word)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _known_suffix(suffix: str) -> str:
    suffix = suffix.lower()
    if suffix not in CLIP_SUFFIXES:
        raise RecordError(
            say("this is not a video file that can be kept"),
            do=say("bring in {kinds}", kinds=", ".join(sorted(CLIP_SUFFIXES))),
        )
    return suffix


def _there(path: Path | None) -> Path:
    if path is None:
        raise RecordError(
            say("this clip's file is missing from the record's folder"),
            do=say("restore the folder from a backup, or bring the clip in again"),
        )
    return path


def checked_hash(sha256: str) -> str:
    """Give a hash back that is one: it becomes part of a path."""
    if not _SHA256.fullmatch(sha256):
        raise ValueError(f"not a SHA-256 in hexadecimal: {sha256!r}")
    return sha256


def checked_uid(uid: str) -> str:
    """Give a lesson's id back that is one: it becomes part of a path."""
    if not _UID.fullmatch(uid):
        raise ValueError(f"not a lesson's id: {uid!r}")
    return uid


def sweep_folder(folder: Path, *, before: float) -> int:
    """Empty a folder of what is older than that moment (s since the epoch)."""
    left = [path for path in folder.iterdir() if _older(path, before)]
    for path in left:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    return len(left)


def _older(path: Path, before: float) -> bool:
    try:
        return path.stat().st_mtime < before
    except FileNotFoundError:
        return False


def remove_tree(folder: Path) -> int:
    """Remove a folder that somebody may still write into; gives how many files it had."""
    if not folder.is_dir():
        return 0
    count = sum(1 for path in folder.rglob("*") if path.is_file())
    for left in reversed(range(REMOVAL_TRIES)):
        try:
            shutil.rmtree(folder)
            break
        except FileNotFoundError:
            pass
        except OSError as err:  # the background may just be writing into it
            if err.errno != errno.ENOTEMPTY or not left:
                raise
        time.sleep(REMOVAL_PAUSE_S)
    return count


def disk_error(err: OSError) -> RecordError:
    """Say in words that the disk did not take a file."""
    return RecordError(
        say("the disk did not take the file: {reason}", reason=err.strerror or str(err)),
        do=say("free some space and bring the file in again; nothing that was there was lost"),
    )
