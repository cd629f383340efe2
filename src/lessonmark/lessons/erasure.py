"""Erase a player so that nothing is left, and prove it.

In steps that each survive a crash: what must go is written down first, then the files go, then the
rows, then the database file is rebuilt without them and searched for every word that went. Whatever
was cut short is finished when the record is next opened, the search included. Copies outside the
record (backups, exported zips, what the player was given) are out of reach, and the report says so.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import delete, func, select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.erasure_proof import find_traces, names_of, traces_of
from lessonmark.lessons.erasure_words import (
    KEPT,
    SoughtWords,
    forget_words,
    keep_words,
    kept_words,
    new_place,
)
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
                        KEPT: [new_place()],
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
    place, sought, rows_there, files = _sought(record, erasure_id)
    media, lessons, traces = list(sought.media), list(sought.lessons), list(sought.traces)
    # The background sees that the player goes, and stops; what it still writes goes along.
    wait_until_let_go(record, {*media, *lessons}, within_s=LET_GO_WITHIN_S)
    for sha256 in media:
        files += record.files.remove_media(sha256)
    for uid in lessons:
        files += record.files.remove_lesson(uid)
    if rows_there:
        keep_words(record, place, sought)
        with record.writing() as session:
            erasure = session.get_one(Erasure, erasure_id)
            erasure.report = {**_delete_rows(session, sought.player_id, media), "files": files}
            erasure.player_id = None
            erasure.plan = {KEPT: [place]}  # no hash and no uid of theirs stays in the database
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
        left = find_traces(record, traces, media=media, lessons=lessons, names=sought.names)
        if not left:
            break
    now = datetime.now(UTC)
    if not left:  # else it is taken up once more when the record is next opened
        forget_words(record, place)
    with record.writing() as session:
        erasure = session.get_one(Erasure, erasure_id)
        if not left:
            erasure.plan, erasure.finished_at = {}, now
        rows = {table: n for table, n in erasure.report.items() if table != "files"}
        return sought.player_id, ErasureReport(
            rows=rows, files=files, left=tuple(left), finished_at=now
        )


def _sought(record: Record, erasure_id: int) -> tuple[str, SoughtWords, bool, int]:
    """Give where an erasure's words lie, the words, whether the rows are there, and files gone.

    Words that are nowhere any more were forgotten after the proof: only the end is still to come.
    """
    with record.reading() as session:
        erasure = session.get_one(Erasure, erasure_id)
        files = int(erasure.report.get("files", 0))
        # An erasure that an earlier version began has no place yet.
        place = next(iter(erasure.plan.get(KEPT, [])), None) or new_place()
        if erasure.player_id is not None:
            sought = SoughtWords(
                player_id=erasure.player_id,
                traces=tuple(traces_of(session, erasure.player_id)),
                names=tuple(names_of(session, erasure.player_id)),
                media=tuple(erasure.plan.get("media", [])),
                lessons=tuple(erasure.plan.get("lessons", [])),
            )
            return place, sought, True, files
        plan = erasure.plan
    nothing = SoughtWords(
        player_id=-1,
        traces=(),
        media=tuple(plan.get("media", [])),
        lessons=tuple(plan.get("lessons", [])),
    )
    return place, kept_words(record, place) or nothing, False, files


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


def _own_media(session: Session, player_id: int) -> set[str]:
    mine = set(session.scalars(select(Clip.sha256).where(Clip.player_id == player_id)))
    others = set(
        session.scalars(
            select(Clip.sha256).where(Clip.player_id != player_id, Clip.sha256.in_(mine))
        )
    )
    return mine - others


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
