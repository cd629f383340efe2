"""Erase a player so that nothing is left, and prove it.

In steps that each survive a crash: what must go is written down first, then the files go, then the
rows, then the database file is rebuilt without them. Whatever was cut short is finished when the
record is next opened. Copies outside the record (backups, exported zips, what the player was
given) are out of reach, and the report says so.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import JSON, Enum, String, Text, cast, delete, exists, func, select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.record import (
    Account,
    AccountSession,
    Attempt,
    AuditEntry,
    Base,
    CauseStep,
    Clip,
    Correction,
    Cue,
    DrillSet,
    Erasure,
    Focus,
    FormerFinding,
    InjuryNote,
    Lesson,
    LessonFinding,
    Media,
    Owner,
    PackOrder,
    Passage,
    PictureChoice,
    PlannedPractice,
    Player,
    Swing,
    TargetWindow,
)
from lessonmark.lessons.under_way import wait_until_let_go
from lessonmark.lessons.whose import anybody

if TYPE_CHECKING:
    from lessonmark.lessons.store import Record

__all__ = ["ErasureReport", "erase_player", "finish_erasures"]

LET_GO_WITHIN_S = 60.0  # judging a lesson of forty swings with its pictures on a slow laptop
# Another program on the same record cannot be waited for, only be looked after.
SEARCHES, AGAIN_AFTER_S = 8, 1.0
SHORTEST_TRACE = 8  # bytes: a shorter word turns up in a file by chance
_OF_LESSON = (
    Focus,
    Cue,
    DrillSet,
    PictureChoice,
    LessonFinding,
    FormerFinding,
    PlannedPractice,
    Attempt,
    CauseStep,
    Passage,
    PackOrder,
)
_OF_CLIP = (Swing, Correction)


@dataclass(frozen=True, kw_only=True)
class ErasureReport:
    """What went, in numbers, and what was found afterwards."""

    rows: dict[str, int]  # table -> rows
    files: int
    left: tuple[str, ...]  # where a trace was still found; empty: proven gone
    finished_at: datetime

    @property
    def proven(self) -> bool:
        """Whether the search for traces came back empty."""
        return not self.left


def erase_player(record: Record, player_id: int) -> ErasureReport:
    """Erase a player with all lessons, clips, files and derived data.

    A clip whose very same file belongs to another player too keeps its file for that player.

    Raises
    ------
    RecordError : there is no such player.
    """
    with record.reading() as session:  # with the eyes of who asks
        if session.get(Player, player_id) is None:
            raise RecordError(say("this player is not in the record"), do=say("reload the list"))
    with anybody():  # a clip's file may be another coach's player's too
        return _erase(record, player_id)


def _erase(record: Record, player_id: int) -> ErasureReport:
    with record.writing() as session:
        player = session.get(Player, player_id)
        if player is None:
            raise RecordError(say("this player is not in the record"), do=say("reload the list"))
        if player.erasing_since is None:
            player.erasing_since = datetime.now(UTC)
            session.add(
                Erasure(
                    player_id=player_id,
                    plan={
                        "media": sorted(_own_media(session, player_id)),
                        "lessons": sorted(
                            session.scalars(select(Lesson.uid).where(Lesson.player_id == player_id))
                        ),
                    },
                )
            )
    reports = finish_erasures(record)
    if player_id not in reports:
        raise RecordError(
            say("another window of the program is already erasing this player"),
            do=say("wait a moment and reload the list"),
        )
    return reports[player_id]


def finish_erasures(record: Record) -> dict[int, ErasureReport]:
    """Finish every erasure that was begun; gives the reports by player's id."""
    with record.reading() as session:
        begun = session.scalars(select(Erasure.id).where(Erasure.finished_at.is_(None))).all()
    return dict(_finish(record, erasure_id) for erasure_id in begun)


