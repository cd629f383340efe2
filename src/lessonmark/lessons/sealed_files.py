"""The record's files, sealed: on the disk in the age format alone, in clear only while in use.

The sealed files are the store, named as the others with `.age` behind. What is worked with is
opened into a private folder in memory (`working_folder.py`), under the same names; what was made
there lasts once it was published. The least recently used make room when there are too many.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from lessonmark.lessons.age_files import SEALED, AgeFiles
from lessonmark.lessons.files import (
    KINDS,
    FileStore,
    KeptFile,
    checked_hash,
    checked_uid,
    remove_tree,
    sweep_folder,
)
from lessonmark.lessons.sealed_keys import RecordKeys
from lessonmark.lessons.working_folder import WorkingFolder

__all__ = ["SealedFiles", "is_copy", "is_unfinished"]

LARGEST_WORKING_BYTES = 2_000_000_000  # some 30 phone clips with their frames
IDLE_S = 20.0  # a path that was given out is used within this, or held
FRAMES = ".frames"
Key = tuple[str, str]  # kind and name: ('lessons', its uid)
Stamp = tuple[int, int]  # written at, ns; bytes


@dataclass
class _Unit:
    """The working copies of a clip's file, of what was made from it, or of a lesson."""

    lock: threading.RLock = field(default_factory=threading.RLock)
    asked_at: float = 0.0
    holders: int = 0
    known: dict[str, tuple[Stamp, Stamp]] = field(default_factory=dict)  # inside: sealed, in clear


