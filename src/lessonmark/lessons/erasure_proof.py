"""Prove that an erased player is nowhere any more: search all that is kept for their words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import JSON, Enum, String, Text, cast, exists, func, select
from sqlalchemy.orm import Session

from lessonmark.language import say
from lessonmark.lessons.record import Base, Cue, InjuryNote, Lesson, Player

if TYPE_CHECKING:
    from lessonmark.lessons.store import Record

__all__ = ["find_traces", "traces_of"]

SHORTEST_TRACE = 8  # bytes: a shorter word turns up in a file by chance


def find_traces(
    record: Record, traces: list[str], *, media: list[str], lessons: list[str]
) -> list[str]:
    """Search the record for words and names that must be gone; gives where they were.

    SQLite's file is searched byte by byte. A server's files are its own, and those of a sealed
    database tell nothing: there every column of every table that holds words is searched.
    """
    found = record.files.traces(media=media, lessons=lessons)
    if not record.is_sqlite or record.keys is not None:
        found += [
            f"{where}: {say('text of {n} characters', n=len(trace))}"
            for trace in traces
            for where in _columns_with(record, trace)
            if not _said_of_another(record, trace)
        ]
    for path in _database_files(record):
        content = path.read_bytes()
        found += [
            f"{path.name}: {say('text of {n} characters', n=len(trace))}"
            for trace in traces
            if trace.encode() in content and not _said_of_another(record, trace)
        ]
    return found


def traces_of(session: Session, player_id: int) -> list[str]:
    """List the words and names of a player that must be nowhere once they are erased."""
    player = session.get_one(Player, player_id)
    words = [player.uid, player.name, player.note, player.guardian, player.consent_by]
    words += [note.words for note in player.injuries]
    for lesson in player.lessons:
        words += [lesson.uid, lesson.note, *(cue.words for cue in lesson.cues)]
        words += [clip.uid for clip in lesson.clips]
    # A long text may span two pages of the file: its beginning is looked for as well.
    words += [word[:24] for word in words if len(word) > 24]
    return sorted({word for word in words if len(word.encode()) >= SHORTEST_TRACE})


def _columns_with(record: Record, trace: str) -> list[str]:
    columns = [
        column
        for table in Base.metadata.sorted_tables
        for column in table.columns
        if isinstance(column.type, (String, JSON)) and not isinstance(column.type, Enum)
    ]
    with record.reading() as session:
        return [
            f"{column.table.name}.{column.name}"
            for column in columns
            if session.scalar(
                select(exists().where(cast(column, Text).contains(trace, autoescape=True)))
            )
        ]


def _said_of_another(record: Record, trace: str) -> bool:
    with record.reading() as session:
        named = select(func.count()).where(
            Player.name.contains(trace, autoescape=True)
            | Player.guardian.contains(trace, autoescape=True)
            | Player.consent_by.contains(trace, autoescape=True)
            | Player.note.contains(trace, autoescape=True)
        )
        noted = select(func.count()).where(Lesson.note.contains(trace, autoescape=True))
        cued = select(func.count()).where(Cue.words.contains(trace, autoescape=True))
        hurt = select(func.count()).where(InjuryNote.words.contains(trace, autoescape=True))
        return any(session.scalar(query) for query in (named, noted, cued, hurt))


def _database_files(record: Record) -> list[Path]:
    if not record.is_sqlite or not record.engine.url.database or record.keys is not None:
        return []
    main = Path(record.engine.url.database)
    return [path for end in ("", "-wal") if (path := Path(f"{main}{end}")).is_file()]
