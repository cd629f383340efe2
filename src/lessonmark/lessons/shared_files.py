"""The record's files in a store that many machines share: S3-like, or a network folder.

``LESSONMARK_STORE`` names it as fsspec does (`s3://bucket/prefix`, `file:///mnt/academy`). Every
machine keeps copies in its own folder; what comes back from the store is checked by its hash before
it is used, so that a store that was tampered with is noticed.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import FileStore, Incoming, KeptFile

__all__ = ["SharedFiles", "open_files"]

LOOKED_FOR_S = 5.0  # a page asks for the same folder several times
LEFT_HERE = (".part", ".new", ".tmp")


def open_files(folder: Path) -> FileStore:
    """Open the record's files: a folder, or the store that ``LESSONMARK_STORE`` names."""
    url = os.environ.get("LESSONMARK_STORE")
    return SharedFiles(folder, url) if url else FileStore(folder)


class SharedFiles(FileStore):
    """A folder of copies over a shared store.

    Raises
    ------
    RecordError : the store's address cannot be used, or its driver is not installed.
    """

    def __init__(self, folder: Path, url: str) -> None:
        super().__init__(folder)
        try:
            from fsspec.core import url_to_fs

            self._far, root = url_to_fs(url)
        except ImportError as err:
            raise RecordError(
                say("the driver for this store is not installed: {driver}", driver=err.name or ""),
                do=say("install Lessonmark with its extra 'academy', and the store's own driver"),
            ) from err
        except ValueError:  # its words may show a secret: they are not passed on
            raise RecordError(
                say("LESSONMARK_STORE is no address of a store"),
                do=say("write it like s3://bucket/folder or file:///folder"),
            ) from None
        self._root = PurePosixPath(root)
        self._lock = threading.Lock()
        self._looked: dict[str, float] = {}

    def keep(self, incoming: Incoming, suffix: str) -> KeptFile:
        """Take a received file in for good, here and in the store."""
        kept = super().keep(incoming, suffix)
        self._put(self._place(kept.sha256, kept.suffix))
        return kept

    def find(self, sha256: str) -> Path | None:
        """Find a kept file, fetched from the store where it is not here yet."""
        here = super().find(sha256)
        if here is not None:
            return here
        far = self._far.glob(str(self._root / "files" / sha256[:2] / f"{sha256}.*"))
        names = [PurePosixPath(name).name for name in far]
        name = next((one for one in names if not one.endswith(LEFT_HERE)), None)
        if name is None:
            return None
        with self.receiving() as incoming:
            with self._far.open(str(self._root / "files" / sha256[:2] / name), "rb") as source:
                while chunk := source.read(1 << 20):
                    incoming.write(chunk)
            if incoming.sha256 != sha256:
                raise RecordError(
                    say("the file of clip {sha} was altered in the store", sha=sha256[:12]),
                    do=say("restore it there from a backup; nothing was measured from it"),
                )
            incoming.done()
            target = self._place(sha256, PurePosixPath(name).suffix)
            target.parent.mkdir(exist_ok=True)
            os.chmod(incoming.path, 0o444)
            os.replace(incoming.path, target)
        return target

    def derived(self, sha256: str, *, frames: bool = False) -> Path:
        """Give the folder of what was made from a clip, with what other machines made."""
        folder = super().derived(sha256, frames=frames)
        self._fetch(folder)
        return folder

    def lesson_folder(self, uid: str) -> Path:
        """Give the folder of a lesson's pictures and sheets, with what other machines made."""
        folder = super().lesson_folder(uid)
        self._fetch(folder)
        return folder

    def publish_derived(self, sha256: str) -> None:
        """Hand what was made from a clip to the other machines."""
        for path in sorted(super().derived(sha256).glob("*")):
            if path.suffix in (".json", ".nc"):  # frames are made faster than they are fetched
                self._put(path)

    def publish_lesson(self, uid: str) -> None:
        """Hand a lesson's pictures and sheets to the other machines."""
        folder = super().lesson_folder(uid)
        for path in sorted(folder.rglob("*")):
            if path.is_file() and "derived" not in path.relative_to(folder).parts:
                self._put(path, anew=True)

    def withdraw(self, path: Path) -> None:
        """Remove one file of a lesson, here and in the store."""
        super().withdraw(path)
        far = str(self._root.joinpath(*path.relative_to(self.folder).parts))
        if self._far.exists(far):
            self._far.rm(far)

    def remove_media(self, sha256: str) -> int:
        """Remove a kept file and everything made from it, here and in the store."""
        gone = super().remove_media(sha256)
        for far in self._far.glob(str(self._root / "files" / sha256[:2] / f"{sha256}.*")):
            self._far.rm(far)
        return gone

    def remove_made(self, sha256: str) -> int:
        """Remove what was made from a clip, here and in the store."""
        gone = super().remove_made(sha256)
        self._remove_far(self._root / "derived" / sha256)
        return gone

    def remove_lesson(self, uid: str) -> int:
        """Remove a lesson's pictures and sheets, here and in the store."""
        gone = super().remove_lesson(uid)
        self._remove_far(self._root / "lessons" / uid)
        return gone

    def far(self) -> Iterator[str]:
        """List what is in the store, relative to its root."""
        for name in sorted(self._far.find(str(self._root))):
            yield str(PurePosixPath(name).relative_to(self._root))

    def _put(self, path: Path, *, anew: bool = False) -> None:
        if not path.is_file() or path.name.endswith(LEFT_HERE):
            return
        target = self._root.joinpath(*path.relative_to(self.folder).parts)
        if not anew and self._far.exists(str(target)):
            return
        # Under another name first: a reader sees the whole file or none.
        unfinished = f"{target}.{uuid.uuid4().hex}.part"
        try:
            self._far.makedirs(str(target.parent), exist_ok=True)
            self._far.put_file(str(path), unfinished)
            self._far.mv(unfinished, str(target))
        except OSError as err:
            raise RecordError(
                say("the store did not take the file: {reason}", reason=err.strerror or "?"),
                do=say("look whether it is reachable and has space; the work goes on by itself"),
            ) from err

    def _fetch(self, folder: Path) -> None:
        now, key = time.monotonic(), str(folder)
        with self._lock:
            if now - self._looked.get(key, -LOOKED_FOR_S) < LOOKED_FOR_S:
                return
            self._looked[key] = now
        far = self._root.joinpath(*folder.relative_to(self.folder).parts)
        self._far.invalidate_cache()
        if not self._far.exists(str(far)):
            return
        for name in self._far.find(str(far)):
            parts = PurePosixPath(name).relative_to(far).parts
            place = folder.joinpath(*parts)
            if name.endswith(LEFT_HERE) or ".." in parts or place.exists():
                continue
            place.parent.mkdir(parents=True, exist_ok=True)
            unfinished = place.with_name(f"{place.name}.{uuid.uuid4().hex}.part")
            self._far.get_file(name, str(unfinished))
            os.replace(unfinished, place)

    def _remove_far(self, folder: PurePosixPath) -> None:
        if self._far.exists(str(folder)):
            self._far.rm(str(folder), recursive=True)

    def clear_copies(self) -> None:
        """Drop this machine's copies; the store keeps everything."""
        for name in ("files", "derived", "lessons"):
            shutil.rmtree(self.folder / name)
            (self.folder / name).mkdir()
        self._looked.clear()
