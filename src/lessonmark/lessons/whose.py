"""Hold two coaches' data apart on a shared server, below every page and query.

While somebody who has signed in is being answered, every query of the record sees that account's
players alone, whoever wrote the query: a page that forgets to ask cannot show another coach's
player. On a laptop without accounts, and in the background work, nothing is held back.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, Table, insert, select
from sqlalchemy import event as events
from sqlalchemy.orm import ORMExecuteState, Session, UOWTransaction, with_loader_criteria

from lessonmark.lessons.record import (
    Account,
    AccountSession,
    AuditEntry,
    Base,
    Clip,
    Erasure,
    Lesson,
    Media,
    Owner,
    Player,
)

__all__ = [
    "SHARED",
    "RecordSession",
    "Whose",
    "acting_as",
    "anybody",
    "path_to_player",
    "whose_now",
]

# Tables that belong to no single player; nothing of them reaches a page by itself.
SHARED = (Media, Erasure, Account, AccountSession, Owner, AuditEntry)


@dataclass(frozen=True, kw_only=True)
class Whose:
    """Who is being answered."""

    account_id: int
    player_id: int | None = None  # set: a player, who sees only their own


_whose: ContextVar[Whose | None] = ContextVar("whose", default=None)


class RecordSession(Session):
    """A session that shows what the one who asks may see."""


@contextmanager
def acting_as(whose: Whose) -> Iterator[None]:
    """See that account's players alone, until left."""
    token = _whose.set(whose)
    try:
        yield
    finally:
        _whose.reset(token)


@contextmanager
def anybody() -> Iterator[None]:
    """See everybody's, for what must: whether a file is another player's too, say."""
    token = _whose.set(None)
    try:
        yield
    finally:
        _whose.reset(token)


def whose_now() -> Whose | None:
    """Who is being answered; None: nobody in particular."""
    return _whose.get()


@cache
def path_to_player(entity: type[Base]) -> str:
    """Say through which column a table's rows belong to a player.

    Raises
    ------
    LookupError : through none that is known; then nobody may see them.
    """
    if entity is Player:
        return "id"
    columns = set(entity.__table__.columns.keys())
    for name in ("player_id", "lesson_id", "clip_id"):
        if name in columns:
            return name
    raise LookupError(f"whose is a row of {entity.__tablename__}?")


@events.listens_for(RecordSession, "do_orm_execute")
def _hold_back(state: ORMExecuteState) -> None:
    whose = _whose.get()
    if whose is None or not (state.is_select or state.is_update or state.is_delete):
        return
    state.statement = state.statement.options(
        *(
            with_loader_criteria(entity, _allowed(entity, whose), include_aliases=True)
            for entity in _entities()
        )
    )


@events.listens_for(RecordSession, "after_flush")
def _make_owner(session: Session, _: UOWTransaction) -> None:
    """A player that a coach enters is that coach's."""
    whose = _whose.get()
    if whose is None:
        return
    for row in session.new:
        if isinstance(row, Player):
            session.execute(
                insert(_table(Owner)).values(player_id=row.id, account_id=whose.account_id)
            )


@cache
def _entities() -> tuple[type[Base], ...]:
    return tuple(mapper.class_ for mapper in Base.registry.mappers if mapper.class_ not in SHARED)


def _allowed(entity: type[Base], whose: Whose) -> ColumnElement[bool]:
    # Plain tables inside: an entity there would be held back once more, without end.
    column: Any = getattr(entity, path_to_player(entity))
    players = _players(whose)
    lesson, clip = _table(Lesson), _table(Clip)
    match path_to_player(entity):
        case "id" | "player_id":
            allowed = column.in_(players)
        case "lesson_id":
            allowed = column.in_(select(lesson.c.id).where(lesson.c.player_id.in_(players)))
        case _:
            allowed = column.in_(select(clip.c.id).where(clip.c.player_id.in_(players)))
    held: ColumnElement[bool] = allowed
    return held


def _players(whose: Whose) -> Select[Any]:
    owner, player = _table(Owner), _table(Player)
    if whose.player_id is not None:
        return select(player.c.id).where(player.c.id == whose.player_id)
    return select(owner.c.player_id).where(owner.c.account_id == whose.account_id)


def _table(entity: type[Base]) -> Table:
    table = entity.__table__
    if not isinstance(table, Table):
        raise TypeError(f"{entity.__name__} is no table")
    return table
