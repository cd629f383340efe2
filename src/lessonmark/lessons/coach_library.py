"""The drill library as the record's pages use it: ours, the house's and the coach's own.

drills/*.toml              beside the record: a laptop's own; on a server that several coaches
                           share, the house's, and every coach there works with them
drills/coach-<id>/*.toml   on such a server: the drills of the coach with that account, which
                           no other coach sees
"""

from __future__ import annotations

import shutil
from functools import lru_cache
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.drills.library import Drill, read_drill, read_library
from lessonmark.errors import RecordError
from lessonmark.language import say, spoken
from lessonmark.lessons.files import write_whole
from lessonmark.lessons.record import Account, Owner
from lessonmark.lessons.store import Record, data_folder
from lessonmark.lessons.whose import whose_now

__all__ = [
    "OWN_DRILLS",
    "coach_library",
    "coach_of",
    "library_at_hand",
    "own_folder",
    "take_drills_in",
]

OWN_DRILLS = "drills"  # folder beside the record


def coach_library(folder: Path, *, coach: int | None = None) -> tuple[Drill, ...]:
    """Read all drills, by name in the language now spoken; read anew when a file changed.

    Parameters
    ----------
    folder : the record's.
    coach : whose own drills count, an account's id; None for who is being answered now, and
        nobody's where that is nobody in particular.

    Raises
    ------
    LessonFileError : a file of the coach's own cannot be used; says which and why.
    """
    if coach is None and (whose := whose_now()) is not None:
        coach = whose.account_id
    folders = [folder / OWN_DRILLS]
    if coach is not None:
        folders.append(own_folder(folder, coach))
    own = tuple(one for one in folders if one.is_dir())
    state = tuple(
        (str(file), file.stat().st_mtime_ns) for one in own for file in sorted(one.glob("*.toml"))
    )
    return _read(own, state, spoken())


def library_at_hand(
    own_drills: Path | None = None, *, record_folder: Path | None = None
) -> tuple[Drill, ...]:
    """Read all drills for who works from a terminal; no record is opened.

    Parameters
    ----------
    own_drills : a folder of drills besides the library; None for those beside the record.
    record_folder : None for the user's own; there need not be one.

    Raises
    ------
    LessonFileError : a file cannot be used; says which and why.
    """
    if own_drills is not None:
        return read_library(own_drills)
    return coach_library(record_folder or data_folder())


def own_folder(folder: Path, coach: int) -> Path:
    """Name the folder of a coach's own drills on a shared server; it may not be there."""
    return folder / OWN_DRILLS / f"coach-{coach}"


def coach_of(session: Session, player_id: int) -> int | None:
    """Find whose a player is, an account's id; None: nobody's but the laptop's own."""
    return session.scalar(select(Owner.account_id).where(Owner.player_id == player_id))


def take_drills_in(record: Record, name: str, source: Path) -> int:
    """Make the TOML files of a folder a coach's own drills; gives how many there are now.

    Raises
    ------
    RecordError : there is no coach's account of that name.
    LessonFileError : a file cannot be used; then the coach keeps the drills as they were.
    """
    with record.reading() as session:
        account = session.scalar(select(Account).where(Account.name == name.strip()))
        if account is None or account.player_id is not None:
            raise RecordError(
                say("there is no coach's account of this name"),
                do=say("list them with 'lessonmark account list'"),
            )
        there = own_folder(record.files.folder, account.id)
    read_library(source)  # every file, before the first is taken
    named = {f"{read_drill(file).id}.toml": file.read_bytes() for file in source.glob("*.toml")}
    if not named:
        shutil.rmtree(there, ignore_errors=True)
        return 0
    there.mkdir(parents=True, exist_ok=True)
    for file, content in named.items():
        write_whole(there / file, content)
    for old in there.iterdir():
        if old.name not in named:
            old.unlink()
    return len(named)


@lru_cache(maxsize=32)
def _read(
    folders: tuple[Path, ...], state: tuple[tuple[str, int], ...], language: str
) -> tuple[Drill, ...]:
    return read_library(*folders)