class SealedFiles(FileStore):
    """The folder of a sealed record.

    Parameters
    ----------
    limit_bytes : of working copies; None for 2 GB, or half of the memory folder where less is free.
    """

    def __init__(self, folder: Path, keys: RecordKeys, *, limit_bytes: int | None = None) -> None:
        super().__init__(folder)
        self._age = AgeFiles(keys)
        self._place_in_clear = WorkingFolder()
        self.working = self._place_in_clear.path
        for kind in KINDS:
            (self.working / kind).mkdir()
        self._limit = limit_bytes or min(
            LARGEST_WORKING_BYTES, self._place_in_clear.free_bytes // 2
        )
        self._units: dict[Key, _Unit] = {}
        self._lock = threading.Lock()
        # Libraries put what is large aside as well (a form's upload, a page being set).
        self._usual_temporary, tempfile.tempdir = tempfile.tempdir, str(self.incoming)

    @property
    def incoming(self) -> Path:
        """Folder for files that are needed for a moment only; in memory."""
        return self.working / "incoming"

    @property
    def in_memory(self) -> bool:
        """Whether what is open lies in memory, and not in a private folder on the disk."""
        return self._place_in_clear.in_memory

    def close(self) -> None:
        """Remove all that is in clear."""
        if tempfile.tempdir == str(self.incoming):
            tempfile.tempdir = self._usual_temporary
        self._place_in_clear.close()

    def _take_in(self, path: Path, kept: KeptFile) -> None:
        unit, inside = self._unit("files", kept.sha256), f"{kept.sha256}{kept.suffix}"
        with unit.lock:
            sealed = self._sealed_place(inside)
            self._age.seal(path, sealed, scratch=self.folder / "incoming")
            os.replace(path, self.working / "files" / inside)
            clear = self.working / "files" / inside
            unit.known[inside] = _stamp(sealed), _stamp(clear)
        self._make_room()

    def holds_media(self, sha256: str) -> bool:
        """Say whether a file is kept."""
        return self._sealed(sha256) is not None

    def find(self, sha256: str) -> Path | None:
        """Find a kept file by its hash and open it."""
        sealed = self._sealed(sha256)
        if sealed is None:
            return None
        inside = sealed.name.removesuffix(SEALED)
        self._fetch("files", sha256, [(inside, sealed)])
        return self.working / "files" / inside

    def locate(self, sha256: str) -> Path:
        """Give the path that a kept file has while it is loaded."""
        sealed = self._sealed(sha256)
        if sealed is None:
            return self.load(sha256)  # says that it is missing
        return self.working / "files" / sealed.name.removesuffix(SEALED)

    @contextmanager
    def holding(
        self, *, media: Collection[str] = (), lessons: Collection[str] = ()
    ) -> Iterator[None]:
        """Keep the files of clips and lessons within reach for longer than a moment."""
        keys = [(kind, one) for kind in ("files", "derived") for one in media]
        units = [self._unit(*key) for key in (*keys, *(("lessons", uid) for uid in lessons))]
        with self._lock:
            for unit in units:
                unit.holders += 1
        try:
            yield
        finally:
            with self._lock:
                for unit in units:
                    unit.holders -= 1
                    unit.asked_at = time.monotonic()

    def derived(self, sha256: str, *, frames: bool = False) -> Path:
        """Open what was made from a clip, and give its folder."""
        return self._folder(
            "derived", checked_hash(sha256), lambda inside: frames or not inside.endswith(FRAMES)
        )

    def lesson_folder(self, uid: str) -> Path:
        """Open a lesson's pictures and sheets, and give their folder."""
        return self._folder("lessons", checked_uid(uid), lambda inside: True)

    def publish_derived(self, sha256: str) -> None:
        """Seal what was made from a clip."""
        self._publish("derived", checked_hash(sha256))

    def publish_frames(self, sha256: str) -> None:
        """Seal a frame pack that was just made."""
        self._publish("derived", checked_hash(sha256))

    def publish_lesson(self, uid: str) -> None:
        """Seal a lesson's pictures and sheets."""
        self._publish("lessons", checked_uid(uid))

    def withdraw(self, path: Path) -> None:
        """Remove one file of a lesson, sealed and in clear."""
        kind, name, *parts = path.relative_to(self.working).parts
        inside = "/".join(parts)
        unit = self._unit(kind, name)
        with unit.lock:
            (self.folder / kind / name / f"{inside}{SEALED}").unlink(missing_ok=True)
            path.unlink(missing_ok=True)
            unit.known.pop(inside, None)

    def remove_media(self, sha256: str) -> int:
        """Remove a kept file and everything made from it, sealed and in clear."""
        gone = 0
        with self._unit("files", checked_hash(sha256)).lock:
            sealed = self._sealed(sha256)
            if sealed is not None:
                sealed.unlink()
                gone = 1
            for path in (self.working / "files").glob(f"{sha256}.*"):
                path.unlink(missing_ok=True)
            self._unit("files", sha256).known.clear()
        return gone + self.remove_made(sha256)

    def remove_made(self, sha256: str) -> int:
        """Remove what was made from a clip, sealed and in clear."""
        return self._remove("derived", checked_hash(sha256))

    def remove_lesson(self, uid: str) -> int:
        """Remove a lesson's pictures and sheets, sealed and in clear."""
        return self._remove("lessons", checked_uid(uid))

    def sweep_incoming(self, *, before: float) -> int:
        """Remove what was left half-copied before that moment (s since the epoch)."""
        left = super().sweep_incoming(before=before)
        return left + sweep_folder(self.incoming, before=before)

    def traces(self, *, media: Collection[str], lessons: Collection[str]) -> list[str]:
        """Say of which clips and lessons anything is still here, sealed or in clear."""
        in_clear = [
            f"{kind}: {name[:12]}"
            for kind, names in (("files", media), ("derived", media), ("lessons", lessons))
            for name in names
            if any((self.working / kind).glob(f"{name}*"))
        ]
        return super().traces(media=media, lessons=lessons) + in_clear

    def _sealed_place(self, inside: str) -> Path:
        return self.folder / "files" / inside[:2] / f"{inside}{SEALED}"

    def _sealed(self, sha256: str) -> Path | None:
        folder = self.folder / "files" / checked_hash(sha256)[:2]
        return next(iter(folder.glob(f"{sha256}.*{SEALED}")), None)

    def _unit(self, kind: str, name: str) -> _Unit:
        with self._lock:
            unit = self._units.setdefault((kind, name), _Unit())
        unit.asked_at = time.monotonic()
        return unit

    def _folder(self, kind: str, name: str, wanted: Callable[[str], bool]) -> Path:
        place, far = self.working / kind / name, self.folder / kind / name
        unit = self._unit(kind, name)
        with unit.lock:
            place.mkdir(exist_ok=True)
            there = {
                sealed.relative_to(far).as_posix().removesuffix(SEALED): sealed
                for sealed in far.rglob(f"*{SEALED}")
            }
            for inside in set(unit.known) - set(there):  # another program withdrew it
                (place / inside).unlink(missing_ok=True)
                del unit.known[inside]
        self._fetch(kind, name, [one for one in sorted(there.items()) if wanted(one[0])])
        return place

    def _fetch(self, kind: str, name: str, files: list[tuple[str, Path]]) -> None:
        """Open what is not open yet, or was sealed anew by another program."""
        unit, opened = self._unit(kind, name), False
        place = self.working / kind if kind == "files" else self.working / kind / name
        with unit.lock:
            for inside, sealed in files:
                try:
                    stamp = _stamp(sealed)
                    if inside in unit.known and unit.known[inside][0] == stamp:
                        continue  # also where it was removed here, and is not withdrawn yet
                    hashed = name if kind == "files" else None
                    self._age.open(sealed, place / inside, sha256=hashed)
                except FileNotFoundError:
                    continue  # erased this very moment
                unit.known[inside] = stamp, _stamp(place / inside)
                opened = True
        if opened:
            self._make_room()

    def _publish(self, kind: str, name: str) -> None:
        unit, place = self._unit(kind, name), self.working / kind / name
        with unit.lock:
            for path in sorted(place.rglob("*")):
                inside = path.relative_to(place)
                try:
                    if not path.is_file() or is_unfinished(inside) or is_copy(kind, inside):
                        continue
                    stamp = _stamp(path)
                    known = unit.known.get(inside.as_posix())
                    if known is not None and known[1] == stamp:
                        continue
                    sealed = self.folder / kind / name / f"{inside.as_posix()}{SEALED}"
                    self._age.seal(path, sealed, scratch=self.folder / "incoming")
                except FileNotFoundError:
                    continue  # replaced or removed this very moment: its maker publishes again
                unit.known[inside.as_posix()] = _stamp(sealed), stamp
        self._make_room()

    def _remove(self, kind: str, name: str) -> int:
        unit = self._unit(kind, name)
        with unit.lock:
            in_clear = remove_tree(self.working / kind / name)
            unit.known.clear()
            return remove_tree(self.folder / kind / name) or in_clear

    def _make_room(self) -> None:
        """Remove the working copies that were asked for longest ago, until few enough are left."""
        with self._lock:
            units = sorted(self._units.items(), key=lambda item: item[1].asked_at)
        sizes = {key: self._size(key, unit) for key, unit in units}
        total = sum(sizes.values())
        for key, unit in units:
            if total <= self._limit:
                return
            if sizes[key] and self._evict(key, unit):
                total -= sizes[key]

    def _evict(self, key: Key, unit: _Unit) -> bool:
        kind, name = key
        if not unit.lock.acquire(blocking=False):
            return False
        try:
            with ExitStack() as stack:
                stack.enter_context(self._lock)
                if unit.holders or time.monotonic() - unit.asked_at < IDLE_S:
                    return False
            if kind == "files":
                for path in (self.working / kind).glob(f"{name}.*"):
                    path.unlink(missing_ok=True)
            elif not self._all_sealed(key, unit):
                return False
            else:
                shutil.rmtree(self.working / kind / name, ignore_errors=True)
            unit.known.clear()
            return True
        finally:
            unit.lock.release()

    def _all_sealed(self, key: Key, unit: _Unit) -> bool:
        """Say whether nothing would be lost with the working copies."""
        place = self.working.joinpath(*key)
        stamps = {inside: clear for inside, (_, clear) in unit.known.items()}
        return all(
            stamps.get(path.relative_to(place).as_posix()) == _stamp(path)
            or is_copy(key[0], path.relative_to(place))
            for path in place.rglob("*")
            if path.is_file()
        )

    def _size(self, key: Key, unit: _Unit) -> int:
        if key[0] == "files":
            found = [self.working / "files" / inside for inside in list(unit.known)]
        else:
            found = [path for path in self.working.joinpath(*key).rglob("*") if path.is_file()]
        try:
            return sum(path.stat().st_size for path in found)
        except FileNotFoundError:
            return 0  # just being changed: counted the next time


def is_unfinished(inside: Path) -> bool:
    """Say whether a file's name says that it is not whole yet."""
    return inside.name.endswith((".part", ".new", ".tmp", ".partial")) or any(
        part.startswith(".") for part in inside.parts
    )


def is_copy(kind: str, inside: Path) -> bool:
    """Say whether a file only copies what lies elsewhere: a track in a lesson's folder."""
    return kind == "lessons" and inside.parts[0] == "derived" and inside.suffix == ".nc"


def _stamp(path: Path) -> Stamp:
    about = path.stat()
    return about.st_mtime_ns, about.st_size
