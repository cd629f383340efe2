"""The drill library as the record's pages use it: ours, and the coach's own beside the record."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from lessonmark.drills.library import Drill, read_library
from lessonmark.language import spoken

__all__ = ["OWN_DRILLS", "coach_library"]

OWN_DRILLS = "drills"  # folder beside the record: the coach's own TOML files


def coach_library(folder: Path) -> tuple[Drill, ...]:
    """Read all drills, by name in the language now spoken; read anew when a file changed.

    Parameters
    ----------
    folder : the record's.

    Raises
    ------
    LessonFileError : a file of the coach's own cannot be used; says which and why.
    """
    own = folder / OWN_DRILLS
    if not own.is_dir():
        return _read(None, (), spoken())
    state = tuple((file.name, file.stat().st_mtime_ns) for file in sorted(own.glob("*.toml")))
    return _read(own, state, spoken())


@lru_cache(maxsize=8)
def _read(
    folder: Path | None, state: tuple[tuple[str, int], ...], language: str
) -> tuple[Drill, ...]:
    return read_library(folder)
