"""What the pages look up: players by name, and a player's lessons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, Select, exists, func, or_, select
from sqlalchemy.orm import Session, defer, selectinload

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.folding import fold
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    Lesson,
    LessonKind,
    Player,
    Swing,
)

__all__ = [
    "LessonLine",
    "NotInRecord",
    "PlayerLine",
    "lesson_lines",
    "list_players",
    "load_lesson",
    "load_player",
    "load_swing",
]


class NotInRecord(RecordError):
    """Somebody asked for a row that is not there."""


@dataclass(frozen=True, kw_only=True)
class PlayerLine:
    """A player in the list."""

    id: int
    name: str
    lessons: int
    swings: int
    last_on: datetime | None
    next_on: date | None
    consent_on: date | None
    waiting: int  # clips still to be analysed


@dataclass(frozen=True, kw_only=True)
class LessonLine:
    """A lesson on the player's page."""

    id: int
    kind: LessonKind
    title: str
    started_at: datetime
    club: str
    swings: int
    drills: tuple[str, ...]
    next_on: date | None


def list_players(
    session: Session, *, search: str = "", limit: int = 100, start: int = 0
) -> tuple[tuple[PlayerLine, ...], int]:
    """List players by name; every word of the search must be in the name, a lesson or a drill.

    Returns
    -------
    the lines from `start` on, and how many there are in all.
    """
    where: list[ColumnElement[bool]] = [Player.erasing_since.is_(None)]
    for word in fold(search).split():
        in_lesson = exists().where(
            Lesson.player_id == Player.id, Lesson.search.contains(word, autoescape=True)
        )
        where.append(or_(Player.search.contains(word, autoescape=True), in_lesson))
    total = session.scalar(select(func.count()).select_from(Player).where(*where)) or 0
    page = (
        select(Player.id, Player.name, Player.consent_on)
        .where(*where)
        .order_by(Player.search, Player.id)
        .limit(limit)
        .offset(start)
    )
    players = session.execute(page).all()
    ids = [row.id for row in players]
    lessons = {
        row.player_id: row
        for row in session.execute(
            select(
                Lesson.player_id,
                func.count().label("lessons"),
                func.max(Lesson.started_at).label("last_on"),
                func.max(Lesson.next_on).label("next_on"),
            )
            .where(Lesson.player_id.in_(ids))
            .group_by(Lesson.player_id)
        )
    }
    swings = _counts(
        session,
        select(Clip.player_id, func.count())
        .join(Swing, Swing.clip_id == Clip.id)
        .where(Clip.player_id.in_(ids))
        .group_by(Clip.player_id),
    )
    waiting = _counts(
        session,
        select(Clip.player_id, func.count())
        .where(Clip.player_id.in_(ids), Clip.state.in_((ClipState.WAITING, ClipState.WORKING)))
        .group_by(Clip.player_id),
    )
    return tuple(
        PlayerLine(
            id=row.id,
            name=row.name,
            consent_on=row.consent_on,
            lessons=lessons[row.id].lessons if row.id in lessons else 0,
            last_on=lessons[row.id].last_on if row.id in lessons else None,
            next_on=lessons[row.id].next_on if row.id in lessons else None,
            swings=swings.get(row.id, 0),
            waiting=waiting.get(row.id, 0),
        )
        for row in players
    ), total


def load_player(session: Session, player_id: int) -> Player:
    """Load a player.

    Raises
    ------
    NotInRecord : there is none, or they are being erased.
    """
    player = session.get(Player, player_id)
    if player is None or player.erasing_since is not None:
        raise NotInRecord(
            say("this player is not in the record"), do=say("look for them in the list")
        )
    return player


def load_lesson(session: Session, lesson_id: int) -> Lesson:
    """Load a lesson with its clips.

    Raises
    ------
    NotInRecord : there is none.
    """
    lesson = session.get(
        Lesson,
        lesson_id,
        # What was measured is long, and most pages want only that it was.
        options=[
            selectinload(Lesson.clips).options(
                defer(Clip.finding),
                selectinload(Clip.corrections),
                selectinload(Clip.swings).options(defer(Swing.finding), defer(Swing.numbers)),
            )
        ],
    )
    if lesson is None or lesson.player.erasing_since is not None:
        raise NotInRecord(
            say("this lesson is not in the record"), do=say("look for it on the player's page")
        )
    return lesson


def load_swing(session: Session, swing_id: int) -> Swing:
    """Load a swing.

    Raises
    ------
    NotInRecord : there is none.
    """
    swing = session.get(Swing, swing_id)
    if swing is None or swing.clip.lesson.player.erasing_since is not None:
        raise NotInRecord(
            say("this swing is not in the record"), do=say("look for it on the lesson's page")
        )
    return swing


def lesson_lines(session: Session, player_id: int) -> tuple[LessonLine, ...]:
    """List a player's lessons, the newest first."""
    counts = _counts(
        session,
        select(Clip.lesson_id, func.count())
        .join(Swing, Swing.clip_id == Clip.id)
        .where(Clip.player_id == player_id)
        .group_by(Clip.lesson_id),
    )
    lessons = session.scalars(
        select(Lesson)
        .where(Lesson.player_id == player_id)
        .order_by(Lesson.started_at.desc())
        .options(selectinload(Lesson.drills))
    )
    return tuple(
        LessonLine(
            id=lesson.id,
            kind=lesson.kind,
            title=lesson.title,
            started_at=lesson.started_at,
            club=lesson.club,
            swings=counts.get(lesson.id, 0),
            drills=tuple(drill.name for drill in lesson.drills),
            next_on=lesson.next_on,
        )
        for lesson in lessons
    )


def _counts(session: Session, query: Select[int, int]) -> dict[int, int]:
    return {key: n for key, n in session.execute(query)}  # noqa: C416 - typed so
