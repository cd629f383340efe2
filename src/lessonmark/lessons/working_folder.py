"""A private folder in memory for files in clear, gone when the program ends.

What a killed program left there is removed when the next one begins: each holds a lock on its
folder for as long as it lives.
"""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import IO

__all__ = ["WorkingFolder"]

NAMED = "LESSONMARK_WORKING"
PREFIX, UNBORN = "lessonmark-open-", "lessonmark-new-"
LOCK = "in-use"
UNBORN_S = 600.0  # a folder that is not locked yet lives for a moment only


class WorkingFolder:
    """A folder of this process's own.

    ``LESSONMARK_WORKING`` names where it is made; else in the system's folder in memory; else,
    where there is none, in the one for temporary files, which lies on the disk.
    """

    def __init__(self) -> None:
        place, self.in_memory = _place()
        wipe_left(place)
        unborn = Path(tempfile.mkdtemp(prefix=UNBORN, dir=place))  # its mode is 0700
        self._lock = open(unborn / LOCK, "wb")  # noqa: SIM115 - held until closed
        _try_lock(self._lock)
        # Its real name comes after its lock, so that nobody takes it for one that was left.
        self.path = unborn.with_name(PREFIX + unborn.name.removeprefix(UNBORN))
        unborn.rename(self.path)
        atexit.register(self.close)

    @property
    def free_bytes(self) -> int:
        """Space that is left where it lies."""
        return shutil.disk_usage(self.path).free

    def close(self) -> None:
        """Remove the folder and all that is in it."""
        atexit.unregister(self.close)
        self._lock.close()
        shutil.rmtree(self.path, ignore_errors=True)


def wipe_left(place: Path) -> int:
    """Remove the folders of programs that are gone; gives how many."""
    count = 0
    for folder in [*place.glob(f"{PREFIX}*"), *place.glob(f"{UNBORN}*")]:
        if _is_left(folder):
            shutil.rmtree(folder, ignore_errors=True)
            count += 1
    return count


def _is_left(folder: Path) -> bool:
    try:
        about = folder.lstat()
        if not folder.is_dir() or folder.is_symlink():
            return False
        if os.name == "posix" and about.st_uid != os.getuid():
            return False
        if folder.name.startswith(UNBORN):
            return about.st_mtime < time.time() - UNBORN_S
        with open(folder / LOCK, "r+b") as lock:
            return _try_lock(lock)
    except FileNotFoundError:
        return folder.is_dir()  # what a dying helper wrote anew
    except OSError:
        return False


def _try_lock(file: IO[bytes]) -> bool:
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _place() -> tuple[Path, bool]:
    named = os.environ.get(NAMED)
    if named:
        Path(named).mkdir(parents=True, exist_ok=True)
        return Path(named), False
    # The user's own runtime folder comes second: it is small, and the desktop needs it.
    for memory in ("/dev/shm", os.environ.get("XDG_RUNTIME_DIR") or ""):
        if sys.platform == "linux" and memory and os.access(memory, os.W_OK | os.X_OK):
            return Path(memory), True
    return Path(tempfile.gettempdir()), False