def _finish(record: Record, erasure_id: int) -> tuple[int, ErasureReport]:
    with record.reading() as session:
        erasure = session.get_one(Erasure, erasure_id)
        player_id = erasure.player_id
        files = int(erasure.report.get("files", 0))
        media, lessons = erasure.plan.get("media", []), erasure.plan.get("lessons", [])
        traces = [] if player_id is None else _traces(session, player_id)
    # The background sees that the player goes, and stops; what it still writes goes along.
    wait_until_let_go(record, {*media, *lessons}, within_s=LET_GO_WITHIN_S)
    for sha256 in media:
        files += record.files.remove_media(sha256)
    for uid in lessons:
        files += record.files.remove_lesson(uid)
    with record.writing() as session:
        erasure = session.get_one(Erasure, erasure_id)
        if player_id is not None:
            erasure.report = {**_delete_rows(session, player_id, media), "files": files}
        erasure.player_id = None
        erasure.plan = {}
    # Whoever had read the rows before they went may have begun since.
    wait_until_let_go(record, {*media, *lessons}, within_s=LET_GO_WITHIN_S)
    left: list[str] = []
    for attempt in range(SEARCHES):
        time.sleep(AGAIN_AFTER_S * min(attempt, 1))
        for sha256 in media:
            files += record.files.remove_media(sha256)
        for uid in lessons:
            files += record.files.remove_lesson(uid)
        try:
            rebuild(record)
        except _busy(record):  # somebody else is at the database
            if attempt == SEARCHES - 1:
                raise
            continue
        left = find_traces(record, traces, media=media, lessons=lessons)
        if not left:
            break
    now = datetime.now(UTC)
    with record.writing() as session:
        erasure = session.get_one(Erasure, erasure_id)
        if left:  # taken up once more when the record is next opened
            erasure.plan = {"media": media, "lessons": lessons}
        else:
            erasure.finished_at = now
        rows = {table: n for table, n in erasure.report.items() if table != "files"}
        return player_id or -1, ErasureReport(
            rows=rows, files=files, left=tuple(left), finished_at=now
        )


def _busy(record: Record) -> tuple[type[Exception], ...]:
    """Name what the database's library raises while somebody else is at the database."""
    own: type[Exception] = record.engine.dialect.loaded_dbapi.OperationalError
    return own, OperationalError


def rebuild(record: Record) -> None:
    """Write the database anew, so that no freed page keeps old bytes.

    A server's own log and its backups are out of reach; who keeps the server sees to those.
    """
    if not record.is_sqlite:
        with record.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            for table in Base.metadata.sorted_tables:
                connection.exec_driver_sql(f'VACUUM (FULL) "{table.name}"')
        return
    raw = record.engine.raw_connection()
    try:
        cursor = raw.cursor()
        cursor.execute("VACUUM")
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        cursor.close()
    finally:
        raw.close()


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


def _own_media(session: Session, player_id: int) -> set[str]:
    mine = set(session.scalars(select(Clip.sha256).where(Clip.player_id == player_id)))
    others = set(
        session.scalars(
            select(Clip.sha256).where(Clip.player_id != player_id, Clip.sha256.in_(mine))
        )
    )
    return mine - others


def _traces(session: Session, player_id: int) -> list[str]:
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


def _delete_rows(session: Session, player_id: int, media: list[str]) -> dict[str, int]:
    lessons = select(Lesson.id).where(Lesson.player_id == player_id)
    clips = select(Clip.id).where(Clip.player_id == player_id)
    accounts = select(Account.id).where(Account.player_id == player_id)
    # The log keeps that something was done, and no longer to whom.
    session.execute(
        update(AuditEntry)
        .where(AuditEntry.player_id == player_id)
        .values(player_id=None)
        .execution_options(synchronize_session=False)
    )
    wanted = (
        *((table, table.clip_id.in_(clips)) for table in _OF_CLIP),
        (Clip, Clip.player_id == player_id),
        *((table, table.lesson_id.in_(lessons)) for table in _OF_LESSON),
        (Lesson, Lesson.player_id == player_id),
        (InjuryNote, InjuryNote.player_id == player_id),
        (TargetWindow, TargetWindow.player_id == player_id),
        (Owner, Owner.player_id == player_id),
        (AccountSession, AccountSession.account_id.in_(accounts)),
        (Account, Account.player_id == player_id),
        (Player, Player.id == player_id),
        (Media, Media.sha256.in_(media)),
    )
    rows = {}
    for table, which in wanted:
        matching = session.scalar(select(func.count()).select_from(table).where(which)) or 0
        session.execute(delete(table).where(which).execution_options(synchronize_session=False))
        rows[table.__tablename__] = matching
    return rows


def _database_files(record: Record) -> list[Path]:
    if not record.is_sqlite or not record.engine.url.database or record.keys is not None:
        return []
    main = Path(record.engine.url.database)
    return [path for end in ("", "-wal") if (path := Path(f"{main}{end}")).is_file()]
