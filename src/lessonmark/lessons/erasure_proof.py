"""Prove that an erased player is nowhere any more: search all that is kept for their words."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    JSON,
    Column,
    ColumnElement,
    Enum,
    Select,
    String,
    Text,
    cast,
    exists,
    select,
)
from sqlalchemy.orm import InstrumentedAttribute, Session

from lessonmark.language import say
from lessonmark.lessons.record import (
    Account,
    Attempt,
    Base,
    CauseStep,
    Clip,
    Cue,
    DrillSet,
    FormerFinding,
    InjuryNote,
    Lesson,
    LessonFinding,
    PackOrder,
    Passage,
    Player,
)
from lessonmark.lessons.whose import path_to_player

if TYPE_CHECKING:
    from lessonmark.lessons.store import Record

__all__ = ["WORDS", "find_traces", "names_of", "traces_of"]

SHORTEST_TRACE = 8  # bytes: a shorter word turns up in a file by chance
BEGINNING = 24  # characters of a long text that are looked for by themselves
ROWS_AT_ONCE = 100  # of a column that is read through: a finding may be a megabyte
# What a person wrote or is called by, and what names their files.
WORDS: tuple[InstrumentedAttribute[Any], ...] = (
    Player.uid,
    Player.name,
    Player.search,
    Player.note,
    Player.guardian,
    Player.consent_by,
    Account.name,
    InjuryNote.words,
    Lesson.uid,
    Lesson.title,
    Lesson.search,
    Lesson.note,
    Cue.words,
    CauseStep.words,
    DrillSet.name,
    DrillSet.dose,
    Attempt.name,
    Passage.uid,
    Passage.sound,
    Passage.caption,
    PackOrder.talking_points,
    PackOrder.message,
    Clip.uid,
    Clip.name,
)
# What they and their parents are called.
NAMES = (Player.name, Player.search, Player.guardian, Player.consent_by, Account.name)
# Where a coach writes freely of a player: a name in another's is part of what is written of them.
FREELY = (Player.note, InjuryNote.words, Lesson.note, Cue.words)


def find_traces(
    record: Record,
    traces: list[str],
    *,
    media: list[str],
    lessons: list[str],
    names: Collection[str] = (),
) -> list[str]:
    """Search the record for words and names that must be gone; gives where they were.

    SQLite's file is searched byte by byte. A server's files are its own, and those of a sealed
    database tell nothing: there every column of every table that holds words is searched. What
    stands in a row of somebody who stays is theirs; but `names`, some of the traces, are theirs
    only as their own name and in what was written freely of them: another's lesson may not be
    called after the one who goes.
    """
    found = record.files.traces(media=media, lessons=lessons)
    sought = [*traces, *media]
    if not record.is_sqlite or record.keys is not None:
        places = _columns_with(record, sought)
    else:
        places = list(_files_with(record, sought))
    theirs: dict[str, bool] = {}
    for where, trace in places:
        if trace not in theirs:
            of_another = _named_by_another if trace in names else _said_of_another
            theirs[trace] = of_another(record, trace)
        if not theirs[trace]:
            found.append(f"{where}: {say('text of {n} characters', n=len(trace))}")
    return found


def traces_of(session: Session, player_id: int) -> list[str]:
    """List the words and names of a player that must be nowhere once they are erased."""
    former = [word for said in _findings(session, player_id) for word in _names_in(said)]
    return _as_kept([*_words_in(session, player_id, WORDS), *former])


def names_of(session: Session, player_id: int) -> list[str]:
    """List those of the traces that are the player's own names, present and former."""
    former = [next(_names_in(said), "") for said in _findings(session, player_id)]
    return _as_kept([*_words_in(session, player_id, NAMES), *former])


def _words_in(
    session: Session, player_id: int, attributes: Iterable[InstrumentedAttribute[Any]]
) -> Iterator[str]:
    only = select(Player.id).where(Player.id == player_id)
    for attribute in attributes:
        column = attribute.property.columns[0]
        yield from session.scalars(select(column).where(_is_of(column, only)))


def _findings(session: Session, player_id: int) -> Iterator[str]:
    return _words_in(session, player_id, (LessonFinding.findings, FormerFinding.findings))


