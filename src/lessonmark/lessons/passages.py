"""Passages that the coach recorded: kept, put in order, recorded anew, removed.

The sound lies in the lesson's own folder under its content's hash, so that it is exported, backed
up and erased along with the lesson; the row holds the rest.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import FileStore, write_whole
from lessonmark.lessons.listing import NotInRecord, load_lesson
from lessonmark.lessons.record import Lesson, Passage
from lessonmark.lessons.record_base import now
from lessonmark.lessons.store import SETTLED_S, Record
from lessonmark.lessons.under_way import at_work
from lessonmark.words import View

__all__ = [
    "PASSAGES_MAX",
    "NewPassage",
    "keep_passage",
    "load_passage",
    "move_passage",
    "remove_passage",
    "sound_path",
    "voice_folder",
]

PASSAGES_MAX = 60  # of one lesson: an hour of talk at most, as a guard
_SOUND = re.compile(r"[0-9a-f]{64}\.(webm|ogg|mp4)")
_VOICE = "voice"


@dataclass(frozen=True, kw_only=True)
class NewPassage:
    """What was recorded, checked."""

    at: str  # the measure on the screen, 'side_bend@P6'; '' none
    view: View | None
    duration_s: float
    take: str  # JSON
    caption: str | None = None  # None: as the passage had it that is recorded anew


def keep_passage(
    record: Record,
    lesson_id: int,
    new: NewPassage,
    *,
    sound: tuple[Path, str, str] | None = None,
    instead_of: int | None = None,
) -> int:
    """Keep a passage at the end of the list, or in another one's place.

    Parameters
    ----------
    sound : a file that was received, its SHA-256 and its suffix; None for no voice.
    instead_of : the passage that is recorded anew; it keeps its place.

    Raises
    ------
    RecordError : too many already, the one to replace is gone, or the disk is full; what was
        there stays as it was.
    """
    with record.reading() as session:
        uid = load_lesson(session, lesson_id).uid
    with at_work(record, lessons=(uid,)):  # erased meanwhile: its sound goes too
        name = _keep_sound(record.files, uid, *sound) if sound is not None else ""
        if name:
            record.files.publish_lesson(uid)
        key, old = _keep_row(record, lesson_id, new, name, instead_of)
        _sweep(record, lesson_id, at_once=old)
    return key


def _keep_row(
    record: Record, lesson_id: int, new: NewPassage, sound: str, instead_of: int | None
) -> tuple[int, str]:
    """Write the row; gives its id and the sound that it had before."""
    old = ""
    with record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        if instead_of is None:
            if len(lesson.passages) >= PASSAGES_MAX:
                raise RecordError(
                    say("there are {n} passages already", n=PASSAGES_MAX),
                    do=say("remove one first"),
                )
            row = Passage(rank=1 + max((one.rank for one in lesson.passages), default=0))
            lesson.passages.append(row)
        else:
            row = _of(lesson, instead_of)
            old = row.sound
        row.at, row.view, row.duration_s, row.take = new.at, new.view, new.duration_s, new.take
        row.sound, row.recorded_at = sound, now()
        if new.caption is not None:
            row.caption = new.caption
        session.flush()
        return row.id, old


def remove_passage(record: Record, passage_id: int) -> int:
    """Remove a passage and its sound; gives its lesson."""
    with record.writing() as session:
        row = load_passage(session, passage_id)
        lesson_id, old = row.lesson_id, row.sound
        session.delete(row)
    _sweep(record, lesson_id, at_once=old)
    return lesson_id


def move_passage(record: Record, passage_id: int, *, place_of: int) -> int:
    """Change places with another passage of the lesson; gives the lesson."""
    with record.writing() as session:
        row = load_passage(session, passage_id)
        lesson = load_lesson(session, row.lesson_id)
        other = _of(lesson, place_of)
        row.rank, other.rank = other.rank, row.rank
        return row.lesson_id


def load_passage(session: Session, passage_id: int) -> Passage:
    """Load a passage.

    Raises
    ------
    NotInRecord : there is none, or its player is being erased.
    """
    row = session.get(Passage, passage_id)
    if row is None:
        raise NotInRecord(say("there is no such passage"), do=say("reload the page"))
    load_lesson(session, row.lesson_id)
    return row


def sound_path(files: FileStore, lesson: Lesson, passage: Passage) -> Path:
    """Give the file of a passage's sound.

    Raises
    ------
    NotInRecord : it has none, or the file is gone.
    """
    path = voice_folder(files, lesson.uid) / passage.sound
    if not _SOUND.fullmatch(passage.sound) or not path.is_file():
        raise NotInRecord(
            say("the sound of this passage is not there"), do=say("record the passage again")
        )
    return path


def _of(lesson: Lesson, passage_id: int) -> Passage:
    for row in lesson.passages:
        if row.id == passage_id:
            return row
    raise NotInRecord(say("there is no such passage"), do=say("reload the page"))


def voice_folder(files: FileStore, lesson_uid: str) -> Path:
    """Give the folder of a lesson's recorded sounds; it may not be there yet."""
    return files.lesson_folder(lesson_uid) / _VOICE


def _keep_sound(files: FileStore, lesson_uid: str, path: Path, sha256: str, suffix: str) -> str:
    name = f"{sha256}{suffix}"
    if not _SOUND.fullmatch(name):
        raise ValueError(f"not a sound's name: {name!r}")
    folder = voice_folder(files, lesson_uid)
    folder.mkdir(exist_ok=True)
    write_whole(folder / name, path.read_bytes())
    return name


def _sweep(record: Record, lesson_id: int, *, at_once: str = "") -> None:
    """Remove sounds that no passage has; a young one may belong to a passage just coming in."""
    with record.reading() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None:
            return
        used = {row.sound for row in lesson.passages}
        folder = voice_folder(record.files, lesson.uid)
    if not folder.is_dir():
        return
    settled = time.time() - SETTLED_S
    for path in folder.iterdir():
        if path.name not in used and (path.name == at_once or path.stat().st_mtime < settled):
            record.files.withdraw(path)
