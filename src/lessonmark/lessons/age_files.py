"""One file in the age format (age-encryption.org/v1): written whole, read back and hashed."""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import disk_error, sync_folder
from lessonmark.lessons.sealed_keys import RecordKeys, sealing_library

__all__ = ["SEALED", "AgeFiles", "FileFacts"]

SEALED = ".age"  # comes after the file's own suffix
UNFINISHED = ".part"


@dataclass(frozen=True, kw_only=True)
class FileFacts:
    """What a file holds, in short, and when it was written."""

    sha256: str  # of what is in it in clear
    size_bytes: int  # likewise
    modified_ns: int


class AgeFiles:
    """Seals files for one record, and opens them.

    The library reads and writes through Python, piece by piece, so that other threads go on.
    """

    def __init__(self, keys: RecordKeys) -> None:
        library = sealing_library()
        self._library = library
        self._identity = library.x25519.Identity.from_str(keys.identity)
        self._recipient = self._identity.to_public()

    def seal(self, source: Path, target: Path, *, scratch: Path, check: bool = False) -> FileFacts:
        """Write `source` sealed as `target`, which appears only when it is whole and on the disk.

        Parameters
        ----------
        scratch : a folder on the same disk, for the unfinished file.
        check : open the sealed file again and compare before it appears.

        Raises
        ------
        RecordError : the disk is full, or what was written could not be read back.
        FileNotFoundError : there is no `source`.
        """
        with open(source, "rb") as clear:
            modified_ns = os.fstat(clear.fileno()).st_mtime_ns
            handle, name = tempfile.mkstemp(dir=scratch, suffix=UNFINISHED)
            unfinished, reader = Path(name), _Hashing(clear)
            try:
                with os.fdopen(handle, "wb") as out:
                    self._run(self._library.encrypt_io, reader, out, [self._recipient])
                    out.flush()
                    os.fsync(out.fileno())
                facts = reader.facts(modified_ns)
                if check and self.read(unfinished).sha256 != facts.sha256:
                    raise _altered(source)
                os.utime(unfinished, ns=(modified_ns, modified_ns))
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(unfinished, target)
            except OSError as err:
                raise disk_error(err) from err
            finally:
                unfinished.unlink(missing_ok=True)
        sync_folder(target.parent)
        return facts

    def open(
        self,
        sealed: Path,
        target: Path,
        *,
        scratch: Path | None = None,
        sha256: str | None = None,
    ) -> FileFacts:
        """Write what is in `sealed` in clear as `target`, which appears only when it is whole.

        Parameters
        ----------
        scratch : a folder on the same disk for the unfinished file, for a copy that is to last:
            it is read back and compared before it appears. None: a working copy.
        sha256 : of what must be in it; None where that is not known.

        Raises
        ------
        RecordError : the file was altered, is of another record, or the disk is full.
        FileNotFoundError : there is no `sealed`.
        """
        target.parent.mkdir(parents=True, exist_ok=True)
        modified_ns = sealed.stat().st_mtime_ns
        handle, name = tempfile.mkstemp(dir=scratch or target.parent, suffix=UNFINISHED)
        unfinished = Path(name)
        try:
            with os.fdopen(handle, "wb") as out:
                facts = self._decrypt(sealed, _Hashing(out), modified_ns)
                if sha256 not in (None, facts.sha256):
                    raise _altered(sealed)  # put in another one's place
                out.flush()
                if scratch is not None:  # a working copy in memory need not survive
                    os.fsync(out.fileno())
            if scratch is not None and self.facts(unfinished).sha256 != facts.sha256:
                raise _altered(sealed)
            os.utime(unfinished, ns=(modified_ns, modified_ns))
            os.replace(unfinished, target)
        except OSError as err:
            raise disk_error(err) from err
        finally:
            unfinished.unlink(missing_ok=True)
        if scratch is not None:
            sync_folder(target.parent)
        return facts

    def read(self, sealed: Path) -> FileFacts:
        """Open a sealed file and keep nothing but its hash.

        Raises
        ------
        RecordError : the file was altered, or is of another record.
        """
        return self._decrypt(sealed, _Hashing(None), sealed.stat().st_mtime_ns)

    def facts(self, clear: Path) -> FileFacts:
        """Hash a file that is not sealed."""
        with open(clear, "rb") as file:
            about = os.fstat(file.fileno())
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        return FileFacts(sha256=sha256, size_bytes=about.st_size, modified_ns=about.st_mtime_ns)

    def _decrypt(self, sealed: Path, writer: _Hashing, modified_ns: int) -> FileFacts:
        with open(sealed, "rb") as source:
            try:
                self._run(self._library.decrypt_io, source, writer, [self._identity])
            except (self._library.DecryptError, OSError) as err:
                if isinstance(err, OSError) and err.errno is not None:
                    raise  # of the disk's own; the library's has no number
                raise _altered(sealed) from err
        return writer.facts(modified_ns)

    def _run(self, work: object, reader: object, writer: object, who: list[object]) -> None:
        try:
            work(reader, writer, who)  # type: ignore[operator]  # of a library without types
        except self._library.EncryptError as err:
            raise OSError(None, str(err)) from err  # what the disk said is in its words


class _Hashing:
    """Stands between a file and the library: counts and hashes what passes in clear."""

    def __init__(self, file: BinaryIO | None) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self._size = 0

    def read(self, size: int) -> bytes:
        assert self._file is not None
        chunk = self._file.read(size)
        self._take(chunk)
        return chunk

    def write(self, chunk: bytes) -> int:
        if self._file is not None:
            self._file.write(chunk)
        self._take(chunk)
        return len(chunk)

    def flush(self) -> None:
        pass

    def _take(self, chunk: bytes) -> None:
        self._hash.update(chunk)
        self._size += len(chunk)

    def facts(self, modified_ns: int) -> FileFacts:
        return FileFacts(
            sha256=self._hash.hexdigest(), size_bytes=self._size, modified_ns=modified_ns
        )


def _altered(path: Path) -> RecordError:
    return RecordError(
        say("this sealed file was altered or is of another record"),
        path=path,
        do=say("bring it back from a backup; nothing else was changed"),
    )