def _as_kept(words: list[str]) -> list[str]:
    """Add how the words stand in JSON and where a page of the file may cut them; not short ones."""
    # Inside a row's JSON, quotes and ends of lines are written otherwise.
    words = [*words, *(json.dumps(word, ensure_ascii=False)[1:-1] for word in words)]
    # A long text may span two pages of the file: its beginning is looked for as well.
    words += [word[:BEGINNING] for word in words if len(word) > BEGINNING]
    return sorted({word for word in words if len(word.encode()) >= SHORTEST_TRACE})


def _names_in(finding: str) -> Iterator[str]:
    """Give what a finding called the player, then lesson and drill; renamed since, perhaps."""
    try:
        said = json.loads(finding)
        words = (said["player"]["name"], said["lesson_title"], said["drill"])
    except (ValueError, TypeError, LookupError):  # taken in from elsewhere, and no finding
        return
    yield from (word for word in words if isinstance(word, str))


def _is_of(column: Column[Any], players: Select[int]) -> ColumnElement[bool]:
    """Say that a column's row belongs to one of the players.

    Raises
    ------
    LookupError : its table is nobody's.
    """
    entities: dict[Any, type[Base]] = {
        mapper.local_table: mapper.class_ for mapper in Base.registry.mappers
    }
    key = column.table.c[path_to_player(entities[column.table])]
    lessons = select(Lesson.id).where(Lesson.player_id.in_(players))
    clips = select(Clip.id).where(Clip.player_id.in_(players))
    return key.in_({"lesson_id": lessons, "clip_id": clips}.get(key.name, players))


def _with_words() -> Iterator[Column[Any]]:
    for table in Base.metadata.sorted_tables:
        for column in table.columns:
            if isinstance(column.type, (String, JSON)):
                yield column


def _columns_with(record: Record, traces: Iterable[str]) -> list[tuple[str, str]]:
    """Read every column of words once; gives where each trace is."""
    found: list[tuple[str, str]] = []
    with record.reading() as session:
        for column in _with_words():
            if isinstance(column.type, Enum):
                continue
            there: set[str] = set()
            every = select(cast(column, Text)).where(column.is_not(None))
            for text in session.scalars(every.execution_options(yield_per=ROWS_AT_ONCE)):
                there.update(trace for trace in traces if trace in text)
            found += [(f"{column.table.name}.{column.name}", trace) for trace in sorted(there)]
    return found


def _files_with(record: Record, traces: Iterable[str]) -> Iterator[tuple[str, str]]:
    for path in _database_files(record):
        content = path.read_bytes()
        for trace in traces:
            if trace.encode() in content:
                yield path.name, trace


def _said_of_another(record: Record, trace: str) -> bool:
    """Whether a row of a player who stays holds it, or it is a name of the tables' own."""
    for table in Base.metadata.sorted_tables:
        if any(trace in name for name in (table.name, *table.c.keys())):
            return True
    return _held_by_another(record, _with_words(), trace)


def _named_by_another(record: Record, trace: str) -> bool:
    """Whether a player who stays is called so too, or was freely written of in that name."""
    columns = (attribute.property.columns[0] for attribute in (*NAMES, *FREELY))
    return _held_by_another(record, columns, trace)


def _held_by_another(record: Record, columns: Iterable[Column[Any]], trace: str) -> bool:
    stay = select(Player.id).where(Player.erasing_since.is_(None))
    with record.reading() as session:
        for column in columns:
            try:
                of_somebody = _is_of(column, stay)
            except LookupError:
                continue
            if column.table is Account.__table__:  # a coach's own, who may be a player as well
                of_somebody |= Account.player_id.is_(None)
            holds = cast(column, Text).contains(trace, autoescape=True)
            if session.scalar(select(exists().where(holds, of_somebody))):
                return True
    return False


def _database_files(record: Record) -> list[Path]:
    if not record.is_sqlite or not record.engine.url.database or record.keys is not None:
        return []
    main = Path(record.engine.url.database)
    return [path for end in ("", "-wal") if (path := Path(f"{main}{end}")).is_file()]
